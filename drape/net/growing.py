"""Where a net has to grow: the seeds, the memory, and the kernels of ``net.growth`` on them."""

from __future__ import annotations

import numpy as np

from drape.geometry.heap import check_room, make_heap
from drape.geometry.surface import Floats, Ints
from drape.geometry.walk import Patches
from drape.net.filling import fill_from
from drape.net.frontier import SEED, STOP, again, frontiers
from drape.net.grid import Grid
from drape.net.growth import grow_columns
from drape.net.occupancy import NEAR, Occupancy, add_nodes, make_occupancy


def occupied(grid: Grid, sheets: np.ndarray, queue: Ints, last: int) -> Occupancy:
    """Where the queued nodes lie, for ``cloth.occupancy``."""
    near = NEAR * min(float(np.diff(grid.u).max()), float(np.diff(grid.v).max()))
    occupancy = make_occupancy(len(grid.state), near, sheets)
    add_nodes(occupancy, grid, queue, last)
    return occupancy


def fill_the_rest(patches: Patches, grid: Grid, sheets: np.ndarray, queue: Ints, last: int) -> int:
    """Close the cells that ``walls`` kept open, notches last of all.

    A corner of the region whose cells all reach into a notch is decided here.
    Returns the new ``last``.
    """
    again(grid.state)
    nowhere = np.empty(0, np.int64)
    occupancy = occupied(grid, sheets, queue, last)
    return fill_from(patches, grid, nowhere, occupancy, True, queue, 0, last)


def grow(
    patches: Patches,
    grid: Grid,
    level: Ints,
    walls: Ints,
    sheets: np.ndarray,
    i0: int,
    j0: int,
    substeps: int,
    ends: Floats,
    queue: Ints,
    last: int,
) -> tuple[int, int]:
    """Grow until no known needed node has an unknown neighbour that can be made.

    ``ends`` (4, 2): grid index of the last node of each half of the first yarns (+u, −u,
    +v, −v) and the share of the next step that still was on the surface.
    ``level`` (m,) is 0 on faces of the region, 1 where the net is needed too; ``walls`` is
    ``level`` of ``filling.close_cell``: the same, or empty where margins may decide.
    ``sheets`` are those of ``cloth.occupancy``.
    Returns (new ``last``, columns grown).
    """
    p, q = len(grid.u), len(grid.v)
    every = len(walls) > 0  # where columns have to wait, a seed can't speak for its neighbours
    # each seed is entered once, and where columns have to wait once more
    heap = make_heap((8 if every else 4) * p * q + 1, SEED)
    heap.rows[0] = np.inf, STOP
    heap.used[0] = 1
    entered = np.zeros((p, q, 4), np.bool_)
    frontiers(grid, level, every, i0, j0, heap, entered, queue, last)
    if heap.used[0] == 1:
        return last, 0
    made, turns = np.empty(max(p, q), np.int64), np.full((4, 5), -1.0)
    occupancy = occupied(grid, sheets, queue, last)
    last, columns = grow_columns(
        patches,
        grid,
        level,
        walls,
        occupancy,
        i0,
        j0,
        substeps,
        ends,
        queue,
        last,
        heap,
        entered,
        made,
        turns,
    )
    check_room(heap)
    return last, columns
