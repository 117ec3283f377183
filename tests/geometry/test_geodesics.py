"""Patches, walks and geodesics against closed forms.

Sources: geodesics of sphere, cylinder and cone, Clairaut's relation (key ``docarmo1976``);
curved PN triangles interpolate corners and normals (key ``vlachos2001``); the walk is
straight on flat facets (key ``polthier1998``).

Tries out ``geometry/patches``, ``geometry/walk`` as well.
"""

import numpy as np
import pytest
from draped import place, sheet
from exact import shapes
from helpers import convergence_order

from drape.geometry.geodesics import arc_length, fine_arc_length
from drape.geometry.patches import make_patches, place_near, rows_at, shoot
from drape.geometry.surface import build, unit
from drape.geometry.walk import ROW, evaluate, walk


def shot(mesh, start, directions, length, step=0.25):
    """Ends (k, 3) of geodesics from one point."""
    region = sheet(mesh)
    patches = make_patches(region.surface)
    at = place(region, start)
    k = len(directions)
    weights = np.tile([at.b1, at.b2], (k, 1))
    _, rows, reached = shoot(
        patches, np.full(k, at.face), weights, directions, np.full(k, length), step
    )
    assert np.allclose(reached, length)
    return rows


def fan(count, first, second):
    t = 2.0 * np.pi * np.arange(count) / count + 0.1
    return np.cos(t)[:, None] * np.array(first) + np.sin(t)[:, None] * np.array(second)


def test_patches_interpolate_corners_and_normals():
    surface = build(*shapes.hemisphere(60.0, 12))
    patches = make_patches(surface)
    for k, weights in enumerate(([0.0, 0.0], [1.0, 0.0], [0.0, 1.0])):
        faces = np.arange(0, len(surface.faces), 7)
        rows = rows_at(patches, faces, np.tile(weights, (len(faces), 1)))
        assert np.allclose(rows[:, :3], surface.vertices[surface.faces[faces, k]])
        assert np.allclose(rows[:, 3:6], surface.corner_normals[faces, k])
        across = np.cross(rows[:, 6:9], rows[:, 9:12])
        assert np.allclose(unit(across), rows[:, 3:6], atol=1e-6)


def test_derivatives_are_those_of_the_position():
    surface = build(*shapes.elbow(80.0, 25.0, 1.5, 12, 20))
    patches = make_patches(surface)
    p, q, h = np.empty(ROW), np.empty(ROW), 1e-6
    evaluate(patches, 50, 0.3, 0.25, p)
    for at, step in ((6, (h, 0.0)), (9, (0.0, h))):
        evaluate(patches, 50, 0.3 + step[0], 0.25 + step[1], q)
        assert np.allclose((q[:3] - p[:3]) / h, p[at : at + 3], atol=1e-3)


def test_patches_are_closer_to_the_sphere_than_facets_by_orders():
    """Flat facets miss by h²/8R; curved ones by a higher power: rate of at least 3.5."""
    error, sizes = [], (10, 20, 40)
    for rings in sizes:
        vertices, faces = shapes.hemisphere(60.0, rings)
        surface = build(vertices, faces, corner_normals=-unit(vertices)[faces])
        third = np.full((len(faces), 2), 1.0 / 3.0)
        rows = rows_at(make_patches(surface), np.arange(len(faces)), third)
        error.append(np.abs(np.linalg.norm(rows[:, :3], axis=1) - 60.0).max())
    assert -convergence_order(sizes, error) > 3.5


def test_walk_on_a_plane_is_straight_over_any_triangles():
    mesh = shapes.heightfield(lambda x, y: 0 * x, 40.0, 40.0, 16, 16, jitter=0.35)
    surface = build(*mesh)
    patches = make_patches(surface)
    random = np.random.default_rng(5)
    row = np.empty(ROW)
    for face in random.integers(0, len(surface.faces), 200):
        a, b, c = surface.vertices[surface.faces[face], :2]
        step = random.uniform(-6.0, 6.0, 2)
        d = np.linalg.solve(np.stack([b - a, c - a], 1), step)
        other, b1, b2, arrived = walk(patches, face, 0.3, 0.3, d[0], d[1])
        target = 0.4 * a + 0.3 * b + 0.3 * c + step
        evaluate(patches, other, b1, b2, row)
        if np.abs(target).max() < 20.0:
            assert arrived
            assert np.allclose(row[:2], target, atol=1e-9)
        else:
            assert not arrived
            assert np.abs(row[:2]).max() == pytest.approx(20.0, abs=1e-9)


def test_walk_unfolds_over_a_fold():
    """Two squares at 60°: a straight step keeps its angle to the edge and its length."""
    c, s = 0.5, np.sqrt(0.75)
    v = np.array([[-1, 0, 0], [0, 0, 0], [0, 1, 0], [-1, 1, 0], [c, 0, s], [c, 1, s]], float)
    f = np.array([[0, 1, 2], [0, 2, 3], [1, 4, 5], [1, 5, 2]])
    surface = build(v, f)
    patches = make_patches(surface)
    face, b1, b2, arrived = walk(
        patches, 0, 0.5, 0.25, *np.linalg.solve(np.array([[1.0, 1.0], [0.0, 1.0]]), [0.75, 0.3])
    )
    row = np.empty(ROW)
    evaluate(patches, face, b1, b2, row)
    x, y = -1 + 0.5 + 0.25 + 0.75, 0.25 + 0.3
    assert arrived
    assert np.allclose(row[:3], [x * c, y, x * s], atol=1e-12)


def test_great_circles():
    radius, length = 60.0, 70.0
    ways = fan(12, [1, 0, 0], [0, 1, 0])
    rows = shot(shapes.hemisphere(radius, 52), [0, 0, -radius], ways, length)
    exact = radius * (np.sin(length / radius) * ways - np.cos(length / radius) * np.eye(3)[2])
    assert np.linalg.norm(rows[:, :3] - exact, axis=1).max() < 0.005


def test_helices():
    radius, length = 25.0, 30.0
    ways = fan(12, [1, 0, 0], [0, 1, 0])
    rows = shot(shapes.trough(radius, 80.0, 64, 32, jitter=0.3), [0, 0, -radius], ways, length)
    t = length * ways[:, 1] / radius
    exact = np.stack([length * ways[:, 0], radius * np.sin(t), -radius * np.cos(t)], -1)
    assert np.linalg.norm(rows[:, :3] - exact, axis=1).max() < 0.005


def test_straight_lines_on_an_unrolled_cone():
    first, second, along, length = 20.0, 30.0, 100.0, 28.0
    alpha = np.arctan2(second - first, along)
    ways = fan(12, [np.cos(alpha), 0, -np.sin(alpha)], [0, 1, 0])
    mesh = shapes.half_cone(first, second, along, 64, 40)
    rows = shot(mesh, [0, 0, -0.5 * (first + second)], ways, length)
    start = 0.5 * (first + second) / np.sin(alpha)
    x = start + length * (ways @ [np.cos(alpha), 0, -np.sin(alpha)])
    y = length * ways[:, 1]
    rho, turn = np.hypot(x, y), np.arctan2(y, x) / np.sin(alpha)
    r = rho * np.sin(alpha)
    apex = -0.5 * (first + second) / np.tan(alpha)
    exact = np.stack([apex + rho * np.cos(alpha), r * np.sin(turn), -r * np.cos(turn)], -1)
    assert np.linalg.norm(rows[:, :3] - exact, axis=1).max() < 0.005


def test_clairauts_relation_on_a_torus():
    """r·cos(angle to the parallel) is the same all along a geodesic of a surface of revolution."""
    bend, section = 80.0, 25.0
    region = sheet(shapes.elbow(bend, section, np.pi / 2, 96, 192))
    patches = make_patches(region.surface)
    at = place(region, [bend * np.sqrt(0.5), bend - bend * np.sqrt(0.5), -section])
    way = np.array([[1.0, 0.5, 0.0]])
    constant = []
    for length in np.linspace(1.0, 30.0, 12):
        ends = [
            shoot(patches, [at.face], [[at.b1, at.b2]], way, [s], 0.1)[1][0]
            for s in (length - 0.05, length + 0.05)
        ]
        a, b = (e[:3] - [0.0, bend, 0.0] for e in ends)
        middle, tangent = 0.5 * (a + b), unit(b - a)
        parallel = np.cross([0.0, 0.0, 1.0], middle)  # length r, along the parallel
        constant.append(parallel @ tangent)
    assert np.ptp(constant) < 0.02


def test_geodesics_go_back_to_where_they_came_from():
    mesh = shapes.elbow(80.0, 25.0, np.pi / 2, 48, 96)
    patches = make_patches(build(*mesh))
    faces, weights = np.array([4000]), np.array([[0.3, 0.3]])
    way = np.array([[1.0, 1.0, 0.0]])
    start = rows_at(patches, faces, weights)
    tangent = unit(way - (way @ start[:, 3:6].T) * start[:, 3:6])
    end_face, end, _ = shoot(patches, faces, weights, tangent, np.array([15.0]), 0.25)
    before = shoot(patches, faces, weights, tangent, np.array([14.99]), 0.25)[1]
    back = unit(before[:, :3] - end[:, :3])
    _, home, _ = shoot(patches, end_face, end[:, 12:14], back, np.array([15.0]), 0.25)
    assert np.linalg.norm(home[0, :3] - start[0, :3]) < 0.02


def test_a_geodesic_stops_at_the_border():
    mesh = shapes.heightfield(lambda x, y: 0 * x, 40.0, 40.0, 10, 10)
    region = sheet(mesh)
    at = place(region, [3.0, 1.0, 0.0])
    _, rows, reached = shoot(
        make_patches(region.surface), [at.face], [[at.b1, at.b2]], [[1.0, 0, 0]], [50.0], 0.25
    )
    assert 17.0 - 0.25 <= reached[0] <= 17.0 + 1e-9
    assert rows[0, 0] == pytest.approx(3.0 + reached[0])


def test_arc_length_of_circles():
    """Exact for circular arcs, from chord and normals alone; the fine one on the patch too."""
    radius = 25.0
    p, q = np.zeros(ROW), np.zeros(ROW)
    for turn in (1e-4, 0.01, 0.1, 0.3):
        p[:3], p[3:6] = [radius, 0, 0], [-1, 0, 0]
        q[:3] = radius * np.array([np.cos(turn), np.sin(turn), 0])
        q[3:6] = -q[:3] / radius
        assert arc_length(p, q) == pytest.approx(radius * turn, rel=1e-9)
    surface = build(*shapes.trough(radius, 60.0, 64, 30))
    patches = make_patches(surface)
    targets = radius * np.array([[0, 0, -1], [0, np.sin(0.1), -np.cos(0.1)]])
    face = int(
        np.argmin(np.linalg.norm(surface.vertices[surface.faces].mean(1) - targets[0], axis=1))
    )
    faces, rows = place_near(patches, [face, face], [[0.3, 0.3]] * 2, targets)
    length = fine_arc_length(patches, faces[0], rows[0], rows[1], np.empty((4, ROW)))
    assert length == pytest.approx(0.1 * radius, rel=1e-5)


def test_places_found_under_points_are_their_feet():
    radius = 60.0
    patches = make_patches(build(*shapes.hemisphere(radius, 40)))
    random = np.random.default_rng(2)
    faces = random.integers(0, 3000, 50)
    start = rows_at(patches, faces, np.full((50, 2), 0.3))
    targets = start[:, :3] + random.uniform(-3.0, 3.0, (50, 3))
    targets[:, 2] = np.minimum(targets[:, 2], -3.0)
    _, rows = place_near(patches, faces, np.full((50, 2), 0.3), targets)
    exact = radius * unit(targets)
    assert np.linalg.norm(rows[:, :3] - exact, axis=1).max() < 0.02
