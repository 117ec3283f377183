"""Compiled kernels that steer a grown column: which way it sets off, and the shear it should have.

Mean shear is taken where the net is needed, over equal stretches of the column before and
the new one, so that it doesn't depend on the spacing. See ``cloth.growth``.
Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import kernel
from drape.compiling.words import Floats1, Ints1, local_vector
from drape.geometry.walk import ROW, Patches, step_weights, walk
from drape.net.facets import folded_way
from drape.net.filling import last_share, on_margin
from drape.net.grid import KNOWN, Grid, at, face_at, state_at
from drape.net.shear import cell_angle, is_whole

FIT = 8.0  # mm of columns whose mean shear is carried on by a straight line
UNCUT = 0.99  # of a step: a row that reaches this far isn't cut in it
RELAX = 50.0  # mm over which the mean shear of grown columns decays; our own choice


@kernel
def needed_share(patches: Patches, grid: Grid, level: Ints1, i: int, j: int) -> float:
    """Share of the yarn from node (i, j) to (i, j + 1) that lies where the net is needed.

    Whole cells alone would make the mean jump, and the net depend on the spacing.
    """
    here, there = level[face_at(grid, i, j)] <= 1, level[face_at(grid, i, j + 1)] <= 1
    if here == there:
        return 1.0 if here else 0.0
    p, q = grid.rows[at(grid, i, j)], grid.rows[at(grid, i, j + 1)]
    d1, d2 = step_weights(p, q[0] - p[0], q[1] - p[1], q[2] - p[2])
    low, high = 0.0, 1.0
    for _ in range(7):
        t = 0.5 * (low + high)
        face, _b1, _b2, _arrived = walk(patches, face_at(grid, i, j), p[12], p[13], t * d1, t * d2)
        if (level[face] <= 1) == here:
            low = t
        else:
            high = t
    return low if here else 1.0 - low


@kernel
def column_shear(
    patches: Patches, grid: Grid, level: Ints1, deciding: int, i: int, i2: int, j1: int, j2: int
) -> tuple[float, float]:
    """Mean shear of the cells between columns i and i2, where the net is needed.

    ``deciding`` is the column whose places decide; comparing means takes the same one.
    Shear is signed as everywhere: positive where the angle between +u and +v is below 90°.
    Returns (mean, weight); weight 0 where there is no whole cell.
    """
    total = weight = 0.0
    low = min(i, i2)
    for j in range(j1, j2):
        if not is_whole(grid, low, j):
            continue
        share = needed_share(patches, grid, level, deciding, j)
        if share == 0.0:
            continue
        angle = cell_angle(patches, grid, low, j)
        w = share * (grid.v[j + 1] - grid.v[j])
        total += w * (0.5 * np.pi - angle)
        weight += w
    return (total / weight if weight > 0.0 else 0.0), weight


@kernel
def make_tangent(row: Floats1, way: Floats1) -> None:
    """Take the part of ``way`` that is tangential at a row, at unit length, in place."""
    dot = way[0] * row[3] + way[1] * row[4] + way[2] * row[5]
    size = 0.0
    for c in range(3):
        way[c] -= dot * row[3 + c]
        size += way[c] ** 2
    for c in range(3):
        way[c] /= np.sqrt(size)


@kernel
def start_direction(
    patches: Patches, grid: Grid, i: int, j: int, sign: int, j1: int, j2: int, direction: Floats1
) -> None:
    """Fill ``direction``: the yarn's own at node (i, j), else square to the column."""
    row = grid.rows[at(grid, i, j)]
    back = i - sign
    if 0 <= back < grid.u.size and state_at(grid, back, j) == KNOWN:
        folded_way(patches, face_at(grid, i, j), row, grid.rows[at(grid, back, j)], direction)
        for c in range(3):
            direction[c] = -direction[c]
    else:
        low, high = max(j1, j - 1), min(j2, j + 1)
        up, down, f = local_vector(3), local_vector(3), face_at(grid, i, j)
        folded_way(patches, f, row, grid.rows[at(grid, i, high)], up)
        folded_way(patches, f, row, grid.rows[at(grid, i, low)], down)
        x, y, z = up[0] - down[0], up[1] - down[1], up[2] - down[2]
        direction[0] = sign * (y * row[5] - z * row[4])
        direction[1] = sign * (z * row[3] - x * row[5])
        direction[2] = sign * (x * row[4] - y * row[3])
    make_tangent(row, direction)


@kernel
def rotate(direction: Floats1, row: Floats1, angle: float) -> None:
    """Turn a tangent unit vector about the row's normal, counter-clockwise, in place."""
    n0, n1, n2 = row[3], row[4], row[5]
    x, y, z = direction[0], direction[1], direction[2]
    c, s = np.cos(angle), np.sin(angle)
    direction[0] = c * x + s * (n1 * z - n2 * y)
    direction[1] = c * y + s * (n2 * x - n0 * z)
    direction[2] = c * z + s * (n0 * y - n1 * x)


@kernel
def going_shear(
    patches: Patches, grid: Grid, level: Ints1, i: int, sign: int, j1: int, j2: int, ahead: float
) -> float:
    """Mean shear of the columns up to i, as a straight line fitted over FIT, ``ahead`` mm
    past the middle of the last one. Noise of single columns would otherwise be carried on.
    """
    here = 0.5 * (grid.u[i] + grid.u[i - sign])
    n = x1 = x2 = y1 = xy = 0.0
    near = i
    while 0 <= near - sign < grid.u.size:
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
def wanted_shear(
    patches: Patches,
    grid: Grid,
    level: Ints1,
    i: int,
    sign: int,
    j1: int,
    j2: int,
    du: float,
    on: float,
    missed: float,
) -> float:
    """Mean shear that the next column should have, from the columns before it.

    ``missed`` is what the last one should have had besides its own. ``on`` is the share of
    the step over which it goes on as before; then it decays.
    """
    back = i - sign
    if not 0 <= back < grid.u.size:
        return 0.0
    if on > 0.0:
        step = 0.5 * (du + abs(grid.u[i] - grid.u[back]))
        now = going_shear(patches, grid, level, i, sign, j1, j2, on * step)
    else:
        now = column_shear(patches, grid, level, i, i, back, j1, j2)[0]
    return (now + missed) * np.exp(-(1.0 - on) * du / RELAX)


@kernel
def may_lie(grid: Grid, walls: Ints1, i: int, j: int) -> bool:
    """Whether a node is known and lies where cloth may (``walls``: see ``close_cell``)."""
    n = at(grid, i, j)
    return grid.state[n] == KNOWN and not on_margin(walls, grid.faces[n])


@kernel
def cut_at(patches: Patches, grid: Grid, walls: Ints1, i: int, j: int, sign: int) -> float:
    """Where row j leaves what cloth lies on, in steps past column i.

    1 if only after the next column, −1 if already before the column before.
    """
    back, way, q = i - sign, local_vector(3), local_vector(ROW)
    if not 0 <= back < grid.u.size or not may_lie(grid, walls, back, j):
        return -1.0
    last = i if may_lie(grid, walls, i, j) else back
    length = abs(grid.u[last + sign] - grid.u[last])
    row, face = grid.rows[at(grid, last, j)], face_at(grid, last, j)
    before = last - sign
    if last == back and state_at(grid, i, j) == KNOWN:  # on the margin: straight to it
        folded_way(patches, face, row, grid.rows[at(grid, i, j)], way)
    elif 0 <= before < grid.u.size and state_at(grid, before, j) == KNOWN:
        folded_way(patches, face, row, grid.rows[at(grid, before, j)], way)
        for c in range(3):
            way[c] = -way[c]
    else:
        return 0.0 if last == i else -1.0
    make_tangent(row, way)
    share = last_share(patches, walls, face, row, way, length, q)
    return (share if share < UNCUT else 1.0) - abs(last - i)


@kernel
def bridge(
    patches: Patches, grid: Grid, walls: Ints1, i: int, sign: int, j1: int, j2: int, side: int
) -> float:
    """How far the run's next column is still decided from its ``side``, in steps past column i.

    Rows between the run and the known part of column i + sign hand it on as far as the
    first of them is cut. NaN where there is no such part.
    """
    i2, j = i + sign, (j1 if side < 0 else j2) + side
    while 0 <= j < grid.v.size and not (may_lie(grid, walls, i2, j) and may_lie(grid, walls, i, j)):
        if state_at(grid, i, j) != KNOWN and state_at(grid, i - sign, j) != KNOWN:
            return np.nan
        j += side
    if not 0 <= j < grid.v.size:
        return np.nan
    least = 1.0
    j -= side
    while j1 <= j <= j2 or (j - j1) * side > 0:
        share = cut_at(patches, grid, walls, i, j, sign)
        least = min(least, share)
        if j1 <= j <= j2 and share >= UNCUT:
            break
        j -= side
    return least


@kernel
def going_on(
    patches: Patches, grid: Grid, walls: Ints1, end: Floats1, i: int, sign: int, j1: int, j2: int
) -> float:
    """Share of the step from column i over which the known net still decides the next one.

    The run (j1, j2) is handed on by rows beside it (``bridge``), or by the first yarn that
    ends at ``end``. Shear belongs to the middles of steps, so the step counts from half
    before column i to half past it.
    """
    reach = np.nan
    if 0 <= i - sign < grid.u.size:
        for side in (-1, 1):
            share = bridge(patches, grid, walls, i, sign, j1, j2, side)
            if not np.isnan(share) and not reach > share:
                reach = share
    if np.isnan(reach) and sign * (end[0] - i) <= 0.0:
        reach = end[1] + sign * (end[0] - i)
    if np.isnan(reach):
        return 0.0
    return min(1.0, max(0.0, 0.5 + reach))
