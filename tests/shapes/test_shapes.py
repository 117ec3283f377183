"""The exact shapes: vertices on the surface, areas, normals into the hollow; their rims.

Source of areas and the Gauss-Bonnet sum: key ``docarmo1976``.

Tries out ``geometry/harmonic``, ``geometry/rims`` as well.
"""

import numpy as np
import pytest
from exact import shapes

from drape.geometry.harmonic import cotangent_laplacian, face_gradients, harmonic_field
from drape.geometry.polyline import signed_area
from drape.geometry.rims import loop_length, rim_corners, rim_normals, rim_turns, rims
from drape.geometry.surface import build

R, r = 80.0, 25.0
CASES = {
    "trough": (shapes.trough(r, 60.0, 64, 30), np.pi * r * 60.0),
    "cone": (shapes.half_cone(20, 30, 60.0, 64, 30), np.pi * 25.0 * np.hypot(60.0, 10.0)),
    "bowl": (shapes.hemisphere(60.0, 52), 2.0 * np.pi * 60.0**2),
    "elbow": (shapes.elbow(R, r, np.pi / 2, 64, 96), np.pi * r * R * np.pi / 2),
}


@pytest.mark.parametrize("name", CASES)
def test_area_and_side(name):
    mesh, area = CASES[name]
    surface = build(*mesh)
    assert surface.face_areas.sum() == pytest.approx(area, rel=2e-3)
    assert (surface.face_normals[:, 2] > -0.1).all()  # into the hollow: up
    assert not surface.crease.any()


@pytest.mark.parametrize("jitter", [0.1, 0.3])
def test_jitter_keeps_vertices_on_the_surface_and_the_rim_in_place(jitter):
    vertices, _ = shapes.trough(r, 60.0, 32, 20, jitter=jitter)
    plain, _ = shapes.trough(r, 60.0, 32, 20)
    assert np.linalg.norm(vertices[:, 1:], axis=1) == pytest.approx(r)
    moved = np.linalg.norm(vertices - plain, axis=1).reshape(21, 33)
    assert moved[1:-1, 1:-1].min() > 0.0
    assert moved[[0, -1]].max() == moved[:, [0, -1]].max() == 0.0


def test_elbow_lies_on_its_torus():
    vertices, _ = shapes.elbow(R, r, np.pi / 2, 16, 24)
    ring = np.hypot(vertices[:, 0], vertices[:, 1] - R) - R
    assert np.hypot(ring, vertices[:, 2]) == pytest.approx(r)
    assert vertices[:, 2].max() == pytest.approx(0.0, abs=1e-9)


def test_rims_keep_the_surface_on_the_left_and_the_longest_comes_first():
    t = np.linspace(0.0, 2.0 * np.pi, 41)
    ring = shapes.grid(
        lambda a, b: np.stack([a * np.cos(b), a * np.sin(b), 0.0 * a], -1),
        np.linspace(5.0, 10.0, 6),
        t,
    )
    vertices, faces = ring
    same = np.arange(len(vertices))
    same[40::41] = same[0::41]  # close the ring
    surface = build(vertices, same[faces])
    outer, inner = rims(surface)
    assert len(outer) == len(inner) == 40
    assert signed_area(vertices[outer, :2]) > 0.0 > signed_area(vertices[inner, :2])
    sides = 2 * 40 * np.sin(np.pi / 40)
    assert loop_length(vertices[outer]) == pytest.approx(10.0 * sides)
    assert loop_length(vertices[inner]) == pytest.approx(5.0 * sides)


def test_turns_of_a_plane_rim_sum_to_a_full_turn():
    surface = build(*shapes.heightfield(lambda x, y: 0 * x, 30.0, 20.0, 6, 4))
    (rim,) = rims(surface)
    points, normals = surface.vertices[rim], rim_normals(surface, rim)
    assert rim_turns(points, normals).sum() == pytest.approx(2.0 * np.pi)
    corners = points[rim_corners(points, normals)]
    assert sorted(corners[:, :2].tolist()) == [[-15, -10], [-15, 10], [15, -10], [15, 10]]


def test_a_hemispheres_rim_is_a_geodesic_without_corners():
    surface = build(*shapes.hemisphere(60.0, 30))
    (rim,) = rims(surface)
    points, normals = surface.vertices[rim], rim_normals(surface, rim)
    assert np.abs(rim_turns(points, normals)).max() < 1e-3
    assert len(rim_corners(points, normals)) == 0


# --- harmonic fields (key ``pinkall1993``) ----------------------------------------------


def test_linear_functions_are_harmonic_on_any_plane_mesh():
    vertices, faces = shapes.heightfield(lambda x, y: 0 * x, 30.0, 20.0, 15, 10, jitter=0.3)
    exact = 2.0 * vertices[:, 0] - 3.0 * vertices[:, 1] + 1.0
    matrix = cotangent_laplacian(vertices, faces)
    assert abs(matrix - matrix.T).max() < 1e-12
    inner = np.abs(vertices[:, :2]).max(axis=1) < 9.0
    assert np.abs((matrix @ exact)[inner]).max() < 1e-9
    rim = np.flatnonzero((np.abs(vertices[:, 0]) > 14.9) | (np.abs(vertices[:, 1]) > 9.9))
    got = harmonic_field(vertices, faces, rim, exact[rim])
    assert np.allclose(got, exact, atol=1e-6)
    assert np.allclose(face_gradients(vertices, faces, got), [2.0, -3.0, 0.0], atol=1e-6)


def test_along_a_trough_the_field_is_the_share_of_its_length():
    vertices, faces = shapes.trough(r, 60.0, 24, 30)
    first, last = (np.flatnonzero(np.abs(vertices[:, 0] - x) < 1e-9) for x in (-30.0, 30.0))
    fixed = np.concatenate([first, last])
    values = np.r_[np.zeros(len(first)), np.ones(len(last))]
    got = harmonic_field(vertices, faces, fixed, values)
    assert np.allclose(got, vertices[:, 0] / 60.0 + 0.5, atol=1e-6)


def test_between_two_circles_the_field_is_the_logarithm():
    """Annulus: u = ln(ρ/a)/ln(b/a), second order in the mesh (closed form)."""
    a, b = 5.0, 10.0
    vertices, faces = shapes.grid(
        lambda x, y: np.stack([x * np.cos(y), x * np.sin(y), 0 * x], -1),
        np.linspace(a, b, 31),
        np.linspace(0.0, 0.5, 31),
    )
    rho = np.hypot(vertices[:, 0], vertices[:, 1])
    fixed = np.flatnonzero((rho < a + 1e-9) | (rho > b - 1e-9))
    exact = np.log(rho / a) / np.log(b / a)
    assert np.allclose(harmonic_field(vertices, faces, fixed, exact[fixed]), exact, atol=1e-3)
