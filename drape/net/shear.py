"""Compiled kernels that read a net's shear: cell angles, and where creases cross cells.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bytes2, Floats1, Floats2, local_matrix
from drape.geometry.geodesics import arc_length, fine_arc_length
from drape.geometry.walk import ROW, Patches, has_creases
from drape.net.cells import is_folded
from drape.net.facets import folded_length
from drape.net.gauss_image import spherical_area
from drape.net.grid import KNOWN, Grid, at, face_at, state_at


@kernel
def angle_at(
    patches: Patches,
    face: int,
    here: Floats1,
    ahead: Floats1,
    left_face: int,
    left: Floats1,
    far: Floats1,
    du: float,
    dv: float,
) -> float:
    """Warp/weft angle of a cell, radians.

    Rows ``here``, ``ahead``, ``left``, ``far`` of its nodes (i, j), (i + 1, j), (i, j + 1),
    (i + 1, j + 1). From the arc lengths p, q of its diagonals: for a parallelogram
    p² − q² = 4·du·dv·cos ω and p² + q² = 2(du² + dv²); their ratio is used, so that
    curvature cancels to second order. Over a crease the diagonals are walks on the facets.
    """
    p, q = arc_length(here, far), arc_length(left, ahead)
    p, q = (
        over_creases(patches, face, here, far, p),
        over_creases(patches, left_face, left, ahead, q),
    )
    return np.arccos(cosine(p, q, du, dv))


@kernel
def over_creases(patches: Patches, face: int, p: Floats1, q: Floats1, otherwise: float) -> float:
    """Length of the walk on the facets between rows a crease lies between; else ``otherwise``."""
    if not has_creases(patches):
        return otherwise
    over = folded_length(patches, face, p, q)
    return otherwise if np.isnan(over) else over


@kernel
def cosine(p: float, q: float, du: float, dv: float) -> float:
    """Of the angle of a parallelogram with sides du and dv and diagonals p and q."""
    ratio = (p * p - q * q) / (p * p + q * q) * (du * du + dv * dv) / (2.0 * du * dv)
    return min(max(ratio, -1.0), 1.0)


@kernel
def cell_angle(patches: Patches, grid: Grid, i: int, j: int) -> float:
    """As ``angle_at``, of the cell between nodes (i, j) and (i + 1, j + 1) of a grid."""
    return angle_at(
        patches,
        face_at(grid, i, j),
        grid.rows[at(grid, i, j)],
        grid.rows[at(grid, i + 1, j)],
        face_at(grid, i, j + 1),
        grid.rows[at(grid, i, j + 1)],
        grid.rows[at(grid, i + 1, j + 1)],
        grid.u[i + 1] - grid.u[i],
        grid.v[j + 1] - grid.v[j],
    )


@kernel
def measured_angle(patches: Patches, grid: Grid, i: int, j: int, scratch: Floats2) -> float:
    """Mean angle of a cell between its warp and weft sides, diagonals measured by sampling.

    ``cell_angle`` takes the diagonals' lengths from chords and end normals: where curvature
    jumps that is tenths of a degree off. The mean of the angles at a rhombus' corners (those
    at the other two: π less them) is nearer 90° than the diagonals say, by ∬K sin γ / 12 with
    the curvature inside (spherical trigonometry, two sides d and curvature to first order). It is
    taken from the corners' normals: within 0.02° on fillets of 8 mm at 2 mm. ``scratch`` (4, ROW).
    """
    here, far = grid.rows[at(grid, i, j)], grid.rows[at(grid, i + 1, j + 1)]
    ahead, left = grid.rows[at(grid, i + 1, j)], grid.rows[at(grid, i, j + 1)]
    face, left_face = face_at(grid, i, j), face_at(grid, i, j + 1)
    p = over_creases(patches, face, here, far, -1.0)
    q = over_creases(patches, left_face, left, ahead, -1.0)
    folded = p >= 0.0 or q >= 0.0
    if p < 0.0:
        p = fine_arc_length(patches, face, here, far, scratch)
    if q < 0.0:
        q = fine_arc_length(patches, left_face, left, ahead, scratch)
    c = cosine(p, q, grid.u[i + 1] - grid.u[i], grid.v[j + 1] - grid.v[j])
    if folded:  # what curvature there is lies in a corner: the diagonals are all that is known
        return np.arccos(c)
    inside = spherical_area(here[3:6], ahead[3:6], far[3:6])
    inside += spherical_area(here[3:6], far[3:6], left[3:6])
    c *= 1.0 + inside * np.sqrt(1.0 - c * c) / 12.0
    return np.arccos(min(max(c, -1.0), 1.0))


@kernel
def is_whole(grid: Grid, i: int, j: int) -> bool:
    """Whether all corners of the cell between nodes (i, j) and (i + 1, j + 1) are KNOWN."""
    return (
        state_at(grid, i, j) == KNOWN
        and state_at(grid, i + 1, j) == KNOWN
        and state_at(grid, i, j + 1) == KNOWN
        and state_at(grid, i + 1, j + 1) == KNOWN
    )


@entry(writes="shear")
def shear_field(patches: Patches, grid: Grid, shear: Floats2) -> None:
    """Fill ``shear`` (p−1, q−1): π/2 − mean angle of each cell, NaN where incomplete."""
    scratch = local_matrix(4, ROW)
    for i in range(shear.shape[0]):
        for j in range(shear.shape[1]):
            shear[i, j] = np.nan
            if is_whole(grid, i, j):
                shear[i, j] = 0.5 * np.pi - measured_angle(patches, grid, i, j, scratch)


@kernel
def is_cell_folded(patches: Patches, grid: Grid, i: int, j: int) -> bool:
    """Whether a crease crosses the cell between nodes (i, j) and (i + 1, j + 1)."""
    face, here = face_at(grid, i, j), grid.rows[at(grid, i, j)]
    ahead, left = grid.rows[at(grid, i + 1, j)], grid.rows[at(grid, i, j + 1)]
    return (
        is_folded(patches, face, here, grid.rows[at(grid, i + 1, j + 1)])
        or is_folded(patches, face_at(grid, i, j + 1), left, ahead)
        or is_folded(patches, face, here, ahead)
        or is_folded(patches, face, here, left)
    )


@entry(writes="folds")
def mark_folds(patches: Patches, grid: Grid, folds: Bytes2) -> None:
    """Fill ``folds`` (p−1, q−1): 2 where a crease crosses a whole cell, 1 next to one, 0."""
    for i in range(folds.shape[0]):
        for j in range(folds.shape[1]):
            folds[i, j] = 0
    for i in range(folds.shape[0]):
        for j in range(folds.shape[1]):
            if not is_whole(grid, i, j) or not is_cell_folded(patches, grid, i, j):
                continue
            for a in range(max(i - 1, 0), min(i + 2, folds.shape[0])):
                for b in range(max(j - 1, 0), min(j + 2, folds.shape[1])):
                    folds[a, b] = max(folds[a, b], 1)
            folds[i, j] = 2
