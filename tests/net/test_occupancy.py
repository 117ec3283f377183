"""Places that cloth has taken, against looking at every node; creases on smooth surfaces."""

import numpy as np
import pytest
from exact import shapes

from drape.geometry.patches import make_patches
from drape.geometry.surface import build
from drape.geometry.walk import ROW, is_crease
from drape.net.grid import KNOWN, make_grid
from drape.net.occupancy import NEIGHBOURS, SAME_SHEET, add_node, is_taken, make_occupancy

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
    return make_grid(u, u, rows, np.zeros((SIDE, SIDE), np.int64), state, state == 0)


@pytest.mark.parametrize("sheets", [0, 4])
@pytest.mark.parametrize("seed", range(3))
def test_taken_is_what_a_look_at_every_node_says(seed, sheets):
    """With sheets: nodes on faces whose numbers differ by two or more aren't in the way."""
    rng = np.random.default_rng(seed + 20)
    faces = rng.integers(0, max(sheets, 1), SIDE * SIDE)
    grid = crumpled(seed)._replace(faces=faces)
    numbers = np.arange(sheets, dtype=np.int8)
    known = np.argwhere(np.random.default_rng(seed + 9).random((SIDE, SIDE)) < 0.6)
    occupancy = make_occupancy(SIDE * SIDE, NEAR, numbers)
    places = known[:, 0] * SIDE + known[:, 1]
    for n in places:
        add_node(occupancy, grid, n)
    points, normals = grid.rows[places, :3], grid.rows[places, 3:6]
    answers = []
    for i, j in np.ndindex(SIDE, SIDE):
        n = i * SIDE + j
        row = grid.rows[n]
        other = np.abs(known - (i, j)).max(axis=1) > NEIGHBOURS
        near = np.linalg.norm(points - row[:3], axis=1) < NEAR
        near &= np.abs(faces[places] - faces[n]) <= 1
        wanted = bool((other & near & (normals @ row[3:6] > SAME_SHEET)).any())
        assert is_taken(occupancy, grid, n, row, faces[n]) == wanted
        answers.append(wanted)
    assert 0.1 < np.mean(answers) < 0.9


def test_smooth_surfaces_have_no_creases():
    """Their links have no column for creases: nothing beside it may be read."""
    patches = make_patches(build(*shapes.hemisphere(60.0, 8)))
    assert patches.links.shape[2] == 4
    faces = len(patches.links)
    assert not any(is_crease(patches, face, k) for face in range(faces) for k in range(3))


@pytest.mark.parametrize(("count", "box"), [(30, 30.0), (100, 60.0)])
def test_buckets_that_are_shared_lose_nothing(count, box):
    """Hardly two nodes share a cube: the larger grid has more cubes than buckets."""
    rng = np.random.default_rng(5)
    rows = rng.normal(size=(count, count, ROW))
    rows[..., :3] = rng.uniform(-0.5 * box, 0.5 * box, size=(count, count, 3))
    rows[..., 3:6] /= np.linalg.norm(rows[..., 3:6], axis=-1, keepdims=True)
    u, state = np.arange(float(count)), np.full((count, count), KNOWN, np.int8)
    grid = make_grid(u, u, rows, np.zeros((count, count), np.int64), state, state == 0)
    occupancy = make_occupancy(count * count, 0.9, np.empty(0, np.int8))
    for n in range(count * count):
        add_node(occupancy, grid, n)
    if count == 100:
        assert (occupancy.keys >= 0).mean() > 0.8
    answers = []
    for k in range(0, count * count, 7):
        i, j = (k * 31 % (count * count)) // count, k % count
        row = rows[k // count, k % count].copy()
        row[:3] += 0.3
        a, b = np.indices(state.shape)
        far = np.maximum(abs(a - i), abs(b - j)) > NEIGHBOURS
        near = np.linalg.norm(rows[..., :3] - row[:3], axis=-1) < 0.9
        wanted = bool((far & near & (rows[..., 3:6] @ row[3:6] > SAME_SHEET)).any())
        assert is_taken(occupancy, grid, i * count + j, row, 0) == wanted
        answers.append(wanted)
    assert 0.02 < np.mean(answers) < 0.98
