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
    start_direction,
    wanted_shear,
)
from drape.cloth.occupancy import NEAR, add_node, is_taken, make_occupancy
from drape.compiled import kernel
from drape.geometry.geodesics import geodesic_step
from drape.geometry.kernels import ROW

LEAST = 8.0  # mm: shorter columns are steered badly; they wait for the others
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
def taken(base, occupancy, hand, i, j, row):
    """As ``is_taken``, for a place of ``base`` (``hand`` +1) or of it swapped (−1)."""
    if hand > 0.0:
        return is_taken(occupancy, base, i, j, row)
    return is_taken(occupancy, base, j, i, row)


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
    p[:] = grid.rows[i, j]
    way[:] = direction
    face = grid.faces[i, j]
    for _ in range(substeps):
        face, arrived = geodesic_step(patches, face, p, way, du / substeps, q)
        if not arrived:
            return 0
        p[:] = q
    if taken(base, occupancy, hand, i2, j, p):
        return 0
    grid.rows[i2, j] = p
    grid.faces[i2, j] = face
    grid.state[i2, j] = KNOWN
    made[0] = j
    count = 1
    for step in (-1, 1):
        last = j
        while j1 <= last + step <= j2:
            new = last + step
            face, state = solve_cell(
                patches,
                grid.faces[i, new],
                grid.rows[i, new],
                grid.faces[i2, last],
                grid.rows[i2, last],
                grid.rows[i, last],
                du,
                abs(grid.v[new] - grid.v[last]),
                q,
                scratch,
            )
            on_facets = state == ON_FACETS
            if not (state == KNOWN or on_facets) or taken(base, occupancy, hand, i2, new, q):
                break
            a, b, c = grid.faces[i, new], grid.faces[i2, last], grid.faces[i, last]
            if not may_decide(walls, a, b, c, face):
                break
            grid.on_facets[i2, new] = on_facets
            grid.rows[i2, new] = q
            grid.faces[i2, new] = face
            grid.state[i2, new] = KNOWN
            made[count] = new
            count += 1
            last = new
    return count


@kernel
def grow_column(
    patches, grid, base, occupancy, level, walls, i, j, sign, hand, substeps, on, least, made
):
    """Add column i + sign next to the known run through (i, j), by least shear.

    ``on`` is the share of the step before the first yarn's end (see ``wanted_shear``).
    ``hand`` is +1 where (u, v) is right-handed against the normal, −1 on a swapped grid.
    Returns the count of nodes made; none where the column would be needed over less than
    ``least`` mm.
    """
    i2 = i + sign
    j1, j2 = run_of(grid, i, j, sign)
    if j2 == j1:
        return 0
    du = abs(grid.u[i2] - grid.u[i])
    direction, trial = np.empty(3), np.empty(3)
    start_direction(patches, grid, i, j, sign, j1, j2, direction)
    count, angle = 0, 0.0
    tolerance = 1e-8 if patches.fine else 1e-4
    for attempt in range(6):
        for k in range(count):
            grid.state[i2, made[k]] = UNKNOWN
        trial[:] = direction
        rotate(trial, grid.rows[i, j], angle)
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
        if count < 2:
            for k in range(count):
                grid.state[i2, made[k]] = UNKNOWN
            return 0
        low, high = made[:count].min(), made[:count].max()
        shear, weight = column_shear(patches, grid, level, i, i, i2, low, high)
        if weight < least:
            for k in range(count):
                grid.state[i2, made[k]] = UNKNOWN
            return 0
        target = wanted_shear(patches, grid, level, i, sign, low, high, du, on)
        if weight == 0.0 or abs(shear - target) < tolerance or attempt == 5:
            break
        # turning +u counter-clockwise closes the angle to +v: shear grows by the turn
        angle += hand * (target - shear)
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
def frontier(grid, level, i0, j0, heap, i, j):
    """Push the unknown neighbours of a known needed node, nearest to the start first."""
    p, q = grid.state.shape
    if grid.state[i, j] != KNOWN or level[grid.faces[i, j]] > 1:
        return
    for way in range(4):
        i2 = i + (1 if way == 0 else (-1 if way == 1 else 0))
        j2 = j + (1 if way == 2 else (-1 if way == 3 else 0))
        if i2 < 0 or j2 < 0 or i2 >= p or j2 >= q or grid.state[i2, j2] != UNKNOWN:
            continue
        distance = abs(grid.u[i] - grid.u[i0]) + abs(grid.v[j] - grid.v[j0])
        heapq.heappush(heap, (distance, i, j, way))


@kernel
def occupied(grid, queue, last):
    """Where the queued nodes lie, for ``cloth.occupancy``."""
    near = NEAR * min(np.diff(grid.u).max(), np.diff(grid.v).max())
    occupancy = make_occupancy(grid.state.size, near)
    for k in range(last):
        add_node(occupancy, grid, queue[k, 0], queue[k, 1])
    return occupancy


@kernel
def fill_the_rest(patches, grid, queue, last):
    """Close the cells that ``walls`` kept open, notches last of all.

    A corner of the region whose cells all reach into a notch is decided here.
    Returns the new ``last``.
    """
    for i in range(grid.state.shape[0]):
        for j in range(grid.state.shape[1]):
            if grid.state[i, j] == LATER:
                grid.state[i, j] = UNKNOWN
    nowhere = np.empty(0, np.int64)
    return fill_from(patches, grid, nowhere, occupied(grid, queue, last), True, queue, 0, last)


@kernel
def grow(patches, grid, level, walls, i0, j0, substeps, ends, queue, last):
    """Grow until no known needed node has an unknown neighbour that can be made.

    ``ends`` (4, 2): grid index of the last node of each half of the first yarns (+u, −u,
    +v, −v) and the share of the next step that still was on the surface.
    ``level`` (m,) is 0 on faces of the region, 1 where the net is needed too; ``walls`` is
    ``level`` of ``cells.close_cell``: the same, or empty where margins may decide.
    Returns (new ``last``, columns grown).
    """
    p, q = grid.state.shape
    made = np.empty(max(p, q), np.int64)
    heap = [(0.0, 0, 0, -1)]
    for k in range(last):
        i, j = queue[k, 0], queue[k, 1]
        if level[grid.faces[i, j]] <= 1 and has_unknown(grid.state, i, j):
            frontier(grid, level, i0, j0, heap, i, j)
    if len(heap) == 1:
        return last, 0
    columns = 0
    occupancy = occupied(grid, queue, last)
    other = swap(grid)
    while len(heap) > 0:
        distance, i, j, way = heapq.heappop(heap)
        if way < 0:
            continue
        sign = 1 if way % 2 == 0 else -1
        i2, j2 = (i + sign, j) if way < 2 else (i, j + sign)
        if grid.state[i2, j2] != UNKNOWN:
            continue
        on = going_on(ends[way], i if way < 2 else j, sign)
        least = LEAST if walls.size > 0 and distance < WAIT else 0.0
        if way < 2:
            count = grow_column(
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
                on,
                least,
                made,
            )
        else:
            count = grow_column(
                patches,
                other,
                grid,
                occupancy,
                level,
                walls,
                j,
                i,
                sign,
                -1.0,
                substeps,
                on,
                least,
                made,
            )
        if count == 0 and walls.size > 0 and distance < WAIT:  # others may make room for it
            heapq.heappush(heap, (distance + WAIT, i, j, way))
            continue
        if count == 0:
            grid.state[i2, j2] = OUTSIDE if walls.size == 0 else LATER
            continue
        columns += 1
        first = last
        for k in range(count):
            queue[last, 0] = i2 if way < 2 else made[k]
            queue[last, 1] = made[k] if way < 2 else j2
            add_node(occupancy, grid, queue[last, 0], queue[last, 1])
            last += 1
        last = fill_from(patches, grid, walls, occupancy, True, queue, first, last)
        for k in range(first, last):
            frontier(grid, level, i0, j0, heap, queue[k, 0], queue[k, 1])
    return last, columns
