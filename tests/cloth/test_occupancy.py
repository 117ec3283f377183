"""Places that cloth has taken, against looking at every node; creases on smooth surfaces."""

import numpy as np
import pytest

from drape.cloth.cells import KNOWN, Grid
from drape.cloth.occupancy import NEIGHBOURS, SAME_SHEET, add_node, is_taken, make_occupancy
from drape.geometry import shapes
from drape.geometry.kernels import ROW, is_crease
from drape.geometry.patches import make_patches
from drape.geometry.surface import build

SIDE, NEAR = 24, 0.75


def crumpled(seed):
    """A grid whose nodes lie anywhere: near each other, far, on both sides of sheets."""
    rng = np.random.default_rng(seed)
    u = np.arange(float(SIDE))
    rows = np.zeros((SIDE, SIDE, ROW))
    rows[..., :3] = rng.uniform(-4.0, 4.0, (SIDE, SIDE, 3))
    normals = rng.normal(size=(SIDE, SIDE, 3))
    rows[..., 3:6] = normals / np.linalg.norm(normals, axis=2, keepdims=True)
    state = np.full((SIDE, SIDE), KNOWN, np.int8)
    return Grid(u, u, rows, np.zeros((SIDE, SIDE), np.int64), state, state == 0)


@pytest.mark.parametrize("seed", range(3))
def test_taken_is_what_a_look_at_every_node_says(seed):
    grid = crumpled(seed)
    known = np.argwhere(np.random.default_rng(seed + 9).random((SIDE, SIDE)) < 0.6)
    occupancy = make_occupancy(SIDE * SIDE, NEAR)
    for i, j in known:
        add_node(occupancy, grid, i, j)
    points, normals = grid.rows[known[:, 0], known[:, 1], :3], grid.rows[*known.T, 3:6]
    answers = []
    for i, j in np.ndindex(SIDE, SIDE):
        row = grid.rows[i, j]
        other = np.abs(known - (i, j)).max(axis=1) > NEIGHBOURS
        near = np.linalg.norm(points - row[:3], axis=1) < NEAR
        wanted = bool((other & near & (normals @ row[3:6] > SAME_SHEET)).any())
        assert is_taken(occupancy, grid, i, j, row) == wanted
        answers.append(wanted)
    assert 0.1 < np.mean(answers) < 0.9


def test_smooth_surfaces_have_no_creases():
    """Their links have no column for creases: nothing beside it may be read."""
    patches = make_patches(build(*shapes.hemisphere(60.0, 8)))
    assert patches.links.shape[2] == 4
    faces = len(patches.links)
    assert not any(is_crease(patches, face, k) for face in range(faces) for k in range(3))
