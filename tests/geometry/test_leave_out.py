"""Which vertices a mesh does without: by hand, and what holds on any mesh."""

import numpy as np
import pytest
from exact import shapes
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay
from tessellated import named
from tessellations import FAMILIES

from drape.geometry.leave_out import leave_out
from drape.geometry.surface import Surface, build, face_vectors


def free(surface: Surface):
    return np.zeros(len(surface.vertices), bool)


def test_no_edge_is_made_twice():
    """A pyramid on a kite of two triangles: moving its tip into a would join a and c again."""
    vertices = [[0.0, 0, 2], [2, 0, 0], [0, 3, 0], [-2, 0, 0], [0, -3, 0]]
    faces = [[0, 1, 2], [0, 2, 3], [0, 3, 4], [0, 4, 1], [1, 3, 2], [1, 4, 3]]
    surface = build(vertices, faces, crease_angle=np.pi)
    found = leave_out(surface, np.arange(5) != 0)
    if found is not None:
        assert edges_of(found.surface.faces)[1].max() == 2


@pytest.mark.parametrize("last", [False, True])
def test_places_begin_beside_where_they_were(last):
    """Whichever vertex is left out, the mesh's last one too."""
    vertices, faces = shapes.heightfield(lambda x, y: 0.0 * x, 26.0, 26.0, 13, 13)
    middle = int(np.argmin(np.linalg.norm(vertices[:, :2], axis=1)))
    number = np.arange(len(vertices))
    if last:
        number[[middle, -1]] = number[[-1, middle]]
    surface = build(vertices[number], np.argsort(number)[faces])
    stay = np.ones(len(vertices), bool)
    stay[len(vertices) - 1 if last else middle] = False
    found = leave_out(surface, stay)
    assert found is not None
    before = surface.vertices[surface.faces].mean(axis=1)
    after = found.surface.vertices[found.surface.faces].mean(axis=1)
    assert np.linalg.norm(after[found.begin] - before, axis=1).max() < 3.0


def edges_of(faces):
    ends = np.sort(np.stack([faces, np.roll(faces, -1, axis=1)], 2).reshape(-1, 2), axis=1)
    return np.unique(ends, axis=0, return_counts=True)


def square():
    """Nine vertices, the middle one number 4, eight faces; the rim's are to stay."""
    x, y = np.meshgrid([0.0, 1, 2], [0.0, 1, 2])
    vertices = np.column_stack([x.ravel(), y.ravel(), np.zeros(9)])
    cells = [[i, i + 1, i + 4, i + 3] for i in (0, 1, 3, 4)]
    faces = [[a, b, c] for a, b, c, _ in cells] + [[a, c, d] for a, _, c, d in cells]
    return vertices, np.array(faces)


def test_the_middle_of_a_square_by_hand():
    vertices, faces = square()
    surface = build(vertices, faces)
    stay = np.arange(9) != 4
    found = leave_out(surface, stay)
    assert found is not None
    assert found.vertices.tolist() == [0, 1, 2, 3, 5, 6, 7, 8]
    assert len(found.surface.faces) == len(found.faces) == 6
    assert found.surface.face_areas.sum() == pytest.approx(4.0)
    assert (found.surface.face_normals @ [0.0, 0, 1] > 0.99).all()
    assert leave_out(surface, np.ones(9, bool)) is None


def test_a_vertex_on_the_rim_moves_along_it():
    """Half a hexagon: the rim's middle vertex goes, the rim's ends are joined."""
    angle = np.radians([0.0, 60, 120, 180])
    ring = np.column_stack([np.cos(angle), np.sin(angle), 0.0 * angle])
    vertices = np.concatenate([[[0.0, 0, 0]], ring])
    surface = build(vertices, [[0, 1, 2], [0, 2, 3], [0, 3, 4]])
    found = leave_out(surface, np.arange(5) != 0)
    assert found is not None
    assert found.vertices.tolist() == [1, 2, 3, 4]
    assert found.surface.face_areas.sum() == pytest.approx(3.0 * np.sqrt(3.0) / 4.0)


def test_a_join_of_a_long_flat_and_a_small_arc_stays():
    """Without it an edge 100 mm long would bend round the arc, as no CAD kernel's does."""
    angle = np.linspace(0.0, 1.2, 6)
    y = np.concatenate([[-100.0], 10.0 * np.sin(angle)])
    z = np.concatenate([[0.0], 10.0 - 10.0 * np.cos(angle)])
    mesh = shapes.grid(
        lambda a, b: np.stack([a, y[b.astype(int)], z[b.astype(int)]], -1),
        np.array([0.0, 80.0]),
        np.arange(7.0),
    )
    surface = build(*mesh)
    join = np.flatnonzero(surface.vertices[:, 1] == 0.0)
    for stay in (free(surface), ~np.isin(np.arange(len(surface.vertices)), join)):
        found = leave_out(surface, stay)
        assert found is None or np.isin(join, found.vertices).all()


def checked(surface: Surface, stay):
    """What holds for any mesh; returns what was left out and the coarser surface."""
    found = leave_out(surface, stay)
    if found is None:
        return np.empty(0, int), surface
    left_out = np.setdiff1d(np.unique(surface.faces), found.vertices)
    ends, _ = edges_of(surface.faces)
    assert not np.isin(ends, left_out).all(axis=1).any()
    assert not stay[left_out].any()
    coarse = found.surface
    assert np.array_equal(coarse.vertices, surface.vertices[found.vertices])
    ends, uses = edges_of(coarse.faces)
    assert uses.max() <= 2
    before, _ = edges_of(surface.faces)
    euler = len(np.unique(surface.faces)) - len(before) + len(surface.faces)
    assert len(coarse.vertices) - len(ends) + len(coarse.faces) == euler
    assert found.begin.shape == (len(surface.faces),)
    assert found.begin.min() >= 0
    assert found.begin.max() < len(coarse.faces)
    assert np.array_equal(found.begin[found.faces], np.arange(len(found.faces)))
    return left_out, coarse


@settings(max_examples=40, deadline=None)
@given(st.integers(6, 120), st.integers(0, 10**6))
def test_any_plane_mesh_stays_a_mesh_of_the_same_area(count, seed):
    flat = np.random.default_rng(seed).uniform(-50.0, 50.0, (count, 2))
    faces = Delaunay(flat).simplices
    vertices = np.column_stack([flat, np.zeros(count)])
    area = face_vectors(vertices, faces)[:, 2]
    faces = np.where((area > 0.0)[:, None], faces, faces[:, ::-1])
    surface = build(vertices, faces)
    hull = free(surface)
    face, k = np.nonzero(surface.neighbours < 0)
    hull[surface.faces[face, k]] = True
    left_out, coarse = checked(surface, hull)
    assert coarse.face_areas.sum() == pytest.approx(surface.face_areas.sum())
    assert (face_vectors(coarse.vertices, coarse.faces)[:, 2] > 0.0).all()
    assert not np.isin(left_out, np.flatnonzero(hull)).any()


@pytest.mark.parametrize("chord", [0.2, 0.02])
@pytest.mark.parametrize("name", sorted(named(0.2)))
def test_cad_meshes_lose_a_share_of_their_vertices(name, chord):
    surface = named(chord)[name].surface()
    left_out, _ = checked(surface, free(surface))
    assert 0.1 < len(left_out) / len(surface.vertices) < 0.34


def test_even_meshes_lose_a_quarter():
    for name, make in FAMILIES.items():
        surface = make(24).surface()
        left_out, _ = checked(surface, free(surface))
        assert 0.2 < len(left_out) / len(surface.vertices) < 0.34, name


def test_creases_are_kept():
    """A roof of two planes: no vertex of its ridge goes, the ridge stays a crease."""
    mesh = shapes.heightfield(lambda x, y: -abs(x), 20.0, 30.0, 10, 15)
    surface = build(*mesh)
    ridge = np.flatnonzero(np.abs(surface.vertices[:, 0]) < 1e-9)
    assert surface.crease.any()
    found = leave_out(surface, free(surface))
    assert found is not None
    assert np.isin(ridge, found.vertices).all()
    assert found.surface.crease.sum() == surface.crease.sum()
    normals = found.surface.corner_normals
    assert np.abs(normals[:, :, 2] - np.sqrt(0.5)).max() < 1e-6


@pytest.mark.parametrize("make", [lambda: FAMILIES["bump"](20).surface(), lambda: build(*square())])
def test_normals_may_stay_as_they_were(make):
    surface = make()
    found = leave_out(surface, free(surface), fitted=False)
    assert found is not None
    at = np.zeros_like(surface.vertices)
    at[surface.faces] = surface.corner_normals
    here, now = at[found.vertices[found.surface.faces]], found.surface.corner_normals
    assert np.linalg.norm(now - here, axis=2).max() < 1e-12
    assert now.shape == (*found.surface.faces.shape, 3)
