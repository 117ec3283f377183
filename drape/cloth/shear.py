"""Compiled kernels that read a net's shear: cell angles, and where creases cross cells.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.cloth.cells import KNOWN, is_folded
from drape.cloth.facets import folded_length
from drape.compiled import kernel
from drape.geometry.geodesics import arc_length
from drape.geometry.kernels import has_creases


@kernel
def cell_angle(patches, grid, i, j):
    """Warp/weft angle of the cell between nodes (i, j) and (i + 1, j + 1), radians.

    From the arc lengths p, q of its diagonals: for a parallelogram
    p² − q² = 4·du·dv·cos ω and p² + q² = 2(du² + dv²); their ratio is used, so that
    curvature cancels to second order. Over a crease the diagonals are walks on the facets.
    """
    a, b = grid.rows[i, j + 1], grid.rows[i + 1, j]
    c, d = grid.rows[i, j], grid.rows[i + 1, j + 1]
    du, dv = grid.u[i + 1] - grid.u[i], grid.v[j + 1] - grid.v[j]
    p, q = arc_length(c, d), arc_length(a, b)
    if not has_creases(patches):
        ratio = (p * p - q * q) / (p * p + q * q) * (du * du + dv * dv) / (2.0 * du * dv)
        return np.arccos(min(max(ratio, -1.0), 1.0))
    far = folded_length(patches, grid.faces[i, j], c, d)
    near = folded_length(patches, grid.faces[i, j + 1], a, b)
    p, q = p if np.isnan(far) else far, q if np.isnan(near) else near
    ratio = (p * p - q * q) / (p * p + q * q) * (du * du + dv * dv) / (2.0 * du * dv)
    return np.arccos(min(max(ratio, -1.0), 1.0))


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
