"""Compiled kernels that fill the net's cells: each fourth node from three known ones.

Words
-----
A, B, C  the known corners of a cell: A shares its weft yarn with the wanted node D, so
         that A-D runs along the warp; B-D runs along the weft; C is opposite D
state    of a node, see ``cloth.grid``

Sides are arc lengths on the surface, mm: u[i+1] − u[i] along the warp, likewise v.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import kernel
from drape.compiling.words import Floats1, Floats2
from drape.geometry.geodesics import arc_length, fine_arc_length
from drape.geometry.walk import (
    SAME_SIDE,
    Patches,
    evaluate,
    has_creases,
    step_weights,
    walk,
    walk_on,
)
from drape.net.facets import agree, facet_distance, facets_agree, folded_length, meet
from drape.net.grid import FAILED, KNOWN, LOCKED, ON_FACETS, OUTSIDE, STUCK

FOLDED = 0.5  # cosine between facets of a cell: past it the cell is larger than a fold
SMALLEST_ANGLE = np.radians(4.0)  # a cell closed further than this can't be solved reliably


@kernel
def turn(p: Floats1, q: Floats1, r: Floats1, n: Floats1) -> float:
    """Signed area (twice) of the triangle of three rows, seen against the normal of ``n``."""
    ax, ay, az = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    bx, by, bz = r[0] - p[0], r[1] - p[1], r[2] - p[2]
    cx, cy, cz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    return cx * n[3] + cy * n[4] + cz * n[5]


@kernel
def solve_on_facets(
    patches: Patches,
    a_face: int,
    a: Floats1,
    b_face: int,
    b: Floats1,
    c: Floats1,
    du: float,
    dv: float,
    d: Floats1,
) -> tuple[int, int]:
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
def is_folded(patches: Patches, p_face: int, p: Floats1, q: Floats1) -> bool:
    """Whether a crease lies between two rows."""
    if agree(p, q) >= SAME_SIDE or not has_creases(patches):
        return False
    return not np.isnan(folded_length(patches, p_face, p, q))


@kernel
def may_fold(
    patches: Patches, a_face: int, a: Floats1, b_face: int, b: Floats1, c: Floats1, d: Floats1
) -> bool:
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
def solve_smooth(
    patches: Patches,
    a_face: int,
    a: Floats1,
    b_face: int,
    b: Floats1,
    c: Floats1,
    du: float,
    dv: float,
    d: Floats1,
    scratch: Floats2,
) -> tuple[int, int]:
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
def fall_back(
    patches: Patches,
    a_face: int,
    a: Floats1,
    b_face: int,
    b: Floats1,
    c: Floats1,
    du: float,
    dv: float,
    d: Floats1,
) -> tuple[int, int]:
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
def solve_creased(
    patches: Patches,
    a_face: int,
    a: Floats1,
    b_face: int,
    b: Floats1,
    c: Floats1,
    du: float,
    dv: float,
    d: Floats1,
    scratch: Floats2,
) -> tuple[int, int]:
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
def solve_cell(
    patches: Patches,
    a_face: int,
    a: Floats1,
    b_face: int,
    b: Floats1,
    c: Floats1,
    du: float,
    dv: float,
    d: Floats1,
    scratch: Floats2,
) -> tuple[int, int]:
    """Find node D with arc lengths A-D = du and B-D = dv on the far side of A-B from C.

    Fills row ``d``; returns (face, state).
    """
    if has_creases(patches):
        return solve_creased(patches, a_face, a, b_face, b, c, du, dv, d, scratch)
    face, state = solve_smooth(patches, a_face, a, b_face, b, c, du, dv, d, scratch)
    if state == STUCK:
        return fall_back(patches, a_face, a, b_face, b, c, du, dv, d)
    return face, state
