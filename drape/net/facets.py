"""Compiled kernels for cells on flat facets: across creases, and where smooth patches fail.

On facets a geodesic is a straight walk that unfolds at edges, so a point at a given
distance and direction is known exactly. A cell's fourth node is where the walks of the
two sides meet; a distance is the walk that ends where it should.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Ints1, local_matrix, local_vector
from drape.geometry.walk import (
    ROW,
    SAME_SIDE,
    Patches,
    copy,
    evaluate,
    has_creases,
    is_crease,
    walk_on,
)

NEAR_ENOUGH = 1e-3  # of a length: how far off the surface the end of a walk may be
ON_EDGE = 1e-6  # in weights: how near to an edge or a corner counts as on it
MOST_IN_FAN = 64  # faces round a vertex


@kernel
def facet_axes(patches: Patches, face: int, axes: Floats2) -> None:
    """Fill ``axes`` (3, 3): edge to corner 1, edge to corner 2, unit normal of the facet."""
    p = patches.control[face]
    for c in range(3):
        axes[0, c] = p[1, c] - p[0, c]
        axes[1, c] = p[2, c] - p[0, c]
    for c in range(3):
        a, b = (c + 1) % 3, (c + 2) % 3
        axes[2, c] = axes[0, a] * axes[1, b] - axes[0, b] * axes[1, a]
    size = np.sqrt(axes[2, 0] ** 2 + axes[2, 1] ** 2 + axes[2, 2] ** 2)
    for c in range(3):
        axes[2, c] /= size


@kernel
def facets_agree(patches: Patches, one: int, two: int) -> float:
    """Cosine between the normals of two facets."""
    first, second = local_matrix(3, 3), local_matrix(3, 3)
    facet_axes(patches, one, first)
    facet_axes(patches, two, second)
    return first[2, 0] * second[2, 0] + first[2, 1] * second[2, 1] + first[2, 2] * second[2, 2]


@kernel
def lay_flat(vector: Floats1, axes: Floats2, length: float) -> bool:
    """Project ``vector`` (3,) into the facet's plane and give it a length, in place."""
    dot = vector[0] * axes[2, 0] + vector[1] * axes[2, 1] + vector[2] * axes[2, 2]
    size = 0.0
    for c in range(3):
        vector[c] -= dot * axes[2, c]
        size += vector[c] ** 2
    size = np.sqrt(size)
    if size == 0.0:
        return False
    for c in range(3):
        vector[c] *= length / size
    return True


@kernel
def turn_in(vector: Floats1, axes: Floats2, angle: float, stretch: float, out: Floats1) -> None:
    """``out`` = ``vector`` turned by ``angle`` in the facet's plane, times ``stretch``."""
    n = axes[2]
    c, s = stretch * np.cos(angle), stretch * np.sin(angle)
    out[0] = c * vector[0] + s * (n[1] * vector[2] - n[2] * vector[1])
    out[1] = c * vector[1] + s * (n[2] * vector[0] - n[0] * vector[2])
    out[2] = c * vector[2] + s * (n[0] * vector[1] - n[1] * vector[0])


@kernel
def straight(
    patches: Patches,
    face: int,
    b1: float,
    b2: float,
    vector: Floats1,
    row: Floats1,
    ahead: Floats1,
    sideways: Floats1,
    axes: Floats2,
) -> tuple[int, bool, bool]:
    """Go by ``vector`` (in the facet's plane) over the facets; fill the end's ``row``.

    ``ahead`` and ``sideways`` (3,) are filled with the unit direction there and the one to
    its left. Returns (face, arrived, whether a crease was crossed).
    """
    facet_axes(patches, face, axes)
    uu = uv = vv = wu = wv = 0.0
    for c in range(3):
        uu += axes[0, c] * axes[0, c]
        uv += axes[0, c] * axes[1, c]
        vv += axes[1, c] * axes[1, c]
        wu += axes[0, c] * vector[c]
        wv += axes[1, c] * vector[c]
    det = uu * vv - uv * uv
    d1, d2 = (wu * vv - wv * uv) / det, (wv * uu - wu * uv) / det
    face, b1, b2, d1, d2, arrived, creased = walk_on(patches, face, b1, b2, d1, d2)
    evaluate(patches, face, b1, b2, row)
    facet_axes(patches, face, axes)
    size = 0.0
    for c in range(3):
        ahead[c] = d1 * axes[0, c] + d2 * axes[1, c]
        size += ahead[c] ** 2
    size = np.sqrt(size)
    if size == 0.0:
        return face, False, creased
    for c in range(3):
        ahead[c] /= size
    for c in range(3):
        a, b = (c + 1) % 3, (c + 2) % 3
        sideways[c] = axes[2, a] * ahead[b] - axes[2, b] * ahead[a]
    return face, arrived, creased


@kernel
def crease_in_fan(patches: Patches, face: int, corner: int, ahead: bool) -> tuple[int, int]:
    """The crease next to a face round its corner, one way: (face, edge), (−1, −1) if none."""
    here, c = face, corner
    for _ in range(MOST_IN_FAN):
        k = c if ahead else (c + 2) % 3
        if is_crease(patches, here, k):
            return here, k
        other, j = int(patches.links[here, k, 0]), int(patches.links[here, k, 1])
        if other < 0 or other == face:
            break
        here, c = other, ((j + 1) % 3 if ahead else j)
    return -1, -1


@kernel
def crease_at(patches: Patches, face: int, b1: float, b2: float, second: bool) -> tuple[int, int]:
    """The crease that a place lies on, as (face on its own side, edge); (−1, −1) if none.

    A place on a corner may lie on two: ``second`` asks for the other one.
    """
    b = (1.0 - b1 - b2, b1, b2)
    for c in range(3):
        if b[c] > 1.0 - ON_EDGE:
            return crease_in_fan(patches, face, c, second)
    for k in range(3):
        if b[(k + 2) % 3] < ON_EDGE and is_crease(patches, face, k) and not second:
            return face, k
    return -1, -1


@kernel
def unfold_about(patches: Patches, face: int, k: int, vector: Floats1, beyond_only: bool) -> float:
    """Unfold ``vector`` (3,) from across crease edge k into the facet, in place.

    Its part square to the edge is measured in the facet across. Returns that part, less
    what points into this facet; the vector is left alone where that is not positive, and
    with ``beyond_only``.
    """
    p, here, there = patches.control[face], local_matrix(3, 3), local_matrix(3, 3)
    facet_axes(patches, face, here)
    facet_axes(patches, int(patches.links[face, k, 0]), there)
    edge, inward = local_vector(3), local_vector(3)
    size = 0.0
    for c in range(3):
        edge[c] = p[(k + 1) % 3, c] - p[k, c]
        size += edge[c] ** 2
    size = np.sqrt(size)
    along = into = over = 0.0
    for c in range(3):
        a, b = (c + 1) % 3, (c + 2) % 3
        inward[c] = (here[2, a] * edge[b] - here[2, b] * edge[a]) / size
        over -= vector[c] * (there[2, a] * edge[b] - there[2, b] * edge[a]) / size
        along += vector[c] * edge[c] / size
        into += vector[c] * inward[c]
    gain = over - max(into, 0.0)
    if gain > 0.0 and not beyond_only:
        for c in range(3):
            vector[c] = along * edge[c] / size - over * inward[c]
    return gain


@kernel
def lay_towards(
    patches: Patches, face: int, b1: float, b2: float, vector: Floats1, axes: Floats2, length: float
) -> bool:
    """As ``lay_flat``; from a place on a crease, vectors over it are unfolded about it.

    On the crease a chord to a point on its other side may be square to this facet.
    """
    f, k = crease_at(patches, face, b1, b2, False)
    g, j = crease_at(patches, face, b1, b2, True)
    first = unfold_about(patches, f, k, vector, True) if f >= 0 else 0.0
    second = unfold_about(patches, g, j, vector, True) if g >= 0 else 0.0
    if max(first, second) > 0.0:
        f, k = (f, k) if first >= second else (g, j)
        unfold_about(patches, f, k, vector, False)
    return lay_flat(vector, axes, length)


@kernel
def facet_log(
    patches: Patches, p_face: int, p: Floats1, q: Floats1, way: Floats1, row: Floats1
) -> tuple[float, bool]:
    """Fill ``way`` (3,) with the vector in the facet of ``p`` whose walk ends at ``q``.

    Newton's method on direction and length. A walk that ends on a crease may see the rest
    square to its facet: it is carried past the crease, or back before it. Points up to
    NEAR_ENOUGH of the length off the surface count as reached.
    Returns (length, whether a crease was crossed), NaN where no walk arrives; ``row`` is
    filled with the end of the walk.
    """
    start, axes = local_matrix(3, 3), local_matrix(3, 3)
    ahead, sideways, trial = local_vector(3), local_vector(3), local_vector(3)
    facet_axes(patches, p_face, start)
    length = 0.0
    for c in range(3):
        way[c] = q[c] - p[c]
        length += way[c] ** 2
    length = np.sqrt(length)
    if length == 0.0:
        return 0.0, False
    if not lay_towards(patches, p_face, p[12], p[13], way, start, length):
        return np.nan, False
    for _ in range(40):
        _face, arrived, creased = straight(
            patches, p_face, p[12], p[13], way, row, ahead, sideways, axes
        )
        if not arrived:
            return np.nan, creased
        along = across = gap = 0.0
        for c in range(3):
            along += (q[c] - row[c]) * ahead[c]
            across += (q[c] - row[c]) * sideways[c]
            gap += (q[c] - row[c]) ** 2
        gap = np.sqrt(gap)
        length = np.sqrt(way[0] ** 2 + way[1] ** 2 + way[2] ** 2)
        if abs(along) + abs(across) < 1e-10 * length and gap < NEAR_ENOUGH * length:
            return length, creased
        if abs(along) + abs(across) < 0.1 * gap:
            along += -gap if creased else gap
        along = max(-0.5 * length, min(0.5 * length, along))
        turn = max(-0.5, min(0.5, across / length))
        turn_in(way, start, turn, (length + along) / length, trial)
        copy(trial, way)
    return np.nan, False


@entry()
def facet_distance(patches: Patches, p_face: int, p: Floats1, q: Floats1) -> float:
    """Distance over the facets from row ``p`` to row ``q``; NaN where no walk arrives."""
    return facet_log(patches, p_face, p, q, local_vector(3), local_vector(ROW))[0]


@kernel
def agree(p: Floats1, q: Floats1) -> float:
    """Cosine between the normals of two rows."""
    return p[3] * q[3] + p[4] * q[4] + p[5] * q[5]


@kernel
def folded_way(patches: Patches, p_face: int, p: Floats1, q: Floats1, way: Floats1) -> float:
    """As ``facet_log``, where a crease lies between two rows (or one lies on it).

    Returns the length; NaN, and the chord in ``way``, where there is no crease between.
    """
    if has_creases(patches) and agree(p, q) < SAME_SIDE:
        end = local_vector(ROW)
        length, creased = facet_log(patches, p_face, p, q, way, end)
        # a walk that ends on the crease from this side sees this side's normal
        if not np.isnan(length) and (creased or agree(end, q) < SAME_SIDE):
            return length
    for c in range(3):
        way[c] = q[c] - p[c]
    return np.nan


@kernel
def folded_length(patches: Patches, p_face: int, p: Floats1, q: Floats1) -> float:
    """Distance over the crease between two rows; NaN where there is none."""
    if agree(p, q) >= SAME_SIDE:
        return np.nan
    return folded_way(patches, p_face, p, q, local_vector(3))


@entry(writes="out")
def folded_lengths(
    patches: Patches, faces: Ints1, start: Floats2, end: Floats2, out: Floats1
) -> None:
    """Fill ``out`` (k,) with facet distances where a crease is crossed, NaN elsewhere."""
    way, row = local_vector(3), local_vector(ROW)
    for k in range(faces.size):
        length, creased = facet_log(patches, faces[k], start[k], end[k], way, row)
        out[k] = length if creased else np.nan


@kernel
def opposite_way(
    patches: Patches,
    face: int,
    a: Floats1,
    b: Floats1,
    c: Floats1,
    axes: Floats2,
    length: float,
    way: Floats1,
) -> bool:
    """Way from A to the fourth corner of the parallelogram C-A-D-B, unfolded at A."""
    to_c, row = local_vector(3), local_vector(ROW)
    first = facet_log(patches, face, a, b, way, row)[0]
    second = facet_log(patches, face, a, c, to_c, row)[0]
    for k in range(3):
        way[k] = b[k] - c[k] if np.isnan(first) or np.isnan(second) else way[k] - to_c[k]
    return lay_towards(patches, face, a[12], a[13], way, axes, length)


@kernel
def meet(
    patches: Patches,
    a_face: int,
    a: Floats1,
    b_face: int,
    b: Floats1,
    c: Floats1,
    du: float,
    dv: float,
    d: Floats1,
) -> tuple[int, bool]:
    """Find node D where walks of lengths du from A and dv from B meet, away from C.

    Newton's method on the two directions. Fills row ``d``; returns (face, found).
    """
    axes_a, axes_b, scrap = local_matrix(3, 3), local_matrix(3, 3), local_matrix(3, 3)
    way_a, way_b, trial = local_vector(3), local_vector(3), local_vector(3)
    ahead, left_a, left_b, other = (
        local_vector(3),
        local_vector(3),
        local_vector(3),
        local_vector(ROW),
    )
    facet_axes(patches, a_face, axes_a)
    facet_axes(patches, b_face, axes_b)
    if not opposite_way(patches, a_face, a, b, c, axes_a, du, way_a):
        return a_face, False
    if not opposite_way(patches, b_face, b, a, c, axes_b, dv, way_b):
        return b_face, False
    for _ in range(40):
        face, here, _ = straight(patches, a_face, a[12], a[13], way_a, d, ahead, left_a, scrap)
        there = straight(patches, b_face, b[12], b[13], way_b, other, ahead, left_b, scrap)[1]
        if not (here and there):
            return face, False
        aa = ab = bb = ra = rb = gap = 0.0
        for k in range(3):
            r = other[k] - d[k]
            gap += r * r
            x, y = du * left_a[k], -dv * left_b[k]
            aa += x * x
            ab += x * y
            bb += y * y
            ra += r * x
            rb += r * y
        if gap < 1e-18 * (du + dv) ** 2:
            return face, True
        det = aa * bb - ab * ab
        if det < 1e-6 * aa * bb:
            return face, False
        turn_a, turn_b = (ra * bb - rb * ab) / det, (rb * aa - ra * ab) / det
        turn_in(way_a, axes_a, max(-0.4, min(0.4, turn_a)), 1.0, trial)
        copy(trial, way_a)
        turn_in(way_b, axes_b, max(-0.4, min(0.4, turn_b)), 1.0, trial)
        copy(trial, way_b)
    return a_face, False
