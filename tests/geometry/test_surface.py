"""Surfaces: adjacency by hand, fitted normals and curvatures against closed forms.

Tries out ``geometry/fitting`` as well.
"""

import numpy as np
import pytest
from exact import shapes
from helpers import convergence_order
from scipy.spatial.transform import Rotation

from drape.errors import InputError
from drape.geometry.surface import (
    build,
    face_neighbours,
    face_vectors,
    fit_alone,
    matching_edge,
    rows_of,
    split_sectors,
    unit,
)

TWO = np.array([[0, 1, 2], [0, 2, 3]])
SQUARE = np.array([[0.0, 0, 0], [2, 0, 0], [2, 3, 0], [0, 3, 0]])


def box_corner():
    """Three squares that meet in one corner, hollow side up: all edges between are creases."""
    o, x, y, z = np.zeros(3), *np.eye(3) * 10.0
    v = np.array([o, x, y, z, x + y, y + z, x + z])
    f = [[0, 1, 4], [0, 4, 2], [0, 2, 5], [0, 5, 3], [0, 3, 6], [0, 6, 1]]
    return v, np.array(f)


def test_two_triangles_by_hand():
    neighbours = face_neighbours(TWO)
    assert neighbours.tolist() == [[-1, -1, 1], [0, -1, -1]]
    assert matching_edge(TWO, neighbours).tolist() == [[-1, -1, 0], [2, -1, -1]]
    assert face_vectors(SQUARE, TWO).tolist() == [[0, 0, 3], [0, 0, 3]]
    surface = build(SQUARE, TWO)
    assert surface.face_areas.tolist() == [3.0, 3.0]
    assert surface.size == pytest.approx(np.sqrt(13.0))
    assert not surface.crease.any()


def test_an_edge_with_three_faces_joins_nothing():
    faces = np.array([[0, 1, 2], [1, 0, 3], [0, 1, 4]])
    assert (face_neighbours(faces) == -1).all()


def test_neighbours_are_mutual_on_an_irregular_mesh():
    surface = build(*shapes.trough(25.0, 60.0, 20, 20, jitter=0.3))
    match = matching_edge(surface.faces, surface.neighbours)
    f, k = np.nonzero(surface.neighbours >= 0)
    g, j = surface.neighbours[f, k], match[f, k]
    assert (surface.neighbours[g, j] == f).all()
    assert (match[g, j] == k).all()


def test_a_box_corner_has_three_sectors_and_square_normals():
    surface = build(*box_corner())
    assert surface.crease.sum() == 6  # three inner creases, seen from both sides
    at_corner = np.unique(surface.sectors[surface.faces == 0])
    assert len(at_corner) == 3
    normals = np.abs(surface.sector_normals[at_corner])
    assert np.allclose(normals[np.argsort(normals.argmax(axis=1))], np.eye(3), atol=1e-9)


def test_without_creases_every_vertex_is_one_sector():
    surface = build(*shapes.hemisphere(60.0, 10))
    assert len(surface.sector_normals) == len(surface.vertices)
    sectors, owner = split_sectors(surface.faces, surface.neighbours, surface.crease)
    assert (owner[sectors] == surface.faces).all()


@pytest.mark.parametrize("jitter", [0.0, 0.3])
def test_normals_and_curvatures_of_a_cylinder(jitter):
    """Curvatures 0 and 1/R, towards the normal (key ``docarmo1976``); borders too."""
    radius = 25.0
    surface = build(*shapes.trough(radius, 60.0, 64, 40, jitter=jitter))
    exact = -surface.vertices * [0.0, 1.0, 1.0] / radius
    turn = np.arccos(np.clip((vertex_normals(surface) * exact).sum(axis=1), -1.0, 1.0))
    assert np.degrees(turn.max()) < 0.1
    curvature = surface.sector_curvatures
    assert np.abs(curvature[:, 0]).max() < 0.03 / radius
    assert curvature[:, 1] == pytest.approx(1.0 / radius, rel=0.03)


def test_normals_of_a_sphere_converge_with_the_square_of_the_facets():
    """Key ``cazals2005``: degree 2 jets give normals of second order at least.

    Edges' are exact on spheres, but for the last steps of an iteration and the rounding.
    """
    alone = []
    for rings in (10, 20, 40):
        surface = build(*shapes.hemisphere(60.0, rings))
        exact = -unit(surface.vertices)
        assert np.linalg.norm(vertex_normals(surface) - exact, axis=1).max() < 5e-6
        adjacency = rows_of(surface.faces, len(exact))[:2]
        jets = fit_alone(np.array(surface.vertices), surface.faces, *adjacency)[0]
        alone.append(np.linalg.norm(jets - exact, axis=1).max())
    rate = -convergence_order([10, 20, 40], alone)
    assert rate > 1.7


def vertex_normals(surface):
    out = np.zeros_like(surface.vertices)
    out[surface.faces] = surface.corner_normals
    return out


def test_curvature_is_negative_seen_from_outside():
    vertices, faces = shapes.hemisphere(60.0, 20)
    bowl, ball = build(vertices, faces), build(vertices, faces[:, ::-1])
    assert bowl.sector_curvatures.min() > 0.0
    assert ball.sector_curvatures.max() < 0.0


def test_the_parallel_surface_of_a_trough_is_a_narrower_trough():
    surface = build(*shapes.trough(25.0, 60.0, 64, 40)).offset(3.0)
    radius = np.linalg.norm(surface.vertices[:, 1:], axis=1)
    assert radius == pytest.approx(22.0, abs=0.005)


def test_offset_at_a_crease_is_a_mitre():
    surface = build(*box_corner()).offset(2.0)
    inward = np.sign(build(*box_corner()).face_normals.sum(axis=0))
    assert np.allclose(surface.vertices[0], 2.0 * inward, atol=1e-9)


def test_a_rigid_motion_keeps_all_but_the_place():
    surface = build(*shapes.elbow(80.0, 25.0, 1.5, 12, 20))
    m = np.eye(4)
    m[:3, :3] = Rotation.from_rotvec([0.3, 1.0, -0.5]).as_matrix()
    m[:3, 3] = [10.0, 20.0, 30.0]
    moved = surface.moved(m)
    assert np.allclose(moved.face_areas, surface.face_areas)
    assert np.allclose(moved.face_normals, surface.face_normals @ m[:3, :3].T)
    assert np.allclose(moved.vertices, surface.vertices @ m[:3, :3].T + m[:3, 3])


def test_a_mirror_turns_faces_over_and_keeps_the_hollow():
    surface = build(*shapes.trough(25.0, 60.0, 8, 6))
    mirrored = surface.moved(np.diag([1.0, -1.0, 1.0]))
    middle = mirrored.vertices[mirrored.faces].mean(axis=1)
    assert (np.einsum("ij,ij->i", mirrored.face_normals, -middle * [0, 1, 1]) > 0.0).all()
    assert (mirrored.neighbours == face_neighbours(mirrored.faces)).all()


def test_scaling_is_not_a_motion():
    with pytest.raises(InputError, match="rigidly"):
        build(SQUARE, TWO).moved(2.0 * np.eye(3))


@pytest.mark.parametrize(
    ("vertices", "faces", "said"),
    [
        (SQUARE, np.empty((0, 3), int), "empty"),
        (SQUARE * np.nan, TWO, "aren't numbers"),
        (SQUARE, TWO + 1, "don't exist"),
        (SQUARE, TWO - 1, "don't exist"),
    ],
)
def test_bad_meshes_are_refused(vertices, faces, said):
    with pytest.raises(InputError, match=said):
        build(vertices, faces)


def test_arrays_are_read_only():
    surface = build(SQUARE, TWO)
    for array in (surface.vertices, surface.faces, surface.sector_normals, surface.face_areas):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0


def test_without_a_fit_there_are_given_normals_and_no_curvatures():
    vertices, faces = shapes.trough(25.0, 80.0, 16, 10)
    whole = build(vertices, faces)
    given = whole.corner_normals + np.array([0.1, 0.0, 0.0])
    fitted, plain = (build(vertices, faces, corner_normals=given, fitted=f) for f in (True, False))
    for name in ("vertices", "faces", "neighbours", "crease", "sectors", "sector_normals"):
        assert np.array_equal(getattr(fitted, name), getattr(plain, name)), name
    assert np.isfinite(fitted.sector_curvatures).all()
    assert np.isnan(plain.sector_curvatures).all()
    assert np.isnan(plain.sector_residual).all()
