"""Compiled kernels for cells on flat facets: across creases, and where smooth patches fail.

On facets a geodesic is a straight walk that unfolds at edges, so a point at a given
distance and direction is known exactly. A cell's fourth node is where the walks of the
two sides meet; a distance is the walk that ends where it should.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.compiled import kernel
from drape.geometry.kernels import evaluate, walk_on


@kernel
def facet_axes(patches, face, axes):
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
def lay_flat(vector, axes, length):
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
def turn_in(vector, axes, angle, stretch, out):
    """``out`` = ``vector`` turned by ``angle`` in the facet's plane, times ``stretch``."""
    n = axes[2]
    c, s = stretch * np.cos(angle), stretch * np.sin(angle)
    out[0] = c * vector[0] + s * (n[1] * vector[2] - n[2] * vector[1])
    out[1] = c * vector[1] + s * (n[2] * vector[0] - n[0] * vector[2])
    out[2] = c * vector[2] + s * (n[0] * vector[1] - n[1] * vector[0])


@kernel
def straight(patches, face, b1, b2, vector, row, ahead, sideways, axes):
    """Go by ``vector`` (in the facet's plane) over the facets; fill the end's ``row``.

    ``ahead`` and ``sideways`` (3,) are filled with the unit direction there and the one to
    its left. Returns (face, arrived).
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
    face, b1, b2, d1, d2, arrived, _ = walk_on(patches, face, b1, b2, d1, d2)
    evaluate(patches, face, b1, b2, row)
    facet_axes(patches, face, axes)
    size = 0.0
    for c in range(3):
        ahead[c] = d1 * axes[0, c] + d2 * axes[1, c]
        size += ahead[c] ** 2
    size = np.sqrt(size)
    if size == 0.0:
        return face, False
    for c in range(3):
        ahead[c] /= size
    for c in range(3):
        a, b = (c + 1) % 3, (c + 2) % 3
        sideways[c] = axes[2, a] * ahead[b] - axes[2, b] * ahead[a]
    return face, arrived


@kernel
def facet_distance(patches, p_face, p, q):
    """Distance over the facets from row ``p`` to row ``q``; NaN where no walk arrives."""
    start, axes = np.empty((3, 3)), np.empty((3, 3))
    ahead, sideways, row = np.empty(3), np.empty(3), np.empty(p.size)
    way, trial = np.empty(3), np.empty(3)
    facet_axes(patches, p_face, start)
    length = 0.0
    for c in range(3):
        way[c] = q[c] - p[c]
        length += way[c] ** 2
    length = np.sqrt(length)
    if length == 0.0:
        return 0.0
    if not lay_flat(way, start, length):
        return np.nan
    for _ in range(30):
        arrived = straight(patches, p_face, p[12], p[13], way, row, ahead, sideways, axes)[1]
        if not arrived:
            return np.nan
        along = across = 0.0
        for c in range(3):
            along += (q[c] - row[c]) * ahead[c]
            across += (q[c] - row[c]) * sideways[c]
        length = np.sqrt(way[0] ** 2 + way[1] ** 2 + way[2] ** 2)
        if abs(along) + abs(across) < 1e-10 * length:
            return length
        along = max(-0.5 * length, min(0.5 * length, along))
        turn = max(-0.5, min(0.5, across / length))
        turn_in(way, start, turn, (length + along) / length, trial)
        way[:] = trial
    return np.nan


@kernel
def meet(patches, a_face, a, b_face, b, c, du, dv, d):
    """Find node D where walks of lengths du from A and dv from B meet, away from C.

    Newton's method on the two directions. Fills row ``d``; returns (face, found).
    """
    axes_a, axes_b, scrap = np.empty((3, 3)), np.empty((3, 3)), np.empty((3, 3))
    way_a, way_b, trial = np.empty(3), np.empty(3), np.empty(3)
    ahead, left_a, left_b, other = np.empty(3), np.empty(3), np.empty(3), np.empty(d.size)
    facet_axes(patches, a_face, axes_a)
    facet_axes(patches, b_face, axes_b)
    for k in range(3):
        way_a[k], way_b[k] = b[k] - c[k], a[k] - c[k]
    if not (lay_flat(way_a, axes_a, du) and lay_flat(way_b, axes_b, dv)):
        return a_face, False
    for _ in range(40):
        face, here = straight(patches, a_face, a[12], a[13], way_a, d, ahead, left_a, scrap)
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
        way_a[:] = trial
        turn_in(way_b, axes_b, max(-0.4, min(0.4, turn_b)), 1.0, trial)
        way_b[:] = trial
    return a_face, False
