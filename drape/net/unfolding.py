"""Compiled kernels for cells that a crease crosses: unfolded at their first corner.

The walks from there to the three others span a bilinear chart; a place on the chart is the
end of the walk with that vector. Lengths in mm.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import kernel
from drape.compiling.words import Floats1, Floats2, Floats3, Ints2, local_matrix, local_vector
from drape.geometry.walk import ROW, Patches, copy
from drape.net.facets import facet_axes, facet_log, straight


@kernel
def cell_chart(
    patches: Patches, rows: Floats3, faces: Ints2, i: int, j: int, chart: Floats2, axes: Floats2
) -> bool:
    """Fill ``chart`` (3, 3): ways to (i + 1, j), to (i, j + 1), and what (i + 1, j + 1) adds.

    In the facet of node (i, j), whose ``axes`` are filled too. Returns whether all exist.
    """
    face, row, end = faces[i, j], rows[i, j], local_vector(ROW)
    facet_axes(patches, face, axes)
    one = facet_log(patches, face, row, rows[i + 1, j], chart[0], end)[0]
    two = facet_log(patches, face, row, rows[i, j + 1], chart[1], end)[0]
    both = facet_log(patches, face, row, rows[i + 1, j + 1], chart[2], end)[0]
    for c in range(3):
        chart[2, c] -= chart[0, c] + chart[1, c]
    return not (np.isnan(one) or np.isnan(two) or np.isnan(both))


@kernel
def place_folded(
    patches: Patches, rows: Floats3, faces: Ints2, i: int, j: int, s: float, t: float, out: Floats1
) -> bool:
    """Fill ``out`` (3,) with the place at shares (s, t) of a folded cell; whether it is there."""
    chart, axes, way = local_matrix(3, 3), local_matrix(3, 3), local_vector(3)
    row, ahead, left = local_vector(ROW), local_vector(3), local_vector(3)
    if not cell_chart(patches, rows, faces, i, j, chart, axes):
        return False
    size = 0.0
    for c in range(3):
        way[c] = s * chart[0, c] + t * chart[1, c] + s * t * chart[2, c]
        size += way[c] ** 2
    if size < 1e-24:
        copy(rows[i, j], out)
        return True
    b1, b2 = rows[i, j, 12], rows[i, j, 13]
    arrived = straight(patches, faces[i, j], b1, b2, way, row, ahead, left, axes)[1]
    copy(row, out)
    return arrived


@kernel
def locate_folded(
    patches: Patches, rows: Floats3, faces: Ints2, i: int, j: int, point: Floats1
) -> tuple[float, float]:
    """Shares (s, t) of a point on a folded cell's chart, NaN where no walk reaches it."""
    chart, axes = local_matrix(3, 3), local_matrix(3, 3)
    way, to, end = local_vector(3), local_vector(ROW), local_vector(ROW)
    if not cell_chart(patches, rows, faces, i, j, chart, axes):
        return np.nan, np.nan
    for c in range(3):
        to[c] = point[c]
    if np.isnan(facet_log(patches, faces[i, j], rows[i, j], to, way, end)[0]):
        return np.nan, np.nan
    s = t = 0.0
    for _ in range(30):
        aa = ab = bb = ra = rb = 0.0
        for c in range(3):
            a, b = chart[0, c] + t * chart[2, c], chart[1, c] + s * chart[2, c]
            r = way[c] - s * chart[0, c] - t * chart[1, c] - s * t * chart[2, c]
            aa += a * a
            ab += a * b
            bb += b * b
            ra += a * r
            rb += b * r
        det = aa * bb - ab * ab
        if det <= 1e-12 * aa * bb:
            return np.nan, np.nan
        ds, dt = (ra * bb - rb * ab) / det, (rb * aa - ra * ab) / det
        s, t = s + ds, t + dt
        if abs(ds) + abs(dt) < 1e-12:
            return s, t
    return np.nan, np.nan
