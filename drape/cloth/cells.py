"""Compiled kernels that fill the net's cells: each fourth node from three known ones.

Words
-----
node     crossing of a warp and a weft yarn; grid place (i, j): i counts along the warp
A, B, C  the known corners of a cell: A shares its weft yarn with the wanted node D, so
         that A-D runs along the warp; B-D runs along the weft; C is opposite D
state    of a node: UNKNOWN, KNOWN, OUTSIDE (left the surface), LOCKED (the cell would
         have to close further than cloth can), FAILED (no convergence), TAKEN (other
         cloth of the same net is there already), LATER (left until notches are filled).
         Solvers also answer STUCK (Newton's
         method on the patches doesn't converge) and ON_FACETS (known, but found on the
         facets for that reason)

Sides are arc lengths on the surface, mm: u[i+1] − u[i] along the warp, likewise v.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drape.cloth.facets import agree, facet_distance, facets_agree, folded_length, meet
from drape.cloth.occupancy import add_node, is_taken
from drape.compiled import kernel
from drape.geometry.geodesics import arc_length, fine_arc_length, geodesic_step
from drape.geometry.kernels import (
    ROW,
    SAME_SIDE,
    evaluate,
    has_creases,
    step_weights,
    walk,
    walk_on,
)

UNKNOWN, KNOWN, OUTSIDE, LOCKED, FAILED, TAKEN, ON_FACETS, STUCK, LATER = range(9)
FOLDED = 0.5  # cosine between facets of a cell: past it the cell is larger than a fold
SMALLEST_ANGLE = np.radians(4.0)  # a cell closed further than this can't be solved reliably
MARGIN, NO_CLOTH = 2, 3  # levels of faces where no cloth lies; one of the second kind makes
# all margins such that decide nothing, see close_cell and mould.extension.Extended


class Grid(NamedTuple):
    """The net while it is being filled; arrays are written in place.

    u, v : (p,), (q,) yarn coordinates, mm
    rows : (p, q, ROW) points, normals, derivatives, weights
    faces : (p, q) int
    state : (p, q) int8
    on_facets : (p, q) bool, nodes that were found on the facets, for want of a better way
    """

    u: np.ndarray
    v: np.ndarray
    rows: np.ndarray
    faces: np.ndarray
    state: np.ndarray
    on_facets: np.ndarray


@kernel
def turn(p, q, r, n):
    """Signed area (twice) of the triangle of three rows, seen against the normal of ``n``."""
    ax, ay, az = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    bx, by, bz = r[0] - p[0], r[1] - p[1], r[2] - p[2]
    cx, cy, cz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    return cx * n[3] + cy * n[4] + cz * n[5]


@kernel
def solve_on_facets(patches, a_face, a, b_face, b, c, du, dv, d):
    """As ``solve_cell``, on flat facets: across creases, and where patches fail."""
    face, found = meet(patches, a_face, a, b_face, b, c, du, dv, d)
    if not found:
        return face, FAILED
    p, q = facet_distance(patches, face, d, c), facet_distance(patches, a_face, a, b)
    if np.isnan(p) or np.isnan(q):  # round a corner there may be no straight walk
        p = np.sqrt((d[0] - c[0]) ** 2 + (d[1] - c[1]) ** 2 + (d[2] - c[2]) ** 2)
        q = np.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2)
    ratio = (p * p - q * q) / (p * p + q * q) * (du * du + dv * dv) / (2.0 * du * dv)
    if not abs(ratio) < np.cos(SMALLEST_ANGLE):
        return face, LOCKED
    return face, KNOWN


@kernel
def is_folded(patches, p_face, p, q):
    """Whether a crease lies between two rows."""
    if agree(p, q) >= SAME_SIDE or not has_creases(patches):
        return False
    return not np.isnan(folded_length(patches, p_face, p, q))


@kernel
def may_fold(patches, a_face, a, b_face, b, c, d):
    """Whether a crease crosses the cell, D being where it is or is expected."""
    d1, d2 = step_weights(b, a[0] - c[0], a[1] - c[1], a[2] - c[2])
    if walk_on(patches, b_face, b[12], b[13], d1, d2)[6]:
        return True
    d1, d2 = step_weights(a, b[0] - c[0], b[1] - c[1], b[2] - c[2])
    if walk_on(patches, a_face, a[12], a[13], d1, d2)[6]:
        return True
    return (
        is_folded(patches, a_face, a, b)
        or is_folded(patches, a_face, a, c)
        or is_folded(patches, b_face, b, c)
        or is_folded(patches, a_face, a, d)
        or is_folded(patches, b_face, b, d)
    )


@kernel
def solve_smooth(patches, a_face, a, b_face, b, c, du, dv, d, scratch):
    """As ``solve_cell`` where no crease is near.

    Newton's method on the two lengths (gradients along the chords), from the
    parallelogram's corner; then again with lengths corrected by fine measurement, more
    than once where the correction is large.
    Fills row ``d``; returns (face, state).
    """
    d1, d2 = step_weights(a, b[0] - c[0], b[1] - c[1], b[2] - c[2])
    face, b1, b2, arrived = walk(patches, a_face, a[12], a[13], d1, d2)
    evaluate(patches, face, b1, b2, d)
    want_a, want_b = du, dv
    cap = 0.5 * min(du, dv)
    last_polish = 1
    for polish in range(5):
        solved = False
        for _ in range(20):
            ax, ay, az = d[0] - a[0], d[1] - a[1], d[2] - a[2]
            bx, by, bz = d[0] - b[0], d[1] - b[1], d[2] - b[2]
            la = np.sqrt(ax * ax + ay * ay + az * az)
            lb = np.sqrt(bx * bx + by * by + bz * bz)
            if la < 0.05 * du or lb < 0.05 * dv:
                return face, STUCK
            fa, fb = arc_length(a, d) - want_a, arc_length(b, d) - want_b
            if abs(fa) + abs(fb) < 1e-9 * (du + dv):
                solved = True
                break
            g11 = (ax * d[6] + ay * d[7] + az * d[8]) / la
            g12 = (ax * d[9] + ay * d[10] + az * d[11]) / la
            g21 = (bx * d[6] + by * d[7] + bz * d[8]) / lb
            g22 = (bx * d[9] + by * d[10] + bz * d[11]) / lb
            det = g11 * g22 - g12 * g21
            if det == 0.0:
                return face, LOCKED
            d1, d2 = -(fa * g22 - fb * g12) / det, -(fb * g11 - fa * g21) / det
            x = d1 * d[6] + d2 * d[9]
            y = d1 * d[7] + d2 * d[10]
            z = d1 * d[8] + d2 * d[11]
            size = np.sqrt(x * x + y * y + z * z)
            if size > cap:
                d1, d2 = d1 * cap / size, d2 * cap / size
            face, b1, b2, arrived = walk(patches, face, d[12], d[13], d1, d2)
            evaluate(patches, face, b1, b2, d)
        if not solved:
            return face, STUCK if arrived else OUTSIDE
        if not arrived:
            return face, OUTSIDE
        if polish == last_polish:
            break
        ratio_a = du / fine_arc_length(patches, a_face, a, d, scratch)
        ratio_b = dv / fine_arc_length(patches, b_face, b, d, scratch)
        want_a, want_b = want_a * ratio_a, want_b * ratio_b
        if abs(ratio_a - 1.0) + abs(ratio_b - 1.0) > 1e-5:
            last_polish = min(polish + 2, 4)
    before, after = turn(c, a, b, c), turn(d, b, a, d)
    if before * after <= 0.0:
        return face, FAILED
    if abs(after) < du * dv * np.sin(SMALLEST_ANGLE):
        return face, LOCKED
    return face, KNOWN


@kernel
def fall_back(patches, a_face, a, b_face, b, c, du, dv, d):
    """As ``solve_on_facets``, where Newton's method on the patches got stuck.

    Not where facets turn far from A to B or D: a cell larger than a fold has no answer.
    """
    face, state = solve_on_facets(patches, a_face, a, b_face, b, c, du, dv, d)
    if state != KNOWN:
        return face, state
    if min(facets_agree(patches, a_face, b_face), facets_agree(patches, a_face, face)) < FOLDED:
        return face, FAILED
    return face, ON_FACETS


@kernel
def solve_creased(patches, a_face, a, b_face, b, c, du, dv, d, scratch):
    """As ``solve_cell`` on a surface with creases: on facets where one crosses the cell."""
    d1, d2 = step_weights(a, b[0] - c[0], b[1] - c[1], b[2] - c[2])
    face, b1, b2, _ = walk(patches, a_face, a[12], a[13], d1, d2)
    evaluate(patches, face, b1, b2, d)
    if not may_fold(patches, a_face, a, b_face, b, c, d):
        face, state = solve_smooth(patches, a_face, a, b_face, b, c, du, dv, d, scratch)
        if state == STUCK:
            return fall_back(patches, a_face, a, b_face, b, c, du, dv, d)
        if state == OUTSIDE or not may_fold(patches, a_face, a, b_face, b, c, d):
            return face, state
    return solve_on_facets(patches, a_face, a, b_face, b, c, du, dv, d)


@kernel
def solve_cell(patches, a_face, a, b_face, b, c, du, dv, d, scratch):
    """Find node D with arc lengths A-D = du and B-D = dv on the far side of A-B from C.

    Fills row ``d``; returns (face, state).
    """
    if has_creases(patches):
        return solve_creased(patches, a_face, a, b_face, b, c, du, dv, d, scratch)
    face, state = solve_smooth(patches, a_face, a, b_face, b, c, du, dv, d, scratch)
    if state == STUCK:
        return fall_back(patches, a_face, a, b_face, b, c, du, dv, d)
    return face, state


@kernel
def on_margin(level, face):
    """Whether a face is of the margin; ``level`` is empty where that doesn't matter."""
    return level.size > 0 and level[face] >= MARGIN


@kernel
def may_decide(level, a_face, b_face, c_face, d_face):
    """Whether a cell with these corners may decide D, see ``close_cell``."""
    if level.size == 0:
        return True
    if level[d_face] >= MARGIN:
        return level[a_face] < MARGIN or level[b_face] < MARGIN
    return level[a_face] < MARGIN and level[b_face] < MARGIN and level[c_face] < MARGIN


@kernel
def close_cell(patches, grid, level, occupancy, guarded, ai, bj, di, dj, d, scratch):
    """Solve for the node at (di, dj) from A (ai, dj), B (di, bj), C (ai, bj), and enter it.

    ``guarded``: look whether cloth is there already, and enter the node in ``occupancy``.
    ``level`` (m,) of the faces, or empty: no cell that is partly on the margin decides a
    node off it, since no cloth lies there; on the margin only nodes beside others off it
    are made. The cell then stays open, and the node UNKNOWN.
    Returns whether it is KNOWN now.
    """
    if on_margin(level, grid.faces[ai, dj]) and on_margin(level, grid.faces[di, bj]):
        return False
    face, state = solve_cell(
        patches,
        grid.faces[ai, dj],
        grid.rows[ai, dj],
        grid.faces[di, bj],
        grid.rows[di, bj],
        grid.rows[ai, bj],
        abs(grid.u[di] - grid.u[ai]),
        abs(grid.v[dj] - grid.v[bj]),
        d,
        scratch,
    )
    on_facets = state == ON_FACETS
    state = KNOWN if on_facets else state
    a_face, b_face, c_face = grid.faces[ai, dj], grid.faces[di, bj], grid.faces[ai, bj]
    if state == KNOWN and not may_decide(level, a_face, b_face, c_face, face):
        return False
    if state != KNOWN and (
        on_margin(level, a_face) or on_margin(level, b_face) or on_margin(level, c_face)
    ):
        return False
    grid.on_facets[di, dj] = on_facets
    if guarded and state == KNOWN and is_taken(occupancy, grid, di, dj, d, face):
        state = TAKEN
    grid.state[di, dj] = state
    if state != KNOWN:
        return False
    grid.rows[di, dj] = d
    grid.faces[di, dj] = face
    if guarded:
        add_node(occupancy, grid, di, dj)
    return True


@kernel
def fill_quadrants(patches, grid, level, occupancy, i0, j0, queue, last):
    """Solve the cells between the first yarns, quadrant by quadrant and row by row.

    The order keeps neighbours close in memory. ``level`` as in ``close_cell``, ``queue`` as
    in ``fill_from``.
    """
    p, q = grid.state.shape
    scratch, d = np.empty((4, ROW)), np.empty(ROW)
    state = grid.state
    for quadrant in range(4):
        su, sv = (1 if quadrant % 2 == 0 else -1), (1 if quadrant < 2 else -1)
        for k in range(1, p - i0 if su > 0 else i0 + 1):
            i = i0 + su * k
            for m in range(1, q - j0 if sv > 0 else j0 + 1):
                j = j0 + sv * m
                if state[i, j] != UNKNOWN or state[i - su, j] != KNOWN:
                    continue
                if state[i, j - sv] != KNOWN or state[i - su, j - sv] != KNOWN:
                    continue
                made = close_cell(
                    patches, grid, level, occupancy, False, i - su, j - sv, i, j, d, scratch
                )
                if made:
                    queue[last, 0], queue[last, 1] = i, j
                    last += 1
    return last


@kernel
def fill_from(patches, grid, level, occupancy, guarded, queue, first, last):
    """Solve every cell that has three known corners, starting from queued nodes.

    ``queue`` (k, 2) holds nodes already KNOWN in [first, last); solved nodes are added.
    ``level`` and ``guarded`` as in ``close_cell``. Returns the new ``last``.
    """
    p, q = grid.state.shape
    scratch, d = np.empty((4, ROW)), np.empty(ROW)
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
                if grid.state[si, sj] == KNOWN:
                    known += 1
                else:
                    di, dj = si, sj
            if known != 3 or grid.state[di, dj] != UNKNOWN:
                continue
            ai, bj = (i if di == i2 else i2), (j if dj == j2 else j2)
            if close_cell(patches, grid, level, occupancy, guarded, ai, bj, di, dj, d, scratch):
                queue[last, 0], queue[last, 1] = di, dj
                last += 1
    return last


@kernel
def last_share(patches, level, face, p, way, length, q):
    """Share of a step from row ``p`` along ``way`` that is still where cloth may lie."""
    low, high = 0.0, 1.0
    for _ in range(8):
        t = 0.5 * (low + high)
        trial = way.copy()
        there, arrived = geodesic_step(patches, face, p, trial, t * length, q)
        if arrived and not on_margin(level, there):
            low = t
        else:
            high = t
    return low


@kernel
def first_yarn(patches, grid, level, i0, j0, along_u, sign, direction, substeps, queue, last, end):
    """Lay one half of a first yarn from node (i0, j0): a geodesic along ``direction``.

    Nodes are KNOWN until it leaves the surface or (``level`` as in ``close_cell``) comes to
    the margin, after the first step; ``end`` (2,) gets the grid index of the
    last one and the share of the next step that still was on the surface.
    Returns the new ``last`` of ``queue``.
    """
    p, q = np.empty(ROW), np.empty(ROW)
    p[:] = grid.rows[i0, j0]
    face = grid.faces[i0, j0]
    i, j = i0, j0
    count = grid.u.size if along_u else grid.v.size
    while True:
        end[0], end[1] = (i if along_u else j), 0.0
        i2, j2 = (i + sign, j) if along_u else (i, j + sign)
        if min(i2, j2) < 0 or (i2 if along_u else j2) >= count:
            return last
        length = abs(grid.u[i2] - grid.u[i]) if along_u else abs(grid.v[j2] - grid.v[j])
        for k in range(substeps):
            face0, way0 = face, direction.copy()
            face, arrived = geodesic_step(patches, face, p, direction, length / substeps, q)
            if not arrived or (on_margin(level, face) and (i, j) != (i0, j0)):
                part = last_share(patches, level, face0, p, way0, length / substeps, q)
                end[1] = (k + part) / substeps
                return last
            p[:] = q
        grid.rows[i2, j2] = p
        grid.faces[i2, j2] = face
        grid.state[i2, j2] = KNOWN
        queue[last, 0], queue[last, 1] = i2, j2
        last += 1
        i, j = i2, j2
