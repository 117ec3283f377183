"""Compiled kernels that grow the net where a cell has no two known neighbours.

Behind an inside bend or where a first yarn has left the region, the four-corner rule has
nothing to stand on: one direction is free per new yarn. It is chosen by least shear: the
mean shear γ of the columns decays as γ′ = −γ/RELAX from its value where the known net
ends, so that yarns don't kink there. A first yarn ends somewhere inside a step: up to that
place the mean shear goes on as over the last millimetres, so that the result depends
little on the spacing.

Kernels are written for growth along u; growth along v works on the swapped grid.
Lengths in mm, angles in radians.
"""

from __future__ import annotations

import heapq

import numpy as np

from drape.cloth.cells import (
    KNOWN,
    LATER,
    ON_FACETS,
    OUTSIDE,
    UNKNOWN,
    Grid,
    fill_from,
    may_decide,
    solve_cell,
)
from drape.cloth.columns import (
    column_shear,
    going_on,
    rotate,
    row_at,
    start_direction,
    wanted_shear,
)
from drape.cloth.occupancy import NEAR, add_node, is_taken, make_occupancy
from drape.compiled import kernel
from drape.geometry.geodesics import geodesic_step
from drape.geometry.kernels import ROW

LEAST = 8.0  # mm: shorter columns are steered badly; they wait for the others
STEADY = 1e-6  # rad: how close a column's mean shear comes to what it should be; the next one
# takes the rest over, so that it doesn't add up; 1e-6 of a metre is 1 µm
TURN, CHANGE, MISS, COLUMN, SEED = range(5)  # what a way remembers of its last column
WAIT = 1e6  # mm, further away than anything


@kernel
def swap(grid):
    """The same grid with u and v exchanged; shares all memory."""
    return Grid(
        grid.v,
        grid.u,
        grid.rows.transpose(1, 0, 2),
        grid.faces.transpose(1, 0),
        grid.state.transpose(1, 0),
        grid.on_facets.transpose(1, 0),
    )


@kernel
def run_of(grid, i, j, sign):
    """Longest run (j1, j2) round j of KNOWN nodes in column i whose next one is UNKNOWN."""
    j1 = j2 = j
    q = grid.state.shape[1]
    while j1 > 0 and grid.state[i, j1 - 1] == KNOWN and grid.state[i + sign, j1 - 1] == UNKNOWN:
        j1 -= 1
    while j2 < q - 1 and grid.state[i, j2 + 1] == KNOWN and grid.state[i + sign, j2 + 1] == UNKNOWN:
        j2 += 1
    return j1, j2


@kernel
def taken(base, occupancy, hand, i, j, row, face):
    """As ``is_taken``, for a place of ``base`` (``hand`` +1) or of it swapped (−1)."""
    if hand > 0.0:
        return is_taken(occupancy, base, i, j, row, face)
    return is_taken(occupancy, base, j, i, row, face)


@kernel
def try_column(
    patches, grid, base, occupancy, walls, hand, i, j, sign, j1, j2, direction, substeps, made
):
    """Lay column i + sign over the run: node j along ``direction``, others by the cell rule.

    ``walls`` is ``level`` of ``cells.close_cell``. Nodes that were made are KNOWN afterwards
    and listed in ``made``; returns their count.
    """
    i2 = i + sign
    du = abs(grid.u[i2] - grid.u[i])
    p, q, scratch, way = np.empty(ROW), np.empty(ROW), np.empty((4, ROW)), np.empty(3)
    before = np.empty(ROW)
    p[:] = grid.rows[i, j]
    way[:] = direction
    face = grid.faces[i, j]
    for _ in range(substeps):
        face, arrived = geodesic_step(patches, face, p, way, du / substeps, q)
        if not arrived:
            return 0
        p[:] = q
    if taken(base, occupancy, hand, i2, j, p, face):
        return 0
    grid.rows[i2, j] = p
    grid.faces[i2, j] = face
    grid.state[i2, j] = KNOWN
    made[0] = j
    count = 1
    for step in (-1, 1):
        last = j
        before[:] = grid.rows[i2, j]
        while j1 <= last + step <= j2:
            new = last + step
            face, state = solve_cell(
                patches,
                grid.faces[i, new],
                row_at(grid, i, new),
                grid.faces[i2, last],
                before,
                row_at(grid, i, last),
                du,
                abs(grid.v[new] - grid.v[last]),
                q,
                scratch,
            )
            on_facets = state == ON_FACETS
            if not (state == KNOWN or on_facets):
                break
            if taken(base, occupancy, hand, i2, new, q, face):
                break
            a, b, c = grid.faces[i, new], grid.faces[i2, last], grid.faces[i, last]
            if not may_decide(walls, a, b, c, face):
                break
            grid.on_facets[i2, new] = on_facets
            before[:] = q
            grid.rows[i2, new] = q
            grid.faces[i2, new] = face
            grid.state[i2, new] = KNOWN
            made[count] = new
            count += 1
            last = new
    return count


@kernel
def grow_column(
    patches,
    grid,
    base,
    occupancy,
    level,
    walls,
    i,
    j,
    sign,
    hand,
    substeps,
    end,
    turned,
    least,
    made,
):
    """Add column i + sign next to the known run through (i, j), by least shear.

    ``end`` of the first yarn on this side, see ``going_on``. ``turned`` (5,), of the column
    before, and of this one afterwards: by how much it had to turn, that turn's change (this
    one starts to look where they lead to), what it still missed, its number and seed.
    ``hand`` is +1 where (u, v) is right-handed against the normal, −1 on a swapped grid.
    Returns the count of nodes made; none where the column would be needed over less than
    ``least`` mm.
    """
    i2 = i + sign
    j1, j2 = run_of(grid, i, j, sign)
    if j2 == j1:
        return 0
    du = abs(grid.u[i2] - grid.u[i])
    direction, trial, here = np.empty(3), np.empty(3), row_at(grid, i, j)
    start_direction(patches, grid, i, j, sign, j1, j2, direction)
    on = going_on(patches, grid, walls, end, i, sign, j1, j2)
    count, low, high, target = 0, -1, -1, 0.0
    if turned[COLUMN] != i or not j1 <= turned[SEED] <= j2:
        turned[:3] = 0.0
    angle, before, missed = turned[TURN] + turned[CHANGE], 0.0, 0.0
    tolerance = STEADY if patches.fine else 1e-4
    for attempt in range(6):
        for k in range(count):
            grid.state[i2, made[k]] = UNKNOWN
        trial[:] = direction
        rotate(trial, here, angle)
        count = try_column(
            patches,
            grid,
            base,
            occupancy,
            walls,
            hand,
            i,
            j,
            sign,
            j1,
            j2,
            trial,
            substeps,
            made,
        )
        shear = weight = 0.0
        if count >= 2:
            ends = made[:count].min(), made[:count].max()
            shear, weight = column_shear(patches, grid, level, i, i, i2, ends[0], ends[1])
        if count < 2 or weight < least:
            for k in range(count):
                grid.state[i2, made[k]] = UNKNOWN
            return 0
        if ends != (low, high):
            low, high = ends
            target = wanted_shear(patches, grid, level, i, sign, low, high, du, on, turned[MISS])
        miss = target - shear
        if weight == 0.0 or abs(miss) < tolerance or attempt == 5:
            break
        # turning +u counter-clockwise closes the angle to +v: shear grows by about the turn
        slope = hand
        if attempt > 0 and abs(miss) < abs(missed):
            slope = (angle - before) / (missed - miss)
        before, missed = angle, miss
        angle += slope * miss
    turned[CHANGE] = angle - turned[TURN] if turned[COLUMN] == i else 0.0
    turned[TURN], turned[MISS], turned[COLUMN], turned[SEED] = angle, miss, i2, j
    return count


@kernel
def has_unknown(state, i, j):
    """Whether one of the four neighbours of a node is UNKNOWN."""
    p, q = state.shape
    return (
        (i > 0 and state[i - 1, j] == UNKNOWN)
        or (i < p - 1 and state[i + 1, j] == UNKNOWN)
        or (j > 0 and state[i, j - 1] == UNKNOWN)
        or (j < q - 1 and state[i, j + 1] == UNKNOWN)
    )


@kernel
def is_seed(grid, level, i, j, way):
    """Whether a column may be grown from node (i, j): known, needed, the next one UNKNOWN."""
    p, q = grid.state.shape
    if i < 0 or j < 0 or i >= p or j >= q or grid.state[i, j] != KNOWN:
        return False
    i2 = i + (1 if way == 0 else (-1 if way == 1 else 0))
    j2 = j + (1 if way == 2 else (-1 if way == 3 else 0))
    if i2 < 0 or j2 < 0 or i2 >= p or j2 >= q or grid.state[i2, j2] != UNKNOWN:
        return False
    return level[grid.faces[i, j]] <= 1


@kernel
def push(grid, i0, j0, heap, entered, i, j, way):
    """Enter a seed, nearest to the start first; one that is ``entered`` (p, q, 4) is there
    already. (Two that enter each other's neighbours again and again would fill the heap.)"""
    if entered[i, j, way]:
        return
    entered[i, j, way] = True
    distance = abs(grid.u[i] - grid.u[i0]) + abs(grid.v[j] - grid.v[j0])
    heapq.heappush(heap, (distance, i, j, way))


@kernel
def frontier(grid, level, every, i0, j0, heap, entered, i, j):
    """Push node (i, j) wherever a column may be grown from it.

    Unless ``every`` one is wanted, not where its neighbour in the column, nearer to the start,
    is such a seed too: a column is grown over all of a run.
    """
    for way in range(4):
        if not is_seed(grid, level, i, j, way):
            continue
        if way < 2:
            nearer = is_seed(grid, level, i, j - np.sign(j - j0), way) and j != j0
        else:
            nearer = is_seed(grid, level, i - np.sign(i - i0), j, way) and i != i0
        if every or not nearer:
            push(grid, i0, j0, heap, entered, i, j, way)


@kernel
def push_rest(grid, level, i0, j0, heap, entered, i, j, way):
    """Push the next seeds along the column of (i, j), to both sides: ``frontier`` left them."""
    p, q = grid.state.shape
    di, dj = (0, 1) if way < 2 else (1, 0)
    for side in (-1, 1):
        a, b = i + side * di, j + side * dj
        while 0 <= a < p and 0 <= b < q and grid.state[a, b] == KNOWN:
            if is_seed(grid, level, a, b, way):
                push(grid, i0, j0, heap, entered, a, b, way)
                break
            a, b = a + side * di, b + side * dj


@kernel
def occupied(grid, sheets, queue, last):
    """Where the queued nodes lie, for ``cloth.occupancy``."""
    near = NEAR * min(np.diff(grid.u).max(), np.diff(grid.v).max())
    occupancy = make_occupancy(grid.state.size, near, sheets)
    for k in range(last):
        add_node(occupancy, grid, queue[k, 0], queue[k, 1])
    return occupancy


@kernel
def again(state):
    """Make LATER nodes UNKNOWN again; returns how many there were."""
    count = 0
    for i in range(state.shape[0]):
        for j in range(state.shape[1]):
            if state[i, j] == LATER:
                state[i, j] = UNKNOWN
                count += 1
    return count


@kernel
def fill_the_rest(patches, grid, sheets, queue, last):
    """Close the cells that ``walls`` kept open, notches last of all.

    A corner of the region whose cells all reach into a notch is decided here.
    Returns the new ``last``.
    """
    again(grid.state)
    nowhere = np.empty(0, np.int64)
    return fill_from(
        patches, grid, nowhere, occupied(grid, sheets, queue, last), True, queue, 0, last
    )


@kernel
def lay_next(patches, grid, occupancy, level, walls, i, j, way, substeps, ends, turns, least, made):
    """Grow the column beyond node (i, j): ``way`` 0 and 1 along +u and −u, 2 and 3 along ±v.

    ``ends`` as in ``grow``; ``turns`` (4, 5), ``least`` and ``made`` as in ``grow_column``.
    Returns the count of nodes made.
    """
    sign, end, turned = 1 if way % 2 == 0 else -1, ends[way], turns[way]
    if way < 2:
        return grow_column(
            patches,
            grid,
            grid,
            occupancy,
            level,
            walls,
            i,
            j,
            sign,
            1.0,
            substeps,
            end,
            turned,
            least,
            made,
        )
    return grow_column(
        patches,
        swap(grid),
        grid,
        occupancy,
        level,
        walls,
        j,
        i,
        sign,
        -1.0,
        substeps,
        end,
        turned,
        least,
        made,
    )


@kernel
def frontiers(grid, level, every, i0, j0, heap, entered, queue, last):
    """Push what ``frontier`` finds at all known nodes."""
    for k in range(last):
        if has_unknown(grid.state, queue[k, 0], queue[k, 1]):
            frontier(grid, level, every, i0, j0, heap, entered, queue[k, 0], queue[k, 1])


@kernel
def grow(patches, grid, level, walls, sheets, i0, j0, substeps, ends, queue, last):
    """Grow until no known needed node has an unknown neighbour that can be made.

    ``ends`` (4, 2): grid index of the last node of each half of the first yarns (+u, −u,
    +v, −v) and the share of the next step that still was on the surface.
    ``level`` (m,) is 0 on faces of the region, 1 where the net is needed too; ``walls`` is
    ``level`` of ``cells.close_cell``: the same, or empty where margins may decide.
    ``sheets`` are those of ``cloth.occupancy``.
    Returns (new ``last``, columns grown).
    """
    p, q = grid.state.shape
    every = walls.size > 0  # where columns have to wait, a seed can't speak for its neighbours
    made, turns = np.empty(max(p, q), np.int64), np.full((4, 5), -1.0)
    heap, entered = [(np.inf, 0, 0, -1)], np.zeros((p, q, 4), np.bool_)
    frontiers(grid, level, every, i0, j0, heap, entered, queue, last)
    if len(heap) == 1:
        return last, 0
    columns = fruitless = 0
    occupancy = occupied(grid, sheets, queue, last)
    while True:
        distance, i, j, way = heapq.heappop(heap)
        if way < 0:  # the last one: what had to wait is tried again if anything was made since
            if fruitless == columns or again(grid.state) == 0:
                break
            fruitless = columns
            heapq.heappush(heap, (distance, i, j, way))
            frontiers(grid, level, every, i0, j0, heap, entered, queue, last)
            continue
        entered[i, j, way] = False
        sign = 1 if way % 2 == 0 else -1
        i2, j2 = (i + sign, j) if way < 2 else (i, j + sign)
        if grid.state[i2, j2] != UNKNOWN:
            if not every:
                push_rest(grid, level, i0, j0, heap, entered, i, j, way)
            continue
        least = LEAST if walls.size > 0 and distance < WAIT else 0.0
        count = lay_next(
            patches, grid, occupancy, level, walls, i, j, way, substeps, ends, turns, least, made
        )
        if count == 0 and walls.size > 0 and distance < WAIT:  # others may make room for it
            heapq.heappush(heap, (distance + WAIT, i, j, way))
            continue
        if count == 0:
            grid.state[i2, j2] = OUTSIDE if walls.size == 0 else LATER
            if not every:
                push_rest(grid, level, i0, j0, heap, entered, i, j, way)
            continue
        columns += 1
        first = last
        for k in range(count):
            queue[last, 0] = i2 if way < 2 else made[k]
            queue[last, 1] = made[k] if way < 2 else j2
            add_node(occupancy, grid, queue[last, 0], queue[last, 1])
            last += 1
        last = fill_from(patches, grid, walls, occupancy, True, queue, first, last)
        if not every:
            push_rest(grid, level, i0, j0, heap, entered, i, j, way)
        for k in range(first, last):
            frontier(grid, level, every, i0, j0, heap, entered, queue[k, 0], queue[k, 1])
    return last, columns
