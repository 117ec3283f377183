"""Straightest walks and distances along the surface against two independent libraries.

Straightest walks: potpourri3d's tracer (key ``sharp2019``; the rule is that of key
``polthier1998``). Shortest distances over the facets: pygeodesic (key ``kirsanov2008``), exact
after Mitchell, Mount and Papadimitriou (key ``mitchell1987``). Three meshes: half a torus, an
irregular heightfield, and an open body that somebody else made: the largest part of
``airplane.ply``, which pyvista carries in its wheel (1024 triangles, one rim of 20 edges,
sharp edges; read from the installed package).

Both libraries see facets. So do walks; distances over facets are asked of a surface whose
every edge is a crease, whose patches are the facets themselves.
"""

from pathlib import Path

import numpy as np
import potpourri3d
import pytest
import trimesh
from exact import shapes
from helpers import convergence_order
from pygeodesic import geodesic
from pyvista import examples

from drape.geometry.patches import make_patches, rows_at, shoot
from drape.geometry.surface import build, unit
from drape.geometry.walk import walk, walk_on
from drape.net.facets import facet_distance

MIDDLE = [80.0 * np.sqrt(0.5), 80.0 - 80.0 * np.sqrt(0.5), -25.0]


def hills(x, y):
    return 5.0 * np.sin(0.1 * x) + 4.0 * np.cos(0.12 * y + 0.05 * x)


def elbow(fine=1):
    return shapes.elbow(80.0, 25.0, np.pi / 2, 24 * fine, 48 * fine)


def heightfield(fine=1):
    return shapes.heightfield(hills, 60.0, 50.0, 36 * fine, 30 * fine, jitter=0.3)


def fuselage():
    ship = trimesh.load(Path(examples.__file__).parent / "airplane.ply")
    part = max(ship.split(only_watertight=False), key=lambda p: len(p.faces))
    return np.array(part.vertices), np.array(part.faces)


MESHES = {"elbow": elbow, "heightfield": heightfield, "fuselage": fuselage}


@pytest.fixture(scope="module", params=MESHES)
def mesh(request):
    return MESHES[request.param]()


def test_the_borrowed_mesh_is_open():
    _, faces = fuselage()
    surface = build(*fuselage())
    assert len(faces) == 1024
    assert (surface.neighbours < 0).sum() == 20
    assert surface.crease.any()


def random_walks(mesh, count, longest):
    """Faces (k,), weights (k, 3) and vectors (k, 3) in the facets' planes."""
    surface, random = build(*mesh), np.random.default_rng(1)
    face = random.integers(0, len(surface.faces), count)
    corner = surface.vertices[surface.faces[face]]
    along = unit(corner[:, 1] - corner[:, 0])
    across = np.cross(surface.face_normals[face], along)
    turn, length = random.uniform(0.0, 2.0 * np.pi, count), random.uniform(0.05, longest, count)
    way = np.cos(turn)[:, None] * along + np.sin(turn)[:, None] * across
    return face, random.dirichlet([1.0, 1.0, 1.0], count), length[:, None] * surface.size * way


def own_end(patches, mesh, face, weights, vector, creased):
    """End (3,) of drape's walk over flat facets, and whether it went all the way."""
    vertices, faces = mesh
    a, b, c = vertices[faces[face]]
    d = np.linalg.lstsq(np.stack([b - a, c - a], 1), vector, rcond=None)[0]
    if creased:
        face, b1, b2, _, _, arrived, _ = walk_on(patches, face, *weights[1:], *d)
    else:
        face, b1, b2, arrived = walk(patches, face, *weights[1:], *d)
    return np.array([1.0 - b1 - b2, b1, b2]) @ vertices[faces[face]], arrived


@pytest.mark.parametrize("creased", [False, True], ids=["smooth", "creased"])
def test_straightest_walks_end_where_potpourri3d_ends(mesh, creased):
    """Up to half the mesh's size, at the rim both stop: within 1e-8 mm for each mm of size.

    Measured: 6e-9 mm at worst, on the fuselage of 1.2 m.
    """
    surface = build(*mesh, crease_angle=0.0 if creased else np.pi)
    patches, tracer = make_patches(surface), potpourri3d.GeodesicTracer(*mesh)
    stopped, worst = 0, 0.0
    for face, weights, vector in zip(*random_walks(mesh, 300, 0.5), strict=True):
        end, arrived = own_end(patches, mesh, face, weights, vector, creased)
        line = tracer.trace_geodesic_from_face(int(face), weights, vector)
        worst = max(worst, np.linalg.norm(line[-1] - end))
        stopped += not arrived
    assert worst < 1e-8 * min(surface.size, 100.0)
    assert 0 < stopped < 200  # some reach the rim, many don't


def with_points(mesh, faces, weights):
    """The mesh with points (k, 3 weights) of different faces as vertices; and their numbers."""
    vertices, triangles = mesh
    assert len(set(faces)) == len(faces)
    points = np.einsum("kc,kcd->kd", weights, vertices[triangles[faces]])
    new = len(vertices) + np.arange(len(faces))
    a, b, c = triangles[faces].T
    parts = [np.stack(p, 1) for p in ((a, b, new), (b, c, new), (c, a, new))]
    kept = np.delete(triangles, faces, axis=0)
    return (np.vstack([vertices, points]), np.concatenate([kept, *parts])), new


def distances(mesh, source):
    """(n,) exact distances over the facets from a vertex."""
    return geodesic.PyGeodesicAlgorithmExact(*mesh).geodesicDistances(np.array([source]), None)[0]


def test_distances_over_facets_are_pygeodesics(mesh):
    """A straight walk between two points is never shorter than the shortest way.

    It is that way where no other way round or through a vertex is shorter: of pairs nearer
    than a fifth of the mesh's size, at least nine tenths. Where equal, then within the share
    that ``facets.NEAR_ENOUGH`` squared leaves (5e-6 of the length).
    """
    surface = build(*mesh, crease_angle=0.0)
    random = np.random.default_rng(4)
    faces = random.choice(len(surface.faces), 80, replace=False)
    weights = random.dirichlet([2.0, 2.0, 2.0], 80)
    split, new = with_points(mesh, faces, weights)
    patches = make_patches(surface)
    rows = rows_at(patches, faces, weights[:, 1:])
    assert np.allclose(rows[:, :3], split[0][new], atol=1e-9)
    ratios, near = [], []
    for i in range(12):
        exact = distances(split, new[i])[new]
        for j in range(80):
            if i != j:
                own = facet_distance(patches, faces[i], rows[i], rows[j])
                ratios.append(own / exact[j])
                near.append(exact[j] < 0.2 * surface.size)
    ratios, near = np.array(ratios), np.array(near)
    assert near.sum() > 120
    assert np.nanmin(ratios) > 1.0 - 1e-8
    assert np.mean(np.abs(ratios[near] - 1.0) < 5e-6) > 0.9
    assert np.mean(np.abs(ratios - 1.0) < 5e-6) > 0.6


@pytest.mark.parametrize(
    ("make", "start"),
    [(elbow, MIDDLE), (heightfield, [2.0, 1.0, hills(2.0, 1.0)])],
    ids=["elbow", "heightfield"],
)
def test_geodesics_on_smooth_patches_are_as_long_as_the_facets_say(make, start):
    """The facets' exact distance tends to the smooth surface's with the square of their size
    (chords of arcs; key ``richardson1911``). Measured on the finest mesh, lengths of 20 mm:
    9e-5 (elbow), 8e-5 (heightfield) of the length.
    """
    sizes, error = [1, 2, 3], []
    for fine in sizes:
        vertices, faces = make(fine)
        surface = build(vertices, faces)
        face = int(np.argmin(np.linalg.norm(vertices[faces].mean(axis=1) - start, axis=1)))
        turn = 2.0 * np.pi * np.arange(16) / 16 + 0.1
        along = unit(vertices[faces[face, 1]] - vertices[faces[face, 0]])
        across = np.cross(surface.face_normals[face], along)
        ways = np.cos(turn)[:, None] * along + np.sin(turn)[:, None] * across
        third, lengths = np.full((16, 2), 1.0 / 3.0), np.full(16, 20.0)
        ends, rows, reached = shoot(
            make_patches(surface), np.full(16, face), third, ways, lengths, 0.25
        )
        assert np.allclose(reached, lengths)
        weights = np.vstack([third[:1], rows[:, 12:14]])
        split, new = with_points(
            (vertices, faces),
            np.append(face, ends),
            np.column_stack([1.0 - weights.sum(axis=1), weights]),
        )
        error.append(np.abs(distances(split, new[0])[new[1:]] / lengths - 1.0).max())
    assert error[-1] < 1.2e-4
    assert -convergence_order(sizes, error) == pytest.approx(2.0, abs=0.5)
