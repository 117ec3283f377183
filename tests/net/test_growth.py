"""A bias net on a 90° elbow: parts behind the bend have no two known neighbours.

They are grown by least shear, a rule of the project's own; so what is proved here is what
must hold whatever the rule: all is covered, the spacing doesn't matter, and a mould that is
symmetric about the bisector plane gets a symmetric net.

Tries out ``geometry/heap``, ``net/columns``, ``net/filling``, ``net/frontier``, ``net/grid``,
``net/growing`` as well.
"""

import numpy as np
import pytest
from draped import drape_piece
from exact import shapes
from helpers import gap

from drape.geometry.heap import check_room, heap_pop, make_heap
from drape.geometry.walk import ROW
from drape.net.frontier import SEED, push, push_rest
from drape.net.grid import KNOWN, OUTSIDE, UNKNOWN, make_grid

BEND, SECTION = 80.0, 25.0
MIDDLE = [BEND * np.sqrt(0.5), BEND - BEND * np.sqrt(0.5), -SECTION]
WARPS = {"bias": [1.0, 0.0, 0.0], "along": [1.0, 1.0, 0.0]}


def elbow_piece(spacing, name, allowance=0.0):
    mesh = shapes.elbow(BEND, SECTION, np.pi / 2, 48, 96)
    return drape_piece(mesh, MIDDLE, WARPS[name], allowances=allowance, spacing=spacing)


@pytest.fixture(scope="module")
def pieces():
    return {(n, d): elbow_piece(d, n) for n in WARPS for d in (1.0, 0.5)}


def test_the_bias_net_has_to_grow(pieces):
    assert pieces["bias", 1.0].net.columns_grown > 0


@pytest.mark.parametrize("name", WARPS)
@pytest.mark.parametrize("spacing", [1.0, 0.5])
def test_everything_is_covered(pieces, name, spacing):
    piece = pieces[name, spacing]
    assert piece.unreached_area == 0.0
    area = piece.region.surface.face_areas.sum()
    assert piece.covered_cavity_area == pytest.approx(area, rel=1e-3)
    assert piece.valid


@pytest.mark.parametrize("name", WARPS)
def test_the_outline_is_independent_of_the_spacing(pieces, name):
    """Both lie on the same extension: the margin is 10 mm for either spacing."""
    coarse, fine = pieces[name, 1.0], pieces[name, 0.5]
    assert np.array_equal(coarse.extended.surface.vertices, fine.extended.surface.vertices)
    assert gap(coarse.outlines[0].points, fine.outlines[0].points) <= 0.03


def test_results_are_symmetric_about_the_bisector_plane(pieces):
    """The mirror takes the tangent to minus the tangent: along the hollow the warp turns
    round, on the bias warp and weft change places. The mesh isn't symmetric: its diagonals.
    """
    along = pieces["along", 1.0].outlines[0].points
    assert gap(along, along * [-1.0, 1.0]) <= 0.03
    bias = pieces["bias", 1.0].outlines[0].points
    swapped = bias[:, ::-1]
    assert min(gap(bias, swapped), gap(bias, -swapped)) <= 0.03
    for name in WARPS:
        shear = np.abs(pieces[name, 1.0].net.shear)
        assert np.nanmax(shear) < np.radians(60.0)


@pytest.mark.parametrize("allowance", [10.0, -5.0])
def test_grown_parts_are_symmetric_with_laps_and_set_backs(allowance):
    bias = elbow_piece(1.0, "bias", allowance).outlines[0].points
    swapped = bias[:, ::-1]
    assert min(gap(bias, swapped), gap(bias, -swapped)) <= 0.03


def pops(grid, level, i):
    """How many seeds are taken out until none is left, where no column can be grown."""
    p, q = len(grid.u), len(grid.v)
    heap, entered, seed = make_heap(10**5, SEED), np.zeros((p, q, 4), np.bool_), np.empty(SEED)
    push(grid, i, q // 2, heap, entered, i, q // 2, 0)
    count = 0
    while heap.used[0]:
        heap_pop(heap, seed)
        node, way = divmod(int(seed[1]), 4)
        entered[node // q, node % q, way] = False
        count += 1
        grid.state[node + q] = OUTSIDE
        push_rest(grid, level, i, q // 2, heap, entered, node // q, node % q, way)
    check_room(heap)
    return count


def test_seeds_that_fail_one_by_one_dont_fill_the_memory():
    """Each enters those beside it: twice as many from one to the next, unless it is asked
    whether they are there. A dozen facets round a tube once took 24 GB so."""
    along, across = 3, 41
    state = np.full((along, across), UNKNOWN, np.int8)
    state[1] = KNOWN
    grid = make_grid(
        np.arange(along, dtype=float), np.arange(across, dtype=float),
        np.zeros((along, across, ROW)), np.zeros((along, across), np.int64), state,
        np.zeros((along, across), np.bool_),
    )  # fmt: skip
    assert pops(grid, np.zeros(1, np.int64), 1) == across
    assert (state[2] == OUTSIDE).all()
