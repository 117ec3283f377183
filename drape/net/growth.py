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

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bools3, Floats1, Floats2, Ints1, Ints2, local_matrix, local_vector
from drape.geometry.geodesics import geodesic_step
from drape.geometry.heap import Heap, heap_pop
from drape.geometry.walk import ROW, Patches, copy
from drape.net.cells import solve_cell
from drape.net.columns import column_shear, going_on, rotate, start_direction, wanted_shear
from drape.net.filling import fill_from, may_decide
from drape.net.frontier import SEED, STOP, again, frontier, frontiers, push_code, push_rest
from drape.net.grid import (
    KNOWN,
    LATER,
    ON_FACETS,
    OUTSIDE,
    UNKNOWN,
    Grid,
    at,
    face_at,
    state_at,
    swap,
)
from drape.net.occupancy import Occupancy, add_node, is_taken

LEAST = 8.0  # mm: shorter columns are steered badly; they wait for the others
STEADY = 1e-6  # rad: how close a column's mean shear comes to what it should be; the next one
# takes the rest over, so that it doesn't add up; 1e-6 of a metre is 1 µm
TURN, CHANGE, MISS, COLUMN, PLACE = range(5)  # what a way remembers of its last column
WAIT = 1e6  # mm, further away than anything


@kernel
def may_go_on(grid: Grid, i: int, j: int, sign: int) -> bool:
    """Whether node (i, j) is KNOWN and the one next to it along u is UNKNOWN."""
    return state_at(grid, i, j) == KNOWN and state_at(grid, i + sign, j) == UNKNOWN


@kernel
def run_of(grid: Grid, i: int, j: int, sign: int) -> tuple[int, int]:
    """Longest run (j1, j2) round j of KNOWN nodes in column i whose next one is UNKNOWN."""
    j1 = j2 = j
    while j1 > 0 and may_go_on(grid, i, j1 - 1, sign):
        j1 -= 1
    while j2 < grid.v.size - 1 and may_go_on(grid, i, j2 + 1, sign):
        j2 += 1
    return j1, j2


@kernel
def try_column(
    patches: Patches,
    grid: Grid,
    occupancy: Occupancy,
    walls: Ints1,
    i: int,
    j: int,
    sign: int,
    j1: int,
    j2: int,
    direction: Floats1,
    substeps: int,
    made: Ints1,
) -> int:
    """Lay column i + sign over the run: node j along ``direction``, others by the cell rule.

    ``walls`` is ``level`` of ``filling.close_cell``. Nodes that were made are KNOWN afterwards
    and listed in ``made``; returns their count.
    """
    i2 = i + sign
    du = abs(grid.u[i2] - grid.u[i])
    p, q, scratch, way = local_vector(ROW), local_vector(ROW), local_matrix(4, ROW), local_vector(3)
    copy(grid.rows[at(grid, i, j)], p)
    copy(direction, way)
    face = face_at(grid, i, j)
    for _ in range(substeps):
        face, arrived = geodesic_step(patches, face, p, way, du / substeps, q)
        if not arrived:
            return 0
        copy(q, p)
    n = at(grid, i2, j)
    if is_taken(occupancy, grid, n, p, face):
        return 0
    copy(p, grid.rows[n])
    grid.faces[n] = face
    grid.state[n] = KNOWN
    made[0] = j
    count = 1
    for step in (-1, 1):
        last = j
        while j1 <= last + step <= j2:
            new = last + step
            face, state = solve_cell(
                patches,
                face_at(grid, i, new),
                grid.rows[at(grid, i, new)],
                face_at(grid, i2, last),
                grid.rows[at(grid, i2, last)],
                grid.rows[at(grid, i, last)],
                du,
                abs(grid.v[new] - grid.v[last]),
                q,
                scratch,
            )
            on_facets = state == ON_FACETS
            if not (state == KNOWN or on_facets):
                break
            n = at(grid, i2, new)
            if is_taken(occupancy, grid, n, q, face):
                break
            a, b, c = face_at(grid, i, new), face_at(grid, i2, last), face_at(grid, i, last)
            if not may_decide(walls, a, b, c, face):
                break
            grid.on_facets[n] = on_facets
            copy(q, grid.rows[n])
            grid.faces[n] = face
            grid.state[n] = KNOWN
            made[count] = new
            count += 1
            last = new
    return count


@kernel
def ends_of(made: Ints1, count: int) -> tuple[int, int]:
    """Least and greatest of the first ``count`` numbers."""
    first = last = made[0]
    for k in range(1, count):
        first, last = min(first, made[k]), max(last, made[k])
    return first, last


@kernel
def grow_column(
    patches: Patches,
    grid: Grid,
    occupancy: Occupancy,
    level: Ints1,
    walls: Ints1,
    i: int,
    j: int,
    sign: int,
    hand: float,
    substeps: int,
    end: Floats1,
    turned: Floats1,
    least: float,
    made: Ints1,
) -> int:
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
    direction, trial, here = local_vector(3), local_vector(3), grid.rows[at(grid, i, j)]
    start_direction(patches, grid, i, j, sign, j1, j2, direction)
    on = going_on(patches, grid, walls, end, i, sign, j1, j2)
    count, low, high, target = 0, -1, -1, 0.0
    first = last = j
    if turned[COLUMN] != i or not j1 <= turned[PLACE] <= j2:
        turned[TURN] = turned[CHANGE] = turned[MISS] = 0.0
    angle, before, missed = turned[TURN] + turned[CHANGE], 0.0, 0.0
    tolerance = STEADY if patches.fine else 1e-4
    for attempt in range(6):
        for k in range(count):
            grid.state[at(grid, i2, made[k])] = UNKNOWN
        copy(direction, trial)
        rotate(trial, here, angle)
        count = try_column(
            patches, grid, occupancy, walls, i, j, sign, j1, j2, trial, substeps, made
        )
        shear = weight = 0.0
        if count >= 2:
            first, last = ends_of(made, count)
            shear, weight = column_shear(patches, grid, level, i, i, i2, first, last)
        if count < 2 or weight < least:
            for k in range(count):
                grid.state[at(grid, i2, made[k])] = UNKNOWN
            return 0
        if first != low or last != high:
            low, high = first, last
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
    turned[TURN], turned[MISS], turned[COLUMN], turned[PLACE] = angle, miss, i2, j
    return count


@kernel
def lay_next(
    patches: Patches,
    grid: Grid,
    occupancy: Occupancy,
    level: Ints1,
    walls: Ints1,
    i: int,
    j: int,
    way: int,
    substeps: int,
    end: Floats1,
    turned: Floats1,
    least: float,
    made: Ints1,
) -> int:
    """Grow the column beyond node (i, j): ``way`` 0 and 1 along +u and −u, 2 and 3 along ±v.

    ``end``, ``turned``, ``least`` and ``made`` as in ``grow_column``. Returns the count of
    nodes made.
    """
    sign = 1 if way % 2 == 0 else -1
    if way >= 2:
        i, j = j, i
    return grow_column(
        patches,
        grid if way < 2 else swap(grid),
        occupancy,
        level,
        walls,
        i,
        j,
        sign,
        1.0 if way < 2 else -1.0,
        substeps,
        end,
        turned,
        least,
        made,
    )


@entry(writes="grid occupancy queue heap entered made turns")
def grow_columns(
    patches: Patches,
    grid: Grid,
    level: Ints1,
    walls: Ints1,
    occupancy: Occupancy,
    i0: int,
    j0: int,
    substeps: int,
    ends: Floats2,
    queue: Ints2,
    last: int,
    heap: Heap,
    entered: Bools3,
    made: Ints1,
    turns: Floats2,
) -> tuple[int, int]:
    """As ``grow``, from the seeds in ``heap``; ``turns`` (4, 5) as ``turned`` of
    ``grow_column`` for each way. Returns (new ``last``, columns grown)."""
    every, q = walls.size > 0, grid.v.size
    columns = fruitless = 0
    seed = local_vector(SEED)
    while heap.used[0] > 0:
        heap_pop(heap, seed)
        distance, code = seed[0], int(seed[1])
        if code == STOP:  # what had to wait is tried again if anything was made since
            if fruitless == columns or again(grid.state) == 0:
                break
            fruitless = columns
            push_code(heap, distance, STOP)
            frontiers(grid, level, every, i0, j0, heap, entered, queue, last)
            continue
        i, j, way = code // (4 * q), code // 4 % q, code % 4
        entered[i, j, way] = False
        sign = 1 if way % 2 == 0 else -1
        i2 = i + sign if way < 2 else i
        j2 = j if way < 2 else j + sign
        if state_at(grid, i2, j2) != UNKNOWN:
            if not every:
                push_rest(grid, level, i0, j0, heap, entered, i, j, way)
            continue
        least = LEAST if every and distance < WAIT else 0.0
        count = lay_next(
            patches,
            grid,
            occupancy,
            level,
            walls,
            i,
            j,
            way,
            substeps,
            ends[way],
            turns[way],
            least,
            made,
        )
        if count == 0 and every and distance < WAIT:  # others may make room for it
            push_code(heap, distance + WAIT, code)
            continue
        if count == 0:
            grid.state[at(grid, i2, j2)] = LATER if every else OUTSIDE
            if not every:
                push_rest(grid, level, i0, j0, heap, entered, i, j, way)
            continue
        columns += 1
        first = last
        for k in range(count):
            queue[last, 0] = i2 if way < 2 else made[k]
            queue[last, 1] = made[k] if way < 2 else j2
            add_node(occupancy, grid, at(grid, queue[last, 0], queue[last, 1]))
            last += 1
        last = fill_from(patches, grid, walls, occupancy, True, queue, first, last)
        if not every:
            push_rest(grid, level, i0, j0, heap, entered, i, j, way)
        for k in range(first, last):
            frontier(grid, level, every, i0, j0, heap, entered, queue[k, 0], queue[k, 1])
    return last, columns
