"""Where to look from: the axes of a ply's view, and how its pattern is turned on the page.

mm.
"""

from __future__ import annotations

import numpy as np

from drape.geometry.arrays import Floats, Ints
from viewers.scene.schema import View

STEEP = 0.9  # cosine of the angle to the way in past which an axis isn't across


def view_into(points: Floats, triangles: Ints) -> View:
    """A view from the hollow into a ply: points (n, 3), triangles (k, 3) that face the hollow."""
    a, b, c = (points[triangles[:, k]] for k in range(3))
    areas = np.cross(b - a, c - a)
    inward = areas.sum(axis=0)
    centre = points.mean(axis=0)
    axes = np.linalg.svd(points - centre, full_matrices=False)[2]  # longest first
    if np.linalg.norm(inward) < 1e-6 * np.linalg.norm(areas, axis=1).sum():
        inward = axes[2]  # closed round the hollow
    inward = inward / np.linalg.norm(inward)
    # in a cup deeper than wide the longest is the way in
    across = next(axis for axis in axes if abs(axis @ inward) < STEEP)
    across = across * np.sign(across[np.abs(across).argmax()])  # else LAPACK chooses which way
    return {
        "inward": inward,
        "across": across,
        "centre": centre,
        "size": float(np.linalg.norm(np.ptp(points, axis=0))),
    }


def long_way(outline: Floats) -> tuple[float, float]:
    """Cosine and sine of the direction in which a flat outline (n, 2) is longest."""
    (xx, xy), (_, yy) = np.cov(outline.T)
    angle = 0.5 * np.arctan2(2.0 * xy, xx - yy)
    return float(np.cos(angle)), float(np.sin(angle))
