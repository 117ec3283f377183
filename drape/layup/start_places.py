"""Places where plies are started, and their spacing. mm."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial import cKDTree

from drape.errors import Finding, InputError
from drape.geometry.patches import row_of
from drape.geometry.surface import Floats, Surface, SurfacePoint
from drape.mould.region import Region

FAR_START = 5.0  # mm off the cavity: refused
NEAR_START = 0.1  # mm off the cavity: not reported
FINEST, COARSEST = 0.5, 3.0  # mm, spacings chosen automatically


def chosen_spacing(region: Region) -> float:
    """Spacing that puts about 150 yarns across the region, in quarters of a mm."""
    side = float(np.sqrt(region.surface.face_areas[region.inside].sum()))
    return float(np.clip(np.round(4.0 * side / 150.0) / 4.0, FINEST, COARSEST))


def place_of(surface: Surface, point: SurfacePoint) -> tuple[Floats, Floats]:
    """Position (3,) and unit normal (3,) of a place on the smooth surface."""
    row = row_of(surface, point)
    return row[:3].copy(), row[3:6].copy()


def nearest(region: Region, point: Sequence[float], where: str):
    """The place on the region nearest to a point (3,) mm, and findings.

    Raises
    ------
    InputError
        The point is more than FAR_START mm away.
    """
    surface, target = region.surface, np.asarray(point, dtype=float)
    faces = np.flatnonzero(region.inside)
    middles = surface.vertices[surface.faces[faces]].mean(axis=1)
    tree = cKDTree(middles)
    reach = np.linalg.norm(surface.vertices[surface.faces[faces]] - middles[:, None], axis=2)
    near = tree.query_ball_point(target, tree.query(target)[0] + 2.0 * float(reach.max()))
    corners = surface.vertices[surface.faces[faces[near]]]
    weights, distance = _closest_on_triangles(target, corners)
    best = int(np.argmin(distance))
    if distance[best] > FAR_START:
        raise InputError(
            "the start point isn't on the cavity",
            value=f"{distance[best]:.1f} mm away",
            limit=f"up to {FAR_START:g} mm",
            remedy='give a point on the cavity, or start = "auto"',
            where=where,
        )
    place = SurfacePoint(int(faces[near[best]]), *map(float, weights[best, 1:]))
    if distance[best] <= NEAR_START:
        return place, ()
    message = f"the start point was moved {distance[best]:.2f} mm onto the cavity"
    return place, (Finding("warning", (where,), message, "check its coordinates"),)


def _closest_on_triangles(target: Floats, corners: Floats) -> tuple[Floats, Floats]:
    """Weights (k, 3) of the closest points on triangles (k, 3, 3), and distances (k,)."""
    a, ab, ac = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    gap = target - a
    d11, d12, d22 = (np.einsum("ij,ij->i", *p) for p in ((ab, ab), (ab, ac), (ac, ac)))
    r1, r2 = np.einsum("ij,ij->i", gap, ab), np.einsum("ij,ij->i", gap, ac)
    det = np.maximum(d11 * d22 - d12 * d12, 1e-30)
    s, t = (r1 * d22 - r2 * d12) / det, (r2 * d11 - r1 * d12) / det
    weights = np.stack([1.0 - s - t, s, t], axis=1)
    best, distance = weights.copy(), np.full(len(a), np.inf)
    within = (weights >= 0.0).all(axis=1)
    position = np.einsum("ki,kij->kj", weights, corners)
    distance[within] = np.linalg.norm(position - target, axis=1)[within]
    for k in range(3):
        p, q = corners[:, k], corners[:, (k + 1) % 3]
        share = np.einsum("ij,ij->i", target - p, q - p)
        share = np.clip(share / np.maximum(((q - p) ** 2).sum(axis=1), 1e-30), 0.0, 1.0)
        gap_here = np.linalg.norm(p + share[:, None] * (q - p) - target, axis=1)
        closer = gap_here < distance
        edge = np.zeros_like(weights)
        edge[:, k], edge[:, (k + 1) % 3] = 1.0 - share, share
        best[closer], distance[closer] = edge[closer], gap_here[closer]
    return best, distance
