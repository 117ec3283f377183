"""Compiled kernels that fill the grid: the first yarns, then every cell with three known corners.

Words as in ``cloth.cells``. On the *margin* past the region no cloth lies, see ``close_cell``.
Lengths in mm.
"""

from __future__ import annotations

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Ints1, Ints2, local_matrix, local_vector
from drape.geometry.geodesics import geodesic_step
from drape.geometry.walk import ROW, Patches, copy
from drape.net.cells import solve_cell
from drape.net.grid import KNOWN, ON_FACETS, TAKEN, UNKNOWN, Grid, at, face_at, state_at
from drape.net.occupancy import Occupancy, add_node, is_taken

MARGIN, NO_CLOTH = 2, 3  # levels of faces where no cloth lies; one of the second kind makes
# all margins such that decide nothing, see close_cell and mould.extension.Extended


@kernel
def on_margin(level: Ints1, face: int) -> bool:
    """Whether a face is of the margin; ``level`` is empty where that doesn't matter."""
    return level.size > 0 and level[face] >= MARGIN


@kernel
def may_decide(level: Ints1, a_face: int, b_face: int, c_face: int, d_face: int) -> bool:
    """Whether a cell with these corners may decide D, see ``close_cell``."""
    if level.size == 0:
        return True
    if level[d_face] >= MARGIN:
        return level[a_face] < MARGIN or level[b_face] < MARGIN
    return level[a_face] < MARGIN and level[b_face] < MARGIN and level[c_face] < MARGIN


@kernel
def close_cell(
    patches: Patches,
    grid: Grid,
    level: Ints1,
    occupancy: Occupancy,
    guarded: bool,
    ai: int,
    bj: int,
    di: int,
    dj: int,
    d: Floats1,
    scratch: Floats2,
) -> bool:
    """Solve for the node at (di, dj) from A (ai, dj), B (di, bj), C (ai, bj), and enter it.

    ``guarded``: look whether cloth is there already, and enter the node in ``occupancy``.
    ``level`` (m,) of the faces, or empty: no cell that is partly on the margin decides a
    node off it, since no cloth lies there; on the margin only nodes beside others off it
    are made. The cell then stays open, and the node UNKNOWN.
    Returns whether it is KNOWN now.
    """
    n, a_node, b_node = at(grid, di, dj), at(grid, ai, dj), at(grid, di, bj)
    a_face, b_face, c_face = grid.faces[a_node], grid.faces[b_node], face_at(grid, ai, bj)
    if on_margin(level, a_face) and on_margin(level, b_face):
        return False
    face, state = solve_cell(
        patches,
        a_face,
        grid.rows[a_node],
        b_face,
        grid.rows[b_node],
        grid.rows[at(grid, ai, bj)],
        abs(grid.u[di] - grid.u[ai]),
        abs(grid.v[dj] - grid.v[bj]),
        d,
        scratch,
    )
    on_facets = state == ON_FACETS
    state = KNOWN if on_facets else state
    if state == KNOWN and not may_decide(level, a_face, b_face, c_face, face):
        return False
    if state != KNOWN and (
        on_margin(level, a_face) or on_margin(level, b_face) or on_margin(level, c_face)
    ):
        return False
    grid.on_facets[n] = on_facets
    if guarded and state == KNOWN and is_taken(occupancy, grid, n, d, face):
        state = TAKEN
    grid.state[n] = state
    if state != KNOWN:
        return False
    copy(d, grid.rows[n])
    grid.faces[n] = face
    if guarded:
        add_node(occupancy, grid, n)
    return True


@entry(writes="grid occupancy queue")
def fill_quadrants(
    patches: Patches,
    grid: Grid,
    level: Ints1,
    occupancy: Occupancy,
    i0: int,
    j0: int,
    queue: Ints2,
    last: int,
) -> int:
    """Solve the cells between the first yarns, quadrant by quadrant and row by row.

    The order keeps neighbours close in memory. ``level`` as in ``close_cell``, ``queue`` as
    in ``fill_from``.
    """
    p, q = grid.u.size, grid.v.size
    scratch, d = local_matrix(4, ROW), local_vector(ROW)
    for quadrant in range(4):
        su, sv = (1 if quadrant % 2 == 0 else -1), (1 if quadrant < 2 else -1)
        for k in range(1, p - i0 if su > 0 else i0 + 1):
            i = i0 + su * k
            for m in range(1, q - j0 if sv > 0 else j0 + 1):
                j = j0 + sv * m
                if state_at(grid, i, j) != UNKNOWN or state_at(grid, i - su, j) != KNOWN:
                    continue
                if state_at(grid, i, j - sv) != KNOWN or state_at(grid, i - su, j - sv) != KNOWN:
                    continue
                made = close_cell(
                    patches, grid, level, occupancy, False, i - su, j - sv, i, j, d, scratch
                )
                if made:
                    queue[last, 0], queue[last, 1] = i, j
                    last += 1
    return last


@entry(writes="grid occupancy queue")
def fill_from(
    patches: Patches,
    grid: Grid,
    level: Ints1,
    occupancy: Occupancy,
    guarded: bool,
    queue: Ints2,
    first: int,
    last: int,
) -> int:
    """Solve every cell that has three known corners, starting from queued nodes.

    ``queue`` (k, 2) holds nodes already KNOWN in [first, last); solved nodes are added.
    ``level`` and ``guarded`` as in ``close_cell``. Returns the new ``last``.
    """
    p, q = grid.u.size, grid.v.size
    scratch, d = local_matrix(4, ROW), local_vector(ROW)
    while first < last:
        i, j = queue[first, 0], queue[first, 1]
        first += 1
        for corner in range(4):
            i2 = i + (1 if corner % 2 == 0 else -1)
            j2 = j + (1 if corner < 2 else -1)
            if i2 < 0 or j2 < 0 or i2 >= p or j2 >= q:
                continue
            known, di, dj = 0, -1, -1
            for s in range(4):
                si, sj = (i if s % 2 == 0 else i2), (j if s < 2 else j2)
                if state_at(grid, si, sj) == KNOWN:
                    known += 1
                else:
                    di, dj = si, sj
            if known != 3 or state_at(grid, di, dj) != UNKNOWN:
                continue
            ai, bj = (i if di == i2 else i2), (j if dj == j2 else j2)
            if close_cell(patches, grid, level, occupancy, guarded, ai, bj, di, dj, d, scratch):
                queue[last, 0], queue[last, 1] = di, dj
                last += 1
    return last


@kernel
def last_share(
    patches: Patches, level: Ints1, face: int, p: Floats1, way: Floats1, length: float, q: Floats1
) -> float:
    """Share of a step from row ``p`` along ``way`` that is still where cloth may lie."""
    low, high, trial = 0.0, 1.0, local_vector(3)
    for _ in range(8):
        t = 0.5 * (low + high)
        copy(way, trial)
        there, arrived = geodesic_step(patches, face, p, trial, t * length, q)
        if arrived and not on_margin(level, there):
            low = t
        else:
            high = t
    return low


@entry(writes="grid direction queue end")
def first_yarn(
    patches: Patches,
    grid: Grid,
    level: Ints1,
    i0: int,
    j0: int,
    along_u: bool,
    sign: int,
    direction: Floats1,
    substeps: int,
    queue: Ints2,
    last: int,
    end: Floats1,
) -> int:
    """Lay one half of a first yarn from node (i0, j0): a geodesic along ``direction``.

    Nodes are KNOWN until it leaves the surface or (``level`` as in ``close_cell``) comes to
    the margin, after the first step; ``end`` (2,) gets the grid index of the
    last one and the share of the next step that still was on the surface.
    Returns the new ``last`` of ``queue``.
    """
    p, q, way0 = local_vector(ROW), local_vector(ROW), local_vector(3)
    copy(grid.rows[at(grid, i0, j0)], p)
    face = face_at(grid, i0, j0)
    i, j = i0, j0
    count = grid.u.size if along_u else grid.v.size
    while True:
        end[0], end[1] = (i if along_u else j), 0.0
        i2, j2 = (i + sign, j) if along_u else (i, j + sign)
        if min(i2, j2) < 0 or (i2 if along_u else j2) >= count:
            return last
        length = abs(grid.u[i2] - grid.u[i]) if along_u else abs(grid.v[j2] - grid.v[j])
        for k in range(substeps):
            face0 = face
            copy(direction, way0)
            face, arrived = geodesic_step(patches, face, p, direction, length / substeps, q)
            if not arrived or (on_margin(level, face) and not (i == i0 and j == j0)):
                part = last_share(patches, level, face0, p, way0, length / substeps, q)
                end[1] = (k + part) / substeps
                return last
            copy(q, p)
        n = at(grid, i2, j2)
        copy(p, grid.rows[n])
        grid.faces[n] = face
        grid.state[n] = KNOWN
        queue[last, 0], queue[last, 1] = i2, j2
        last += 1
        i, j = i2, j2
