"""Distance from a line on the border, against mathematics and an exact library.

Sources: a torus' parallels are as far from its equators as the section's arc is long (key
``docarmo1976``); in the plane the straight distance, by shapely; on facets pygeodesic (key
``kirsanov2008``), from vertices set densely on the line.

Tries out ``geometry/distance_marching``, ``geometry/distance_windows``, ``geometry/fans`` as
well.
"""

import numpy as np
import pytest
import shapely
from dense_line import with_dense_line
from exact import shapes
from pygeodesic.geodesic import PyGeodesicAlgorithmExact
from scipy.spatial import Delaunay

from drape.geometry import distance
from drape.geometry.distance import distance_from
from drape.geometry.surface import build

SECTION = 25.0


def border(surface, chosen):
    """Border edges whose two ends are ``chosen`` (n,)."""
    f, k = np.nonzero(surface.neighbours < 0)
    edges = np.stack([surface.faces[f, k], surface.faces[f, (k + 1) % 3]], 1)
    return edges[chosen[edges].all(axis=1)]


def from_equators(mesh, reach):
    """Distance over half a torus from both its equators, and the section's arc."""
    surface = build(*mesh)
    height = surface.vertices[:, 2]
    line = border(surface, np.abs(height) < 1e-9)
    found = distance_from(surface, np.ones(len(surface.faces), bool), line, reach)
    return found, SECTION * np.arcsin(np.clip(-height / SECTION, -1.0, 1.0))


@pytest.mark.parametrize(("around", "jitter"), [(24, 0.0), (24, 0.3), (48, 0.0), (48, 0.3)])
def test_on_a_torus_it_is_the_arc_of_the_section(around, jitter):
    found, arc = from_equators(shapes.elbow(120, SECTION, 1.4, around, 90, jitter=jitter), 30.0)
    near = arc <= 29.9
    assert np.abs(found - arc)[near].max() < 0.05
    assert np.isinf(found[arc > 30.1]).all()


@pytest.mark.parametrize(("jitter", "windows"), [(0.0, 20_000), (0.2, 20_000), (0.2, 3_000)])
def test_what_is_marched_on_stays_near_the_arc(jitter, windows, monkeypatch):
    """Past the budget of windows the front goes on from what is known."""
    monkeypatch.setattr(distance, "MOST_WINDOWS", windows)
    mesh = shapes.elbow(120, SECTION, 1.4, 96, 180, jitter=jitter)
    found, arc = from_equators(mesh, 40.0)
    assert np.isfinite(found).all()
    assert np.abs(found - arc).max() < 0.1


def stepped(jitter, steep):
    """A flat sheet whose upper border has a step; the vertices of that border."""

    def point(x, y):
        top = 20.0 + 6.0 * np.tanh(x * steep)
        return np.stack([x, -20.0 + (y + 20.0) / 40.0 * (top + 20.0), 0.0 * x], -1)

    x, y = np.linspace(-40, 40, 61), np.linspace(-20, 20, 31)
    mesh = shapes.grid(point, x, y, jitter=jitter)
    return mesh, np.arange(61) * 31 + 30


@pytest.mark.parametrize("jitter", [0.0, 0.3])
@pytest.mark.parametrize("steep", [0.3, 1.2])
def test_before_a_stepped_line_it_is_exact(steep, jitter):
    mesh, top = stepped(jitter, steep)
    surface = build(*mesh)
    line = np.stack([top[:-1], top[1:]], 1)
    found = distance_from(surface, np.ones(len(surface.faces), bool), line, 60.0)
    vertices, faces, sources = with_dense_line(*mesh, line, 0.05)
    exact, _ = PyGeodesicAlgorithmExact(vertices, faces).geodesicDistances(sources)
    off = found - exact[: len(found)]
    assert off.max() < 1e-6  # the library starts from vertices only: never less than it
    assert off.min() > -0.01


def test_on_facets_with_creases_it_is_exact():
    """A folded, faceted sheet: every edge is a crease, so sides are straight."""

    def point(x, y):
        return np.stack([x, y, 4.0 * np.abs(np.mod(y, 16.0) - 8.0) + 3.0 * np.sin(0.15 * x)], -1)

    x, y = np.linspace(-30, 30, 21), np.linspace(0, 48, 13)
    mesh = shapes.grid(point, x, y, jitter=0.25)
    surface = build(*mesh, crease_angle=0.0)
    line = border(surface, mesh[0][:, 1] < 1e-9)
    assert len(line) == 20
    found = distance_from(surface, np.ones(len(surface.faces), bool), line, 200.0)
    vertices, faces, sources = with_dense_line(*mesh, line, 0.02)
    exact, _ = PyGeodesicAlgorithmExact(vertices, faces).geodesicDistances(sources)
    off = found - exact[: len(found)]
    assert np.abs(off).max() < 0.003


def test_long_triangles_of_a_plane_are_no_harm():
    """A fan of slivers and long triangles, as CAD writes them; source: shapely's distance."""
    angle = np.linspace(0.0, np.pi, 41)
    arch = np.stack([30.0 * np.cos(angle), 30.0 * np.sin(angle)], 1)  # the line, from outside
    far = np.array([[-90.0, 0.0], [-90.0, 90.0], [90.0, 90.0], [90.0, 0.0]])
    ring = np.vstack([arch, far])
    sheet = shapely.Polygon(ring)
    faces = Delaunay(ring).simplices
    faces = faces[shapely.contains(sheet, shapely.points(ring[faces].mean(axis=1)))]
    (ax, ay), (bx, by) = (ring[faces][:, k].T - ring[faces][:, 0].T for k in (1, 2))
    faces = np.where((ax * by - ay * bx > 0.0)[:, None], faces, faces[:, ::-1])
    surface = build(np.column_stack([ring, np.zeros(len(ring))]), faces)
    assert surface.face_areas.sum() == pytest.approx(sheet.area)
    line = border(surface, np.arange(len(ring)) < 41)
    found = distance_from(surface, np.ones(len(faces), bool), line, 200.0)
    exact = shapely.distance(shapely.points(ring), shapely.LineString(arch))
    assert found == pytest.approx(exact, abs=1e-9)


def test_ways_stay_on_the_part():
    surface = build(*shapes.heightfield(lambda x, y: 0 * x, 40.0, 40.0, 20, 20))
    x, y = surface.vertices[:, 0], surface.vertices[:, 1]
    part = (surface.vertices[surface.faces][..., 0] > -1e-9).all(axis=1)
    line = border(surface, (y < -20.0 + 1e-9) & (x > -1e-9))
    found = distance_from(surface, part, line, 15.0)
    assert np.isinf(found[x < -1e-9]).all()
    on = (x > -1e-9) & (y <= -5.0)
    assert found[on] == pytest.approx(y[on] + 20.0)
    assert np.isinf(found[y > -4.9]).all()


def test_a_heap_that_is_enlarged_on_the_way_changes_nothing(monkeypatch):
    whole, _ = from_equators(shapes.elbow(120, SECTION, 1.4, 24, 90), 30.0)
    monkeypatch.setattr(distance, "FIRST_ROOM", 1)
    enlarged, rooms = distance.enlarged, []
    monkeypatch.setattr(
        distance, "enlarged", lambda heap: rooms.append(len(heap.rows)) or enlarged(heap)
    )
    small, _ = from_equators(shapes.elbow(120, SECTION, 1.4, 24, 90), 30.0)
    assert rooms
    assert np.array_equal(whole, small)
