"""Kernels: what the edges of a smooth surface say about its normals and curvatures.

An edge is a chord, length L, unit direction t, of the surface's curve above it. Let n be the
unit normals at its ends p and q, and k the normal curvatures along t there, k > 0 where the
surface bends towards n. Along a curve of arc length s the slope of the normal against the chord
is a smooth function f(s) = t·n(s), whose integral over the curve is 0 because both ends lie
on the chord, up to the fourth order; its derivative is −k. The trapezium rule with its end
correction (Euler and Maclaurin's first term) gives L (f_p + f_q)/2 − L² (f'_q − f'_p)/12 = 0, so

    t·(n_p + n_q) = −(k_q − k_p) L / 6                                                        (1)

The derivation is ours; the rule is common knowledge. (1) has no error at all on planes, spheres
and circular cylinders, for chords of any length and direction, with a right side of 0.

(1) alone leaves normals that lean to and fro from vertex to vertex, wherever edges form no odd
rings. The edge's own curvature k_e = t·(n_p − n_q)/L should lie between k_p and k_q:

    t·(n_p − n_q) = L k*,   k* = k_e clipped to the middle quarter of k_p … k_q              (2)

and where an edge runs across a face from rim to rim, with no vertex between that could tell
whether it bulges, it is taken to be straight: t·(n_p − n_q) = 0                             (3)

k_p = II_p(t, t) with the second fundamental form II from all edges that meet at p. Directions
and the normals' change are carried from the chord to p by the rotation that takes the mean normal
to n_p: exact on spheres and cylinders. At tangent joins k jumps and II is a mean of both sides;
the change k_q − k_p is therefore limited as slopes are in schemes for conservation laws
(``minmod``, common knowledge): 2 minmod(k_e − k_p, k_q − k_e), 0 where one half is 0. It is also
at most 2 k_e: on long edges between short ones, where k_p says little about the long one, the
iteration would grow.

Weights are 1/variance over FLOOR²: (1) is off by a share of the turn between the normals and by
the rounding of coordinates ε/L; (2) by a larger share, and not used where an edge misses it by
far more (straight between two bends); (3) likewise. Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bytes1, Floats1, Floats2, Floats3, Ints32x2, local_vector
from drape.geometry.fitting import frame

FLOOR = 0.02  # radians of turn below which (1) is trusted no more
SHARE = 1e-3  # of the turn: how far (1) is off; measured on cones, tori and ellipsoids
TO_AND_FRO = 0.2  # weight of (2) beside (1)
FADES = 0.03  # of the turn: a misfit of (2) past which it counts for less
STRAIGHT = 0.1  # weight of (3) beside (1)
BENDS = 0.02  # radians: a turn along the edge past which (3) counts for less
MIDDLE = 0.25
JUMPS = 0.7  # of the larger curvature: a change over an edge that may be a jump
UNSURE = 0.04  # share of what such a jump does to (1) that weighs against it; by trial
OWN_BEND = 0.3  # of an edge: what counts, at most, as leaning to and fro
RIDGE = 1e-6  # on the forms: no bending in directions that no edge has
CARRIED = 10  # figures of an edge, see ``carry_edge``


@kernel
def smaller(a: float, b: float) -> float:
    """Minmod: the one nearer 0 of two numbers of the same sign, else 0."""
    if a * b <= 0.0:
        return 0.0
    return a if abs(a) < abs(b) else b


@kernel
def carry_edge(axes: Floats3, p: int, q: int, along: Floats1, length: float, out: Floats1) -> None:
    """Fill ``out`` with the edge as its two ends see it in their tangent planes.

    ``axes`` (s, 3, 3): two tangents and the normal of each sector; ``along`` (3,) the edge's
    direction. ``out`` (CARRIED,): its two components at p, those of −dn/L at p, the same four
    at q, the edge's own curvature k_e, the turn between the normals.
    """
    square = 0.0
    for c in range(3):
        square += (axes[p, 2, c] + axes[q, 2, c]) ** 2
    size = 1.0 / np.sqrt(max(square, 1e-300))
    lean = change = turn = own = 0.0
    for c in range(3):
        mean = size * (axes[p, 2, c] + axes[q, 2, c])
        d = axes[p, 2, c] - axes[q, 2, c]
        lean += along[c] * mean
        change += d * mean
        own += along[c] * d
        turn += d * d
    square = 0.0
    for c in range(3):
        square += (along[c] - lean * size * (axes[p, 2, c] + axes[q, 2, c])) ** 2
    scale = 1.0 / np.sqrt(max(square, 1e-300))
    for end in range(2):
        i = p if end == 0 else q
        tilt = rise = one = 0.0
        for c in range(3):
            mean = size * (axes[p, 2, c] + axes[q, 2, c])
            one += mean * axes[i, 2, c]
            tilt += scale * (along[c] - lean * mean) * axes[i, 2, c]
            rise += (axes[p, 2, c] - axes[q, 2, c] - change * mean) * axes[i, 2, c]
        tilt, rise = tilt / (1.0 + one), rise / (1.0 + one)
        for k in range(2):
            x = g = 0.0
            for c in range(3):
                mean = size * (axes[p, 2, c] + axes[q, 2, c])
                x += (scale * (along[c] - lean * mean) - tilt * mean) * axes[i, k, c]
                d = axes[p, 2, c] - axes[q, 2, c] - change * mean
                g += (d - rise * mean) * axes[i, k, c]
            out[4 * end + k], out[4 * end + 2 + k] = x, g / length
    out[8], out[9] = own / length, np.sqrt(turn)


@entry(writes="axes")
def set_axes(normals: Floats2, axes: Floats3) -> None:
    """Fill ``axes`` (s, 3, 3) with tangents and normal of each sector."""
    for i in range(normals.shape[0]):
        frame(normals[i, 0], normals[i, 1], normals[i, 2], axes[i])


@entry(writes="sums forms")
def fit_forms(
    ends: Ints32x2, along: Floats2, lengths: Floats1, axes: Floats3, sums: Floats2, forms: Floats2
) -> None:
    """Fill ``forms`` (s, 3): second fundamental forms uu, uv, vv, 1/mm, from the edges.

    Least squares of −dn = II r over the edges that meet at a sector, divided by their
    lengths. ``sums`` (s, 6) is scratch.
    """
    sums[:] = 0.0
    edge = local_vector(CARRIED)
    for e in range(ends.shape[0]):
        carry_edge(axes, ends[e, 0], ends[e, 1], along[e], lengths[e], edge)
        for end in range(2):
            i = ends[e, end]
            x, y = edge[4 * end], edge[4 * end + 1]
            g, h = edge[4 * end + 2], edge[4 * end + 3]
            sums[i, 0] += x * x
            sums[i, 1] += x * y
            sums[i, 2] += y * y
            sums[i, 3] += x * g
            sums[i, 4] += y * g + x * h
            sums[i, 5] += y * h
    for i in range(forms.shape[0]):  # elimination: the matrix has three diagonals
        a, b, c = sums[i, 0] + RIDGE, sums[i, 1], sums[i, 2] + RIDGE
        middle = sums[i, 0] + c - b * b / a
        right = sums[i, 4] - b / a * sums[i, 3]
        forms[i, 2] = (sums[i, 5] - b / middle * right) / (c - b * b / middle)
        forms[i, 1] = (right - b * forms[i, 2]) / middle
        forms[i, 0] = (sums[i, 3] - b * forms[i, 1]) / a


@kernel
def bend(forms: Floats2, i: int, x: float, y: float) -> float:
    """Normal curvature at sector ``i`` along (x, y) of its tangents, 1/mm."""
    return forms[i, 0] * x * x + 2.0 * forms[i, 1] * x * y + forms[i, 2] * y * y


@kernel
def limited_change(before: float, own: float, after: float) -> float:
    """k_q − k_p of an edge, limited; see the module's notes."""
    change = 2.0 * smaller(own - before, after - own)
    most = 2.0 * abs(own)
    return min(max(change, -most), most)


@kernel
def jump_within(before: float, own: float, after: float) -> float:
    """How far (1) may be off where k jumps from one value to another within an edge, 1/mm.

    With a and b beyond its ends, taken from the means there and the edge's own, it jumps
    at the share s of the edge where own = s a + (1 − s) b, and (1) is off by (b − a) s (1 − s).
    0 where a and b are too near each other for a jump, or the jump is at an end.
    """
    a, b = 2.0 * before - own, 2.0 * after - own
    if abs(a - b) <= JUMPS * max(abs(a), abs(b)):
        return 0.0
    share = min(max((own - b) / (a - b), 0.0), 1.0)
    return abs(a - b) * share * (1.0 - share)


@entry(writes="out")
def misfits(
    ends: Ints32x2, along: Floats2, lengths: Floats1, axes: Floats3, forms: Floats2, out: Floats1
) -> None:
    """Fill ``out`` (e,): squares, mm², of how far normals miss (1) and lean to and fro.

    They lean to and fro where an edge bends more, or less, than both its ends: that alone tells
    normals apart that satisfy (1), where k jumps within an edge. No more than the edge's own
    bend counts: straight ones between two bends are right.
    """
    edge = local_vector(CARRIED)
    for e in range(ends.shape[0]):
        p, q = ends[e, 0], ends[e, 1]
        carry_edge(axes, p, q, along[e], lengths[e], edge)
        before, after = bend(forms, p, edge[0], edge[1]), bend(forms, q, edge[4], edge[5])
        first = limited_change(before, edge[8], after) * lengths[e] / 6.0
        for c in range(3):
            first += along[e, c] * (axes[p, 2, c] + axes[q, 2, c])
        lean = abs(smaller(edge[8] - before, edge[8] - after))
        lean = lengths[e] * min(lean, OWN_BEND * abs(edge[8]))
        out[e] = (first * first + lean * lean) * lengths[e] ** 2


@entry(writes="rows right blocks")
def write_equations(
    ends: Ints32x2,
    along: Floats2,
    lengths: Floats1,
    across: Bytes1,
    rounding: float,
    corrected: bool,
    axes: Floats3,
    forms: Floats2,
    rows: Floats2,
    right: Floats2,
    blocks: Floats2,
) -> None:
    """Fill the normal equations of (1), (2), (3), linear in the sectors' turns x (s, 2).

    ``across`` (e,): 1 where (3) holds; ``rounding``: of coordinates, mm; ``corrected``: with
    (1)'s right side. ``rows`` (e, 6): t in the tangents at p and at q, the weights' sum and
    difference of t·(dn_p + dn_q) and t·(dn_p − dn_q); ``right`` (s, 2); ``blocks`` (s, 3):
    the matrix's own 2 × 2 block of each sector, uu, uv, vv.
    """
    right[:] = 0.0
    blocks[:] = 0.0
    edge = local_vector(CARRIED)
    for e in range(ends.shape[0]):
        p, q, length = ends[e, 0], ends[e, 1], lengths[e]
        carry_edge(axes, p, q, along[e], length, edge)
        before, after = bend(forms, p, edge[0], edge[1]), bend(forms, q, edge[4], edge[5])
        own, turn = edge[8], edge[9]
        first = 0.0
        for c in range(3):
            first += along[e, c] * (axes[p, 2, c] + axes[q, 2, c])
        if corrected:
            first += limited_change(before, own, after) * length / 6.0
        mean, reach = 0.5 * (before + after), 0.5 * MIDDLE * abs(before - after)
        second = length * (own - min(max(own, mean - reach), mean + reach))
        trusted = FLOOR * FLOOR / (FLOOR * FLOOR + turn * turn)
        noise = rounding / (length * SHARE)
        if corrected:
            noise += UNSURE * jump_within(before, own, after) * length / SHARE
        plus = FLOOR * FLOOR / (FLOOR * FLOOR + turn * turn + noise * noise)
        missed = (second / (FADES * (FLOOR + turn))) ** 2
        weak = trusted * (TO_AND_FRO / (1.0 + missed * missed)) ** 2
        straight = 0.0
        if across[e] != 0:
            straight = trusted * (STRAIGHT / (1.0 + (length * own / BENDS) ** 2)) ** 2
        minus = weak + straight
        rows[e, 4], rows[e, 5] = plus + minus, plus - minus
        lean = weak * second + straight * length * own
        for end in range(2):
            i = ends[e, end]
            x = y = 0.0
            for c in range(3):
                x += along[e, c] * axes[i, 0, c]
                y += along[e, c] * axes[i, 1, c]
            pull = plus * first + (lean if end == 0 else -lean)
            right[i, 0] -= pull * x
            right[i, 1] -= pull * y
            blocks[i, 0] += (plus + minus) * x * x
            blocks[i, 1] += (plus + minus) * x * y
            blocks[i, 2] += (plus + minus) * y * y
            rows[e, 2 * end], rows[e, 2 * end + 1] = x, y
