"""The centre of a region: closed forms, and the same on any tessellation (limit: the project's)."""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from draped import sheet
from exact import shapes
from flat_regions import blocks, three_arms
from tessellated import named
from tessellations import FAMILIES

from drape.geometry.surface import build
from drape.layup.start_places import place_of
from drape.mould.centre import centre, middle_vertex

SAME = 0.2  # mm


def centre_of(mesh):
    region = sheet(mesh)
    return place_of(region.surface, centre(region))[0]


def flat(corners):
    """A fan from the first corner: no vertex inside."""
    corners = np.array(corners, float)
    vertices = np.column_stack([corners, np.zeros(len(corners))])
    return build(vertices, [[0, k, k + 1] for k in range(1, len(corners) - 1)])


@pytest.mark.parametrize(
    ("corners", "expected"),
    [
        ([[0, 0], [90, 0], [90, 60], [0, 60]], [45, 30]),
        ([[0, 0], [90, 0], [0, 60]], [30, 20]),
        ([[0, 0], [50, 0], [120, 70], [70, 70]], [60, 35]),
    ],
)
def test_of_flat_convex_regions_it_is_the_centroid(corners, expected):
    """From any place inside, the star of straight ways is the whole region."""
    assert centre_of(flat(corners))[:2] == pytest.approx(expected, abs=0.02)


def test_of_a_half_cylinder_it_is_that_of_the_unrolled_rectangle():
    for rings, rows in ((32, 40), (9, 1), (24, 3)):
        x, y, z = centre_of(shapes.trough(25.0, 120.0, rings, rows))
        assert x == pytest.approx(0.0, abs=0.05)
        assert 25.0 * np.arctan2(y, -z) == pytest.approx(0.0, abs=0.05)


def test_of_a_cap_it_is_the_pole():
    for rings in (9, 20):
        assert centre_of(shapes.hemisphere(60.0, rings)) == pytest.approx([0, 0, -60], abs=0.05)


@pytest.mark.parametrize("name", sorted(set(named(0.2)) - {"S of two arcs"}))
def test_two_tessellations_have_the_same_centre(name):
    places = []
    for chord in (0.2, 0.02):
        shape = named(chord)[name].rounded()
        places.append(centre_of(build(shape.vertices, shape.faces, crease_angle=np.pi)))
    assert np.linalg.norm(places[0] - places[1]) <= SAME


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_even_meshes_of_any_fineness_have_the_same_centre(name):
    places = [centre_of(FAMILIES[name](n).surface()) for n in (12, 48)]
    assert np.linalg.norm(places[0] - places[1]) <= SAME


def test_a_coarse_mesh_has_a_middle_vertex_far_from_the_centre():
    """Where every vertex is on a mouth, starts at vertices were on a mouth."""
    region = sheet(shapes.trough(25.0, 120.0, 16, 1))
    vertex = place_of(region.surface, middle_vertex(region))[0]
    assert abs(vertex[0]) == pytest.approx(60.0)
    assert abs(place_of(region.surface, centre(region))[0][0]) < 0.05


def test_beyond_a_trim_line_does_not_count():
    """The cavity beyond is there, but isn't part of the region."""
    whole = sheet(shapes.trough(25.0, 120.0, 24, 6))
    middle = whole.surface.vertices[whole.surface.faces].mean(axis=1)
    inside = middle[:, 0] < 20.0
    mine = np.unique(whole.surface.faces[inside])
    edges = tuple(e for e in whole.edges if np.isin(e.vertices, mine).all())
    trimmed = replace(whole, inside=inside, edges=edges)
    place = centre(trimmed)
    assert trimmed.inside[place.face]
    assert place_of(whole.surface, place)[0][0] == pytest.approx(-20.0, abs=0.05)


def test_of_a_region_in_two_parts_the_larger_counts():
    """What a trim line may leave: two strips, 30 and 80 mm long."""
    whole = sheet(shapes.trough(25.0, 120.0, 24, 12))
    middle = whole.surface.vertices[whole.surface.faces].mean(axis=1)
    inside = (middle[:, 0] < -30.0) | (middle[:, 0] > -20.0)
    place = place_of(whole.surface, centre(replace(whole, inside=inside)))[0]
    assert place[0] > -20.0


@pytest.mark.parametrize(
    "mesh",
    [
        blocks((0, 0, 120, 20), (0, 0, 20, 90)),
        blocks((0, 0, 120, 20), (0, 0, 20, 90), (100, 0, 120, 90)),
        three_arms(8, 40),
    ],
    ids=["L", "U", "Y"],
)
def test_it_lies_well_inside_regions_that_ways_do_not_see_whole(mesh):
    vertices, faces, polygon = mesh
    place = shapely.Point(centre_of((np.column_stack([vertices, 0.0 * vertices[:, 0]]), faces)))
    assert polygon.contains(place)
    assert polygon.exterior.distance(place) > 5.0
