"""What must not change: mirrored, turned and moved moulds, and the area of cloth used."""

import numpy as np
import pytest
from draped import drape_piece
from exact import shapes
from helpers import gap
from scipy.spatial.transform import Rotation

from drape.geometry.surface import SurfacePoint, build, unit
from drape.layup.piece import PieceOptions, make_piece
from drape.layup.start_places import place_of
from drape.mould.centre import centre
from drape.mould.region import plain_region

BEND, SECTION = 80.0, 25.0
SAME = 0.05  # mm, between two automatic starts
STILL = 0.001  # mm
LAPS = {"edge.1": 10.0, "edge.2": 5.0, "edge.3": -3.0, "edge.4": 0.0}


def elbow():
    return shapes.elbow(BEND, SECTION, np.pi / 2, 40, 80)


def auto_piece(surface, warp, start=None):
    """Start given or automatic; the four edges told apart by where they are in the mesh."""
    region = plain_region(surface)
    first = int(np.argmin([e.vertices.min() for e in region.edges]))
    names = [region.edges[(first + k) % 4].name for k in range(4)]
    laps = dict(zip(names, LAPS.values(), strict=True))
    return make_piece(
        region, PieceOptions(start or centre(region), np.array(warp), laps, 0.11, 1.0)
    )


@pytest.fixture(scope="module")
def original():
    surface = build(*elbow())
    return surface, auto_piece(surface, [1.0, 0.2, 0.0])


def motion():
    m = np.eye(4)
    m[:3, :3] = Rotation.from_rotvec([0.7, -1.1, 2.0]).as_matrix()
    m[:3, 3] = [250.0, -40.0, 131.0]
    return m


@pytest.mark.parametrize("way", ["moved", "built again"])
def test_turning_and_moving_changes_no_outline(original, way):
    """Lengths on a surface don't depend on where it is (key ``docarmo1976``)."""
    surface, before = original
    m = motion()
    moved = surface.moved(m)
    if way == "built again":
        moved = build(surface.vertices @ m[:3, :3].T + m[:3, 3], surface.faces)
    chosen = place_of(surface, before.options.start)[0] @ m[:3, :3].T + m[:3, 3]
    found = place_of(moved, centre(plain_region(moved)))[0]
    assert np.linalg.norm(found - chosen) < SAME  # a way that grazes a corner passes or doesn't
    after = auto_piece(moved, m[:3, :3] @ [1.0, 0.2, 0.0], before.options.start)
    p, q = before.outlines[0], after.outlines[0]
    assert [e.name for e in p.edges] == [e.name for e in q.edges]
    assert p.points.shape == q.points.shape
    assert np.abs(p.points - q.points).max() <= STILL


@pytest.mark.parametrize("way", ["moved", "built again"])
def test_a_mirrored_mould_gives_the_mirrored_outline(original, way):
    surface, before = original
    flip = np.diag([1.0, -1.0, 1.0])
    mirrored = surface.moved(flip)
    if way == "built again":
        mirrored = build(surface.vertices @ flip, surface.faces[:, ::-1])
    region = plain_region(mirrored)
    # a rim runs the other way round in the mirror: pair edges by their vertices
    source = plain_region(surface)
    laps = {
        e.name: before.options.allowances[other.name]
        for e in region.edges
        for other in source.edges
        if set(e.vertices.tolist()) == set(other.vertices.tolist())
    }
    assert len(laps) == 4
    chosen = place_of(surface, before.options.start)[0]
    found = place_of(mirrored, centre(region))[0]
    assert np.linalg.norm(found - flip @ chosen) < SAME
    start = mirrored_place(mirrored, before.options.start, way)
    assert np.allclose(place_of(mirrored, start)[0], flip @ chosen)
    warp = flip @ [1.0, 0.2, 0.0]
    after = make_piece(region, PieceOptions(start, warp, laps, 0.11, 1.0))
    expected = before.outlines[0].points * [1.0, -1.0]
    assert gap(after.outlines[0].points, expected) <= STILL


def mirrored_place(mirrored, place, way):
    """The same place in faces whose corners are in the other order."""
    third = 1.0 - place.b1 - place.b2
    b1, b2 = (place.b1, third) if way == "built again" else (place.b2, place.b1)
    return SurfacePoint(place.face, b1, b2)


def test_reversed_warp_turns_the_outline_half_round(original):
    surface, before = original
    after = auto_piece(surface, [-1.0, -0.2, 0.0])
    assert gap(after.outlines[0].points, -before.outlines[0].points) <= STILL


@pytest.mark.parametrize("shape", ["hemisphere", "elbow"])
def test_cloth_area_is_the_surface_area_over_cos_shear(shape):
    """A cell of du × dv covers du·dv·cos γ: cloth = ∬ dA/cos γ (key ``mack1956``).

    dA from the mesh's triangles, γ looked up at the middles of their sides.
    """
    if shape == "hemisphere":
        piece = drape_piece(
            shapes.hemisphere(60.0, 52), [0.0, 0.0, -60.0], [1.0, 0.3, 0.0], spacing=1.0
        )
    else:
        at = [BEND * np.sqrt(0.5), BEND - BEND * np.sqrt(0.5), -SECTION]
        mesh = shapes.elbow(BEND, SECTION, np.pi / 2, 64, 128)
        piece = drape_piece(mesh, at, [1.0, 0.0, 0.0], spacing=1.0)
    surface = piece.region.surface
    corners, normals = surface.vertices[surface.faces], surface.corner_normals
    total = np.zeros(len(corners))
    for k in range(3):  # exact for quadratics
        j = (k + 1) % 3
        middle = 0.5 * (corners[:, k] + corners[:, j])
        shear = piece.net.shear_at(piece.net.to_flat(middle, unit(normals[:, k] + normals[:, j])))
        total += surface.face_areas / 3.0 / np.cos(shear)
    assert np.isfinite(total).all()
    assert piece.assessment.cloth_area == pytest.approx(total.sum(), rel=1e-3)
    assert abs(total.sum() / surface.face_areas.sum() - 1.0) > 0.005  # shear matters here
