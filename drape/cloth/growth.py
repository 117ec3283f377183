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
from drape.cloth.facets import folded_way
from drape.cloth.occupancy import NEAR, add_node, is_taken, make_occupancy
from drape.cloth.shear import cell_angle
from drape.compiled import kernel
from drape.geometry.geodesics import geodesic_step
from drape.geometry.kernels import ROW, step_weights, walk

FIT = 8.0  # mm of columns whose mean shear is carried on by a straight line
LEAST = 8.0  # mm: shorter columns are steered badly; they wait for the others
WAIT = 1e6  # mm, further away than anything
RELAX = 50.0  # mm over which the mean shear of grown columns decays; our own choice


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
def needed_share(patches, grid, level, i, j):
    """Share of the yarn from node (i, j) to (i, j + 1) that lies where the net is needed.

    Whole cells alone would make the mean jump, and the net depend on the spacing.
    """
    here, there = level[grid.faces[i, j]] <= 1, level[grid.faces[i, j + 1]] <= 1
    if here == there:
        return 1.0 if here else 0.0
    p, q = grid.rows[i, j], grid.rows[i, j + 1]
    d1, d2 = step_weights(p, q[0] - p[0], q[1] - p[1], q[2] - p[2])
    low, high = 0.0, 1.0
    for _ in range(7):
        t = 0.5 * (low + high)
        face, _b1, _b2, _arrived = walk(patches, grid.faces[i, j], p[12], p[13], t * d1, t * d2)
        if (level[face] <= 1) == here:
            low = t
        else:
            high = t
    return low if here else 1.0 - low


@kernel
def column_shear(patches, grid, level, at, i, i2, j1, j2):
    """Mean shear of the cells between columns i and i2, where the net is needed.

    ``at`` is the column whose places decide; comparing means takes the same one.
    Shear is signed as everywhere: positive where the angle between +u and +v is below 90°.
    Returns (mean, weight); weight 0 where there is no whole cell.
    """
    total = weight = 0.0
    low = min(i, i2)
    for j in range(j1, j2):
        whole = grid.state[i, j] == KNOWN and grid.state[i, j + 1] == KNOWN
        whole = whole and grid.state[i2, j] == KNOWN and grid.state[i2, j + 1] == KNOWN
        if not whole:
            continue
        share = needed_share(patches, grid, level, at, j)
        if share == 0.0:
            continue
        angle = cell_angle(patches, grid, low, j)
        w = share * (grid.v[j + 1] - grid.v[j])
        total += w * (0.5 * np.pi - angle)
        weight += w
    return (total / weight if weight > 0.0 else 0.0), weight


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
def start_direction(patches, grid, i, j, sign, j1, j2, direction):
    """Fill ``direction``: the yarn's own at node (i, j), else square to the column."""
    row = grid.rows[i, j]
    back = i - sign
    if 0 <= back < grid.state.shape[0] and grid.state[back, j] == KNOWN:
        folded_way(patches, grid.faces[i, j], row, grid.rows[back, j], direction)
        for c in range(3):
            direction[c] = -direction[c]
    else:
        low, high = max(j1, j - 1), min(j2, j + 1)
        up, down, f = np.empty(3), np.empty(3), grid.faces[i, j]
        folded_way(patches, f, row, grid.rows[i, high], up)
        folded_way(patches, f, row, grid.rows[i, low], down)
        x, y, z = up[0] - down[0], up[1] - down[1], up[2] - down[2]
        direction[0] = sign * (y * row[5] - z * row[4])
        direction[1] = sign * (z * row[3] - x * row[5])
        direction[2] = sign * (x * row[4] - y * row[3])
    dot = direction[0] * row[3] + direction[1] * row[4] + direction[2] * row[5]
    size = 0.0
    for c in range(3):
        direction[c] -= dot * row[3 + c]
        size += direction[c] ** 2
    for c in range(3):
        direction[c] /= np.sqrt(size)


@kernel
def rotate(direction, row, angle):
    """Turn a tangent unit vector about the row's normal, counter-clockwise, in place."""
    n0, n1, n2 = row[3], row[4], row[5]
    x, y, z = direction[0], direction[1], direction[2]
    c, s = np.cos(angle), np.sin(angle)
    direction[0] = c * x + s * (n1 * z - n2 * y)
    direction[1] = c * y + s * (n2 * x - n0 * z)
    direction[2] = c * z + s * (n0 * y - n1 * x)


@kernel
def going_shear(patches, grid, level, i, sign, j1, j2, ahead):
    """Mean shear of the columns up to i, as a straight line fitted over FIT, ``ahead`` mm
    past the middle of the last one. Noise of single columns would otherwise be carried on.
    """
    here = 0.5 * (grid.u[i] + grid.u[i - sign])
    n = x1 = x2 = y1 = xy = 0.0
    near = i
    while 0 <= near - sign < grid.state.shape[0]:
        back = near - sign
        x = abs(0.5 * (grid.u[near] + grid.u[back]) - here)
        if n >= 2.0 and x > FIT:
            break
        shear, weight = column_shear(patches, grid, level, i, near, back, j1, j2)
        if weight == 0.0:
            break
        n, x1, x2, y1, xy = n + 1.0, x1 - x, x2 + x * x, y1 + shear, xy - x * shear
        near = back
    if n < 2.0:
        return y1
    slope = (n * xy - x1 * y1) / (n * x2 - x1 * x1)
    return (y1 - slope * x1) / n + slope * ahead


@kernel
def wanted_shear(patches, grid, level, i, sign, j1, j2, du, on):
    """Mean shear that the next column should have, from the columns before it.

    ``on`` is the share of the step over which it goes on as before; then it decays.
    """
    back = i - sign
    if not 0 <= back < grid.state.shape[0]:
        return 0.0
    if on > 0.0:
        step = 0.5 * (du + abs(grid.u[i] - grid.u[back]))
        now = going_shear(patches, grid, level, i, sign, j1, j2, on * step)
    else:
        now = column_shear(patches, grid, level, i, i, back, j1, j2)[0]
    return now * np.exp(-(1.0 - on) * du / RELAX)


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
def going_on(end, index, sign):
    """Share of the step from node ``index`` over which a first yarn still goes on.

    Shear belongs to the middles of steps, so the step counts from half before the node
    to half past it.
    """
    if index == end[0]:
        return min(1.0, 0.5 + end[1])
    if index == end[0] + sign:
        return max(0.0, end[1] - 0.5)
    return 0.0


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
    ``level`` of ``cells.close_cell``: the same, or empty where there are no notches.
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
