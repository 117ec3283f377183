"""Compiled kernels: distance carried on over a fine mesh, from vertices where it is known.

The distance along an edge is interpolated from its ends' distances and directions, and a
vertex gets the least sum of that and the straight way on, in the plane of the triangle
between (jet marching, Potter & Cameron 2021, key ``potter2021``; here with interpolated
squares, exact for straight and circular fronts in the plane). Intrinsic, so that creases
cost nothing.

Lengths in mm, angles in radians. Corner k of a face has edge k ahead of it.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bools1, Floats1, Floats2, Ints1, Ints2
from drape.geometry.fans import apex, corner_angle

MOST_SWEEPS = 60
SAME = 1e-6  # mm: smaller changes aren't passed on
KINK = 0.3  # change of the slope along an edge that one smooth front doesn't explain
GOLDEN = 0.6180339887498949
SAMPLES = 4  # parts that an edge is divided in to look for the least
CUTS = 7  # of the golden section after that


@kernel
def on_edge(t: float, length: float, da: float, db: float, sa: float, sb: float) -> float:
    """Distance at share t of an edge, from distances and slopes (per mm, along it)."""
    u = 1.0 - t
    from_a, from_b = da + sa * t * length, db - sb * u * length
    if sa - sb > KINK:  # two fronts meet on it
        return min(from_a, from_b)
    e = da * da * u * u * (1.0 + 2.0 * t) + db * db * t * t * (3.0 - 2.0 * t)
    e += 2.0 * length * t * u * (da * sa * u - db * sb * t)
    d = np.sqrt(max(e, 0.0))
    return max(d, from_a, from_b) if sb - sa > KINK else d


@kernel
def way(
    t: float, length: float, da: float, db: float, sa: float, sb: float, x: float, y: float
) -> float:
    """Distance of the corner at (x, y) by way of share t of the edge from (0, 0) to (length, 0)."""
    d = on_edge(t, length, da, db, sa, sb)
    return d + np.sqrt((x - t * length) ** 2 + y * y)


@kernel
def least_way(
    length: float, da: float, db: float, sa: float, sb: float, x: float, y: float
) -> tuple[float, float]:
    """The least of ``way``: (distance, share)."""
    best, at = 1e300, 0
    for i in range(SAMPLES + 1):
        d = way(i / SAMPLES, length, da, db, sa, sb, x, y)
        if d < best:
            best, at = d, i
    low, high = max(0, at - 1) / SAMPLES, min(SAMPLES, at + 1) / SAMPLES
    share = at / SAMPLES
    p, q = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
    dp = way(p, length, da, db, sa, sb, x, y)
    dq = way(q, length, da, db, sa, sb, x, y)
    for _ in range(CUTS):
        if dp < dq:
            high, q, dq = q, p, dp
            p = high - GOLDEN * (high - low)
            dp = way(p, length, da, db, sa, sb, x, y)
        else:
            low, p, dp = p, q, dq
            q = low + GOLDEN * (high - low)
            dq = way(q, length, da, db, sa, sb, x, y)
    middle = 0.5 * (low + high)
    d = way(middle, length, da, db, sa, sb, x, y)
    return (d, middle) if d < best else (best, share)


@kernel
def arrive(
    c: int,
    faces: Ints2,
    lengths: Floats2,
    start: Ints1,
    corner: Ints1,
    theta: Floats2,
    scale: Floats1,
    distance: Floats1,
    back: Floats1,
) -> tuple[float, float]:
    """The least distance of vertex ``c`` over all its faces, and the direction back."""
    best, way_back = np.inf, 0.0
    for i in range(start[c], start[c + 1]):
        f, k = corner[i] // 3, corner[i] % 3
        ka, kb = (k + 1) % 3, (k + 2) % 3
        a, b = faces[f, ka], faces[f, kb]
        da, db = distance[a], distance[b]
        ca, cb, length = lengths[f, k], lengths[f, kb], lengths[f, ka]
        angle = corner_angle(lengths, f, k)
        if np.isinf(da) or np.isinf(db):
            if da + ca < best:
                best, way_back = da + ca, theta[f, k]
            if db + cb < best:
                best, way_back = db + cb, theta[f, k] + angle
            continue
        if min(da, db) - length >= best:
            continue
        x, y = apex(lengths, f, ka)
        sa = -np.cos(scale[a] * (back[a] - theta[f, ka]))
        at_b = theta[f, kb] + corner_angle(lengths, f, kb)
        sb = np.cos(scale[b] * (back[b] - at_b))
        d, t = least_way(length, da, db, sa, sb, x, y)
        if d < best:
            turn = np.arctan2(x, y) - np.arctan2(x - t * length, y)
            best, way_back = d, theta[f, k] + turn
    return best, way_back


@entry(writes="active distance back")
def march(
    faces: Ints2,
    lengths: Floats2,
    given: Bools1,
    order: Ints1,
    start: Ints1,
    corner: Ints1,
    theta: Floats2,
    scale: Floats1,
    active: Bools1,
    distance: Floats1,
    back: Floats1,
) -> None:
    """Fill ``distance`` (n,) mm and ``back`` (n,) where they aren't ``given`` (n,).

    ``order``: vertices about from near to far; they are swept until nothing changes.
    ``start`` (n+1,), ``corner`` (3m,): corners (3·face + k) by vertex; ``theta`` (m, 3)
    and ``back``: directions as in ``distance_windows.fans``, times ``scale`` (n,) where a full turn
    is 2π. ``active`` (n,) is scratch.
    """
    for c in range(given.size):
        active[c] = not given[c]
    for _ in range(MOST_SWEEPS):
        quiet = True
        for i in range(order.size):
            c = order[i]
            if not active[c]:
                continue
            active[c] = False
            d, direction = arrive(c, faces, lengths, start, corner, theta, scale, distance, back)
            if np.isinf(d):
                continue
            change, turned = abs(d - distance[c]), abs(direction - back[c])
            distance[c], back[c] = d, direction
            if change > SAME or turned > 1e-4:
                quiet = False
                for n in range(start[c], start[c + 1]):
                    for k in range(3):
                        v = faces[corner[n] // 3, k]
                        active[v] = (not given[v] and v != c) or active[v]
        if quiet:
            break
