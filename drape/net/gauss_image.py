"""Compiled kernels: the curvature that a net's cells enclose, with its first moments.

∬K dA over a piece of surface is the signed area of its Gauss image, of what its normals cover
on the unit sphere (Gauss 1828, key ``docarmo1976``). The normals are the patches' own,
Xu × Xv: the interpolated ones that the kernels carry elsewhere are normals of no surface, and
blur where curvature jumps. Where neighbouring patches meet at an angle, great circles join
their normals: what the angle holds of curvature is counted, too.

A cell is divided into ``parts`` × ``parts``; its sides are sampled twice as densely, once for the
two cells they bound, so that sums over blocks are the areas inside the blocks' rims.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bools2, Floats1, Floats2, Floats3, local_vector
from drape.geometry.walk import ROW, Patches, copy, evaluate, step_weights, walk
from drape.net.grid import Grid, at, face_at

PARTS = 4  # of cells
MOST_PARTS = 16  # of cells whose patches are rough: their sides say so
ROUGH = 2e-5  # radians: of a side's bulges, where it counts as rough
STEPS = 6  # of dropping a point, at most
NEAR = 2e-4  # in weights: no smaller step is taken; any place near will do as a sample
SMALL = 0.03  # of a tangent: up to it three terms of the arc's series are exact to 1e-12
SIDE = MOST_PARTS + 2  # rows that hold a side: its bulges' sums, then normals at the parts' ends


@kernel
def patch_normal(row: Floats1, out: Floats1) -> None:
    """Fill ``out`` (3,) with the patch's own unit normal at a row."""
    size = 0.0
    for c in range(3):
        a, b = (c + 1) % 3, (c + 2) % 3
        out[c] = row[6 + a] * row[9 + b] - row[6 + b] * row[9 + a]
        size += out[c] ** 2
    size = np.sqrt(size)
    for c in range(3):
        out[c] /= size


@kernel
def drop(patches: Patches, face: int, row: Floats1, x: float, y: float, z: float) -> int:
    """Move a row, in place, to under the point (x, y, z) near it; returns its face."""
    for _ in range(STEPS):
        d1, d2 = step_weights(row, x - row[0], y - row[1], z - row[2])
        if abs(d1) + abs(d2) < NEAR:
            break
        face, b1, b2, arrived = walk(patches, face, row[12], row[13], d1, d2)
        evaluate(patches, face, b1, b2, row)
        if not arrived:
            break
    return face


@kernel
def spherical_area(a: Floats1, b: Floats1, c: Floats1) -> float:
    """Signed area of the triangle of three unit vectors (van Oosterom & Strackee 1983)."""
    triple = a[0] * (b[1] * c[2] - b[2] * c[1])
    triple += a[1] * (b[2] * c[0] - b[0] * c[2])
    triple += a[2] * (b[0] * c[1] - b[1] * c[0])
    ab = a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    ac = a[0] * c[0] + a[1] * c[1] + a[2] * c[2]
    bc = b[0] * c[0] + b[1] * c[1] + b[2] * c[2]
    below = 1.0 + ab + ac + bc
    if abs(triple) < SMALL * below:
        t = triple / below
        return 2.0 * t * (1.0 - t * t * (1.0 / 3.0 - t * t * (0.2 - t * t / 7.0)))
    return 2.0 * np.arctan2(triple, below)


@kernel
def sample_side(
    patches: Patches, face: int, p: Floats1, q: Floats1, parts: int, side: Floats2
) -> None:
    """Fill ``side`` (SIDE, 3) from the samples above the chord from row p (on ``face``) to q.

    Row 0: what the dense samples add on its left to the Gauss image ("bulge"), the same times
    its place along the side, 0 to 1, and its magnitudes' sum. Row 1 + k: normal after k parts.
    """
    row, middle = local_vector(ROW), local_vector(3)
    copy(p, row)
    patch_normal(row, side[1])
    for c in range(3):
        side[0, c] = 0.0
    samples = 2 * parts
    for k in range(1, samples + 1):
        s = k / samples
        if k < samples:
            x, y, z = p[0] + s * (q[0] - p[0]), p[1] + s * (q[1] - p[1]), p[2] + s * (q[2] - p[2])
            face = drop(patches, face, row, x, y, z)
        else:
            copy(q, row)
        if k % 2 == 1:
            patch_normal(row, middle)
        else:
            patch_normal(row, side[1 + k // 2])
            bulge = spherical_area(side[k // 2], middle, side[1 + k // 2])
            side[0, 0] += bulge
            side[0, 1] += bulge * (s - 1.0 / samples)
            side[0, 2] += abs(bulge)


@kernel
def sample_row(
    patches: Patches, grid: Grid, i: int, wanted: Bools2, parts: int, sides: Floats3, base: int
) -> None:
    """Sample the weft sides between the nodes (i, ·) that bound a wanted cell."""
    for j in range(wanted.shape[1]):
        below, above = i > 0, i < wanted.shape[0]
        if (below and wanted[i - 1, j]) or (above and wanted[i, j]):
            one, two = grid.rows[at(grid, i, j)], grid.rows[at(grid, i, j + 1)]
            sample_side(patches, face_at(grid, i, j), one, two, parts, sides[base + j])


@kernel
def add_part(
    a: Floats1, b: Floats1, c: Floats1, d: Floats1, s: float, t: float, out: Floats1
) -> None:
    """Add to ``out`` (3,) the area of a spherical quadrilateral, and times s, times t."""
    area = spherical_area(a, b, c) + spherical_area(a, c, d)
    out[0] += area
    out[1] += area * s
    out[2] += area * t


@kernel
def cell_moments(
    patches: Patches,
    grid: Grid,
    i: int,
    j: int,
    parts: int,
    low: Floats2,
    high: Floats2,
    left: Floats2,
    right: Floats2,
    before: Floats2,
    here: Floats2,
    out: Floats1,
) -> None:
    """Fill ``out`` (3,) with ∬K, ∬K s, ∬K t of a cell (s, t: 0 to 1 along warp and weft).

    Sides as of ``sample_side``: warp sides ``low`` and ``high`` (at j and j + 1), weft sides
    ``left`` and ``right`` (at i and i + 1). ``before``, ``here`` (SIDE, 3): scratch.
    """
    a, b = grid.rows[at(grid, i, j)], grid.rows[at(grid, i + 1, j)]
    c, d = grid.rows[at(grid, i, j + 1)], grid.rows[at(grid, i + 1, j + 1)]
    row, face = local_vector(ROW), face_at(grid, i, j)
    copy(a, row)
    for k in range(3):
        out[k] = 0.0
    for m in range(parts + 1):
        copy(left[1 + m], before[m])
    for k in range(1, parts + 1):
        s = k / parts
        copy(low[1 + k], here[0])
        copy(high[1 + k], here[parts])
        for m in range(1, parts):
            if k == parts:
                copy(right[1 + m], here[m])
                continue
            n = m if k % 2 == 1 else parts - m  # to and fro, so that each is near the last
            t = n / parts
            w0, w1, w2, w3 = (1.0 - s) * (1.0 - t), s * (1.0 - t), (1.0 - s) * t, s * t
            x = w0 * a[0] + w1 * b[0] + w2 * c[0] + w3 * d[0]
            y = w0 * a[1] + w1 * b[1] + w2 * c[1] + w3 * d[1]
            z = w0 * a[2] + w1 * b[2] + w2 * c[2] + w3 * d[2]
            face = drop(patches, face, row, x, y, z)
            patch_normal(row, here[n])
        for m in range(parts):
            t = (m + 0.5) / parts
            add_part(before[m], here[m], here[m + 1], before[m + 1], s - 0.5 / parts, t, out)
        for m in range(parts + 1):
            copy(here[m], before[m])
    # curvature is linear within the parts, not constant
    for k in range(1, 3):
        out[k] = 0.5 * out[0] + (out[k] - 0.5 * out[0]) / (1.0 - 1.0 / parts**2)
    out[0] += low[0, 0] - high[0, 0] - left[0, 0] + right[0, 0]
    out[1] += low[0, 1] - high[0, 1] + right[0, 0]
    out[2] += right[0, 1] - left[0, 1] - high[0, 0]


@entry(writes="moments rough wefts warps")
def curvature_moments(
    patches: Patches,
    grid: Grid,
    wanted: Bools2,
    parts: int,
    wefts: Floats3,
    warps: Floats3,
    moments: Floats3,
    rough: Bools2,
) -> None:
    """Fill ``moments`` (3, p − 1, q − 1) with ∬K, ∬K s, ∬K t of the ``wanted`` cells.

    ``rough`` (p − 1, q − 1): of these, the ones with a side on which patches are rough; both
    cells of such a side are. Other cells are left as they were. ``parts``: up to MOST_PARTS;
    ``wefts`` (2 (q − 1), SIDE, 3), ``warps`` (4, SIDE, 3): scratch.
    """
    p, q = wanted.shape[0], wanted.shape[1]
    out = local_vector(3)
    sample_row(patches, grid, 0, wanted, parts, wefts, 0)
    for i in range(p):
        one, two = (i % 2) * q, (1 - i % 2) * q
        sample_row(patches, grid, i + 1, wanted, parts, wefts, two)
        sampled = -1
        for j in range(q):
            if not wanted[i, j]:
                continue
            for n in range(j, j + 2):
                if n > sampled:
                    a, b = grid.rows[at(grid, i, n)], grid.rows[at(grid, i + 1, n)]
                    sample_side(patches, face_at(grid, i, n), a, b, parts, warps[n % 2])
                    sampled = n
            low, high, left, right = (
                warps[j % 2],
                warps[(j + 1) % 2],
                wefts[one + j],
                wefts[two + j],
            )
            before, here = warps[2], warps[3]
            cell_moments(patches, grid, i, j, parts, low, high, left, right, before, here, out)
            for k in range(3):
                moments[k, i, j] = out[k]
            most = max(max(low[0, 2], high[0, 2]), max(left[0, 2], right[0, 2]))
            rough[i, j] = most > ROUGH
