"""The middle of a region, found by straight ways along its smooth surface, whatever its mesh.

From a place inside straight ways go out evenly in all directions to the region's edges. Laid flat
in their directions and lengths they span a star; the centre is the place that is the centroid of
its own star. On a flat convex region it is the centroid. It is found by going to the star's
centroid again and again. Straight ways are geodesics of the smooth surface, so that two
tessellations of a surface have the same centre, as near as their facets deviate from it.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import replace
from weakref import WeakKeyDictionary

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import dijkstra

from drape.geometry.arrays import Floats, Ints
from drape.geometry.patches import make_patches, rows_at, shoot
from drape.geometry.surface import Surface, SurfacePoint, build, unit
from drape.mould.region import Edge, Region, at_vertex

WAYS = 720
ROUNDS = 16  # for each length of step
NEAR = 0.01  # mm: a step shorter than that is the last
ALONG = 0.9  # cosine between moves that are taken to lie on a line
MOST = 6.0  # times a move that is gone at most
FARTHEST = 0.5  # of the way to the edge ahead: a star's centroid may lie outside its region
STEPS = (60, 240, 960)  # of a way across the region
LANDMARKS = 96
MOST_PATHS = 8_000_000  # vertices times landmarks: about two seconds
NEARLY_LEAST = 1.05
_FOUND: WeakKeyDictionary[Region, SurfacePoint] = WeakKeyDictionary()


def centre(region: Region) -> SurfacePoint:
    """The centre; found once for each Region and kept while that lives.

    Where ways don't see all of a region (a U, a Y), or many places are as good (a ring), it is the
    one found from ``middle_vertex``.
    """
    if region not in _FOUND:
        _FOUND[region] = _centre(region, middle_vertex(region))
    return _FOUND[region]


def _centre(region: Region, first: SurfacePoint) -> SurfacePoint:
    surface, numbers = _inside(region)
    size = float(np.linalg.norm(np.ptp(surface.vertices, axis=0)))
    place = replace(first, face=int(np.flatnonzero(numbers == first.face)[0]))
    for count in STEPS:
        before, factor = np.zeros(3), 1.0
        for _ in range(ROUNDS):
            place, move = _nearer(surface, place, 4.0 * size, size / count, factor)
            if np.linalg.norm(move) < max(NEAR, 0.1 * size / count):
                break
            factor, before = _stretched(move, before), move
    return replace(place, face=int(numbers[place.face]))


def _nearer(
    surface: Surface, place: SurfacePoint, reach: float, step: float, factor: float
) -> tuple[SurfacePoint, Floats]:
    """The centroid of the star of ways from a place, and the move (3,) there, mm.

    ``reach`` : farther than any edge; ``step`` : of ways, which end a step before the edge;
    ``factor`` : times the move is what is gone.
    """
    patches, face = make_patches(surface), np.array([place.face])
    weights = np.array([[place.b1, place.b2]])
    normal = rows_at(patches, face, weights)[0, 3:6]
    axes = _tangents(normal, surface.vertices[surface.faces[place.face]])
    angle = (np.arange(WAYS) + 0.5) * 2.0 * np.pi / WAYS
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    many, everywhere = np.repeat(face, WAYS), np.repeat(weights, WAYS, axis=0)
    reached = shoot(patches, many, everywhere, circle @ axes, np.full(WAYS, reach), step)[2]
    aim = _centroid(reached[:, None] * circle)
    far = float(np.hypot(*aim))
    ahead = float(reached[int(np.arctan2(aim[1], aim[0]) / (2.0 * np.pi) * WAYS) % WAYS])
    length = min(factor * far, FARTHEST * ahead)
    way = (aim @ axes) / max(far, 1e-300)
    end, rows, _ = shoot(patches, face, weights, way[None], np.array([length]), step)
    return SurfacePoint(int(end[0]), float(rows[0, 12]), float(rows[0, 13])), np.asarray(far * way)


def _stretched(move: Floats, before: Floats) -> float:
    """How many times ``move`` to go, if moves along a line shrink by a constant share."""
    size, was = float(np.linalg.norm(move)), float(np.linalg.norm(before))
    if not move @ before > ALONG * size * was > 0.0:
        return 1.0
    return 1.0 / (1.0 - min(size / was, 1.0 - 1.0 / MOST))


def _centroid(corners: Floats) -> Floats:
    """(2,) of a polygon (k, 2) round the origin."""
    ahead = np.roll(corners, -1, axis=0)
    doubled = corners[:, 0] * ahead[:, 1] - corners[:, 1] * ahead[:, 0]
    total = max(float(doubled.sum()), 1e-300)
    out: Floats = doubled @ (corners + ahead) / (3.0 * total)
    return out


def _tangents(normal: Floats, corners: Floats) -> Floats:
    """(2, 3) two unit tangents, square to each other, counter-clockwise about the normal.

    From the face's first side, so that they turn with the mesh.
    """
    side = corners[1] - corners[0]
    along = unit(side - (side @ normal) * normal)
    return np.stack([along, np.cross(normal, along)])


def _inside(region: Region) -> tuple[Surface, Ints]:
    """Surface of the faces inside alone, and their numbers."""
    kept = np.flatnonzero(region.inside)
    if len(kept) == len(region.inside):
        return region.surface, kept
    vertices, faces = np.unique(region.surface.faces[kept], return_inverse=True)
    normals = region.surface.corner_normals[kept]
    points = region.surface.vertices[vertices]
    part = build(points, faces.reshape(-1, 3), corner_normals=normals, fitted=False)
    return part, kept


def middle_vertex(region: Region) -> SurfacePoint:
    """The vertex in the middle of the region, by paths along mesh edges to its edges.

    Of the vertices whose greatest distance is nearly least the one with the least mean square
    distance to places spread evenly over all edges; equal ones are ordered by their number.
    """
    surface = region.surface
    inside = surface.faces[region.inside]
    rim = np.unique(np.concatenate([e.vertices for e in region.edges]))
    marks, weight = _landmarks(region)
    distance = dijkstra(edge_graph(surface.vertices, inside), indices=marks)
    known = np.isfinite(distance)
    distance = np.where(known, distance, 0.0)
    farthest, spread = distance.max(axis=0), weight @ distance**2
    open_ = np.zeros(len(farthest), dtype=bool)
    open_[inside] = True
    open_[rim] = False
    if not open_.any():
        open_[inside] = True
    # of a region in several parts the one that most of the edges belong to
    most = weight @ known
    open_ &= most >= most[open_].max() - 1e-9
    near = open_ & (farthest <= NEARLY_LEAST * farthest[open_].min())
    best = np.flatnonzero(near & (spread <= (1.0 + 1e-9) * spread[near].min()))[0]
    return at_vertex(region, int(best))


def _landmarks(region: Region) -> tuple[Ints, Floats]:
    """Up to about LANDMARKS rim vertices, (k,), with the length of edge each stands for."""
    total = sum(_edge_lengths(region, e).sum() for e in region.edges)
    most = int(np.clip(MOST_PATHS / len(region.surface.vertices), 16, LANDMARKS))
    marks, weights = [], []
    for edge in region.edges:
        where = np.concatenate([[0.0], np.cumsum(_edge_lengths(region, edge))])
        count = max(2, round(most * where[-1] / total))
        at = (np.arange(count) + 0.5) / count * where[-1]
        marks.append(edge.vertices[np.abs(where[:, None] - at).argmin(axis=0) % len(edge.vertices)])
        weights.append(np.full(count, where[-1] / count))
    return np.concatenate(marks), np.concatenate(weights) / total


def _edge_lengths(region: Region, edge: Edge) -> Floats:
    chain = edge.ring
    return np.linalg.norm(np.diff(region.surface.vertices[chain], axis=0), axis=1)


def edge_graph(vertices: Floats, faces: Ints) -> sparse.csr_matrix:
    """Lengths of the edges between vertices, (n, n), mm."""
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    low, high = pairs.min(axis=1), pairs.max(axis=1)
    pairs = np.stack(np.divmod(np.unique(low * len(vertices) + high), len(vertices)), axis=1)
    length = np.linalg.norm(vertices[pairs[:, 0]] - vertices[pairs[:, 1]], axis=1)
    n = len(vertices)
    one = sparse.csr_matrix((length, (pairs[:, 0], pairs[:, 1])), (n, n))
    return one + one.T
