"""Compiled kernels that read a net's shear: cell angles, and where creases cross cells.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.cloth.cells import KNOWN, is_folded
from drape.cloth.facets import folded_length
from drape.compiled import kernel
from drape.geometry.geodesics import arc_length
from drape.geometry.kernels import ROW, has_creases


@kernel
def angle_at(patches, faces, rows, du, dv):
    """Warp/weft angle of a cell, radians.

    ``faces`` (4,) and ``rows`` (4, ROW) of its nodes (i, j), (i + 1, j), (i, j + 1),
    (i + 1, j + 1). From the arc lengths p, q of its diagonals: for a parallelogram
    p² − q² = 4·du·dv·cos ω and p² + q² = 2(du² + dv²); their ratio is used, so that
    curvature cancels to second order. Over a crease the diagonals are walks on the facets.
    """
    p, q = arc_length(rows[0], rows[3]), arc_length(rows[2], rows[1])
    if has_creases(patches):
        far = folded_length(patches, faces[0], rows[0], rows[3])
        near = folded_length(patches, faces[2], rows[2], rows[1])
        p, q = p if np.isnan(far) else far, q if np.isnan(near) else near
    ratio = (p * p - q * q) / (p * p + q * q) * (du * du + dv * dv) / (2.0 * du * dv)
    return np.arccos(min(max(ratio, -1.0), 1.0))


@kernel
def cell_angle(patches, grid, i, j):
    """As ``angle_at``, of the cell between nodes (i, j) and (i + 1, j + 1) of a grid."""
    faces, rows = np.empty(4, np.int64), np.empty((4, ROW))
    for k in range(4):
        faces[k] = grid.faces[i + k % 2, j + k // 2]
        rows[k] = grid.rows[i + k % 2, j + k // 2]
    return angle_at(patches, faces, rows, grid.u[i + 1] - grid.u[i], grid.v[j + 1] - grid.v[j])


@kernel
def shear_field(patches, grid, shear):
    """Fill ``shear`` (p−1, q−1): π/2 − angle at each cell's centre, NaN where incomplete."""
    state = grid.state
    for i in range(shear.shape[0]):
        for j in range(shear.shape[1]):
            shear[i, j] = np.nan
            if (
                state[i, j] == KNOWN
                and state[i + 1, j] == KNOWN
                and state[i, j + 1] == KNOWN
                and state[i + 1, j + 1] == KNOWN
            ):
                shear[i, j] = 0.5 * np.pi - cell_angle(patches, grid, i, j)


@kernel
def mark_folds(patches, grid, folds):
    """Fill ``folds`` (p−1, q−1): 2 where a crease crosses a whole cell, 1 next to one, 0."""
    f, rows = grid.faces, grid.rows
    for i in range(folds.shape[0]):
        for j in range(folds.shape[1]):
            folds[i, j] = 0
    for i in range(folds.shape[0]):
        for j in range(folds.shape[1]):
            if not (
                grid.state[i, j] == KNOWN
                and grid.state[i + 1, j] == KNOWN
                and grid.state[i, j + 1] == KNOWN
                and grid.state[i + 1, j + 1] == KNOWN
            ):
                continue
            if (
                is_folded(patches, f[i, j], rows[i, j], rows[i + 1, j + 1])
                or is_folded(patches, f[i, j + 1], rows[i, j + 1], rows[i + 1, j])
                or is_folded(patches, f[i, j], rows[i, j], rows[i + 1, j])
                or is_folded(patches, f[i, j], rows[i, j], rows[i, j + 1])
            ):
                for a in range(max(i - 1, 0), min(i + 2, folds.shape[0])):
                    for b in range(max(j - 1, 0), min(j + 2, folds.shape[1])):
                        folds[a, b] = max(folds[a, b], 1)
                folds[i, j] = 2
