"""Places to start a ply from: spread over its region, opposite a place, and beside one.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse.csgraph import dijkstra

from drape.geometry.patches import make_patches, shoot
from drape.geometry.surface import Floats, SurfacePoint, unit
from drape.layup.start_places import place_of
from drape.mould.centre import centre, edge_graph
from drape.mould.region import Region, at_vertex

AWAY = 0.3  # of the greatest distance from the edges: a start nearer to them isn't tried
SHOOT_STEP = 0.5  # mm, sub-step of geodesics
ON_IT = 1e-9  # of a triangle: outside it by rounding


@dataclass(frozen=True, eq=False)
class Starts:
    """Places spread over a region, the first in its middle.

    Attributes
    ----------
    region : Region
    from_edges : (n,) mm, of each vertex from the region's edges, along the mesh
    least : float, mm from the edges, of any start
    places : tuple of SurfacePoint
    apart : float, mm, least distance between two of them
    """

    region: Region
    from_edges: Floats
    least: float
    places: tuple[SurfacePoint, ...]
    apart: float

    def beside(self, place: SurfacePoint, length: float, count: int) -> tuple[SurfacePoint, ...]:
        """Up to ``count`` places ``length`` mm round one; those too near the edges left out."""
        surface = self.region.surface
        _, normal = place_of(surface, place)
        corner = surface.vertices[surface.faces[place.face]]
        along = unit(np.cross(normal, np.cross(corner[1] - corner[0], normal)))
        turn = 2.0 * np.pi * np.arange(count) / count
        ways = np.outer(np.cos(turn), along) + np.outer(np.sin(turn), np.cross(normal, along))
        faces, rows, reached = shoot(
            make_patches(surface),
            np.full(count, place.face),
            np.tile([place.b1, place.b2], (count, 1)),
            ways,
            np.full(count, length),
            SHOOT_STEP,
        )
        found = (
            SurfacePoint(int(face), float(row[12]), float(row[13]))
            for face, row, far in zip(faces, rows, reached, strict=True)
            if abs(far - length) <= 1e-6
        )
        return tuple(at for at in found if self.allows(at))

    def allows(self, place: SurfacePoint) -> bool:
        """Whether a place is on the region and away from its edges."""
        if not self.region.inside[place.face]:
            return False
        weights = np.array([1.0 - place.b1 - place.b2, place.b1, place.b2])
        far = self.from_edges[self.region.surface.faces[place.face]]
        return bool(weights @ far >= self.least)


def spread_starts(region: Region, count: int) -> Starts:
    """Up to ``count`` vertices, each the farthest from those before it along the mesh."""
    surface = region.surface
    inside = surface.faces[region.inside]
    graph = edge_graph(surface.vertices, inside)
    rim = np.unique(np.concatenate([e.vertices for e in region.edges]))
    from_edges = dijkstra(graph, indices=rim, min_only=True)
    from_edges = np.where(np.isfinite(from_edges), from_edges, 0.0)
    least = AWAY * float(from_edges.max())
    open_ = from_edges >= least
    first = centre(region)
    corner = int(np.argmax([1.0 - first.b1 - first.b2, first.b1, first.b2]))
    vertex = int(surface.faces[first.face, corner])
    places, apart = [first], np.inf
    gap = dijkstra(graph, indices=vertex)
    for _ in range(count - 1):
        far = np.where(open_ & np.isfinite(gap), gap, -1.0)
        vertex = int(np.argmax(far))
        if far[vertex] <= 0.0:
            break
        apart = min(apart, float(far[vertex]))
        places.append(at_vertex(region, vertex))
        gap = np.minimum(gap, dijkstra(graph, indices=vertex))
    return Starts(region, from_edges, least, tuple(places), apart if np.isfinite(apart) else least)


def opposite(region: Region, point: Floats, direction: Floats) -> SurfacePoint | None:
    """Where the straight line through a point (3,) along ``direction`` meets the region's
    facets, nearest to the point; None where it doesn't."""
    faces = np.flatnonzero(region.inside)
    corners = region.surface.vertices[region.surface.faces[faces]] - point
    axis = unit(np.asarray(direction, float))
    across = unit(np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))]))
    flat = corners @ np.stack([across, np.cross(axis, across)], axis=1)
    (ax, ay), (bx, by), (cx, cy) = (flat[:, k].T for k in range(3))
    whole = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
    with np.errstate(divide="ignore", invalid="ignore"):
        one = (cx * ay - cy * ax) / whole
        two = (ax * by - ay * bx) / whole
    met = np.flatnonzero((one >= -ON_IT) & (two >= -ON_IT) & (one + two <= 1.0 + ON_IT))
    if not len(met):
        return None
    weights = np.stack([1.0 - one[met] - two[met], one[met], two[met]], axis=1)
    away = np.abs(np.einsum("ki,kij,j->k", weights, corners[met], axis))
    best = int(np.argmin(away))
    return SurfacePoint(int(faces[met[best]]), float(weights[best, 1]), float(weights[best, 2]))
