"""Cut a mesh where a height is 0: crossings on smooth edges, and the faces divided there.

Lengths in mm. A height is a signed distance above a plane, or past a line on the surface.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from drape.geometry.surface import Bools, Floats, Ints, Surface
from drape.mould.cubics import (
    crossing_parameter,
    cubic_point,
    edge_cubic,
    edge_normal,
    one_edge_normal,
)

# From the cubics (e, 4, 3) of crossed edges and their ends (e, 2) to parameters and points.
Locate = Callable[[Floats, Ints], tuple[Floats, Floats]]

SNAP = 0.05  # of an edge: a crossing nearer to its end than this moves the end instead


@dataclass(eq=False)
class CutMesh:
    """A mesh while it is cut: positions, heights, corner normals."""

    vertices: Floats
    height: Floats
    faces: Ints
    normals: Floats  # (m, 3, 3) at the corners


@dataclass(frozen=True, eq=False)
class Crossings:
    """Edges (low, high vertex) that are crossed, in order; the point and parameter from low."""

    ends: Ints
    points: Floats
    parameter: Floats
    first: int

    def index(self) -> dict[tuple[int, int], int]:
        """Number of the crossing by its edge."""
        return {(int(a), int(b)): i for i, (a, b) in enumerate(self.ends)}

    def on(self, start: Ints, end: Ints) -> Ints:
        """Numbers of the crossings on edges from ``start`` to ``end``; −1 without one."""
        if not len(self.ends):
            return np.full(np.shape(start), -1, dtype=np.int64)
        count = self.first + 1
        codes = self.ends[:, 0] * count + self.ends[:, 1]  # rising, as the ends are
        wanted = np.minimum(start, end) * count + np.maximum(start, end)
        found = np.minimum(np.searchsorted(codes, wanted), len(codes) - 1)
        return np.where(codes[found] == wanted, found, -1)


@dataclass(frozen=True, eq=False)
class Pieces:
    faces: Ints
    normals: Floats
    source: Ints
    beyond: Bools


def _crossing_edges(mesh: CutMesh, zone: Bools) -> tuple[Ints, Ints, Ints]:
    """Unique crossed edges (e, 2), and a face and edge number of each."""
    f = np.flatnonzero(zone)
    start, end = mesh.faces[f], np.roll(mesh.faces[f], -1, axis=1)
    crossed = mesh.height[start] * mesh.height[end] < 0
    row, k = np.nonzero(crossed)
    pair = np.sort(np.stack([start[row, k], end[row, k]], 1), axis=1)
    ends, at = np.unique(pair, axis=0, return_index=True)
    return ends.reshape(-1, 2), f[row[at]], k[at]


def _edge_curves(mesh: CutMesh, surface: Surface, f: Ints, k: Ints) -> tuple[Floats, Bools]:
    """Cubics of edges, from the lower vertex to the higher; whether each is rim or crease."""
    a, b = mesh.faces[f, k], mesh.faces[f, (k + 1) % 3]
    na, nb = mesh.normals[f, k], mesh.normals[f, (k + 1) % 3]
    other = surface.neighbours[f, k]
    oa, ob = (_normal_in(mesh, other, x, n) for x, n in ((a, na), (b, nb)))
    control = edge_cubic(
        mesh.vertices[a], mesh.vertices[b], np.stack([na, oa], 1), np.stack([nb, ob], 1)
    )
    control = np.where((a > b)[:, None, None], control[:, ::-1], control)
    return control, (other < 0) | surface.crease[f, k]


def _normal_in(mesh: CutMesh, face: Ints, vertex: Ints, default: Floats) -> Floats:
    """Normal at a vertex in another face; ``default`` where there is no face."""
    corner = (mesh.faces[face] == vertex[:, None]).argmax(axis=1)
    return np.where((face < 0)[:, None], default, mesh.normals[face, corner])


def in_plane(origin: Floats, direction: Floats) -> Locate:
    """Crossings lie exactly in the plane through ``origin`` with unit normal ``direction``."""

    def locate(control: Floats, ends: Ints) -> tuple[Floats, Floats]:
        u = crossing_parameter((control - origin) @ direction)
        points = cubic_point(control, u)
        return u, points - ((points - origin) @ direction)[:, None] * direction

    return locate


def between_heights(mesh: CutMesh) -> Locate:
    """Crossings lie where heights that are linear along an edge are 0."""

    def locate(control: Floats, ends: Ints) -> tuple[Floats, Floats]:
        low, high = mesh.height[ends.T]
        u = low / (low - high)
        return u, cubic_point(control, u)

    return locate


def _solve(mesh: CutMesh, surface: Surface, zone: Bools, locate: Locate) -> tuple[Crossings, Bools]:
    ends, f, k = _crossing_edges(mesh, zone)
    control, strong = _edge_curves(mesh, surface, f, k)
    u, points = locate(control, ends)
    return Crossings(ends, points, u, len(mesh.vertices)), strong


def find_crossings(mesh: CutMesh, surface: Surface, zone: Bools, locate: Locate) -> Crossings:
    return _solve(mesh, surface, zone, locate)[0]


def snap(mesh: CutMesh, surface: Surface, zone: Bools, locate: Locate) -> None:
    """Move vertices that are nearly at height 0 there, along an edge: no slivers.

    A vertex on the rim or a crease only moves along it.
    """
    found, strong = _solve(mesh, surface, zone, locate)
    u = np.concatenate([found.parameter, 1.0 - found.parameter])
    vertex, other = found.ends.T.ravel(), found.ends[:, ::-1].T.ravel()
    point, strong = np.tile(found.points, (2, 1)), np.tile(strong, 2)
    bound = np.zeros(len(mesh.vertices), bool)
    f, k = np.nonzero((surface.neighbours < 0) | surface.crease)
    bound[surface.faces[f, k]] = bound[surface.faces[f, (k + 1) % 3]] = True
    usable = (u < SNAP) & (strong | ~bound[vertex])
    order = np.flatnonzero(usable)[np.argsort(u[usable], kind="stable")]
    moved: set[int] = set()
    new_normals = mesh.normals.copy()
    for i in order:
        v = int(vertex[i])
        if v not in moved and int(other[i]) not in moved:
            moved.add(v)
            _move(mesh, new_normals, v, int(other[i]), u[i], point[i])
    mesh.normals = new_normals


def _move(mesh: CutMesh, normals: Floats, v: int, w: int, u: float, point: Floats) -> None:
    """Put vertex ``v`` at ``point`` on its edge to ``w`` and turn its normals to fit."""
    at_v = mesh.faces == v
    both = at_v.any(axis=1) & (mesh.faces == w).any(axis=1)
    for f in np.flatnonzero(both):
        old = mesh.normals[f, np.flatnonzero(at_v[f])[0]]
        far = mesh.normals[f, np.flatnonzero(mesh.faces[f] == w)[0]]
        new = one_edge_normal(mesh.vertices[v], mesh.vertices[w], old, far, u)
        rows, corners = np.nonzero(at_v)
        same = np.abs(mesh.normals[rows, corners] - old).max(axis=1) < 1e-9
        normals[rows[same], corners[same]] = new
    mesh.vertices[v] = point
    mesh.height[v] = 0.0


def split(mesh: CutMesh, zone: Bools, crossings: Crossings) -> Pieces:
    """Divide the faces with heights of both signs; the others stay, in order."""
    height = mesh.height[mesh.faces]
    mixed = zone & (height.max(axis=1) > 0) & (height.min(axis=1) < 0)
    beyond = zone & ~mixed & (height.max(axis=1) > 0)
    kept = np.flatnonzero(~mixed)
    faces, normals = [mesh.faces[kept]], [mesh.normals[kept]]
    source, past = [kept], [beyond[kept]]
    cut = np.flatnonzero(mixed)
    number, between = _crossed(mesh, cut, crossings)
    for row, f in enumerate(cut.tolist()):
        for side in (-1.0, 1.0):
            corners, at = _clip(mesh, f, side, number[row], between[row])
            triangles = _triangles(mesh, crossings, corners)
            faces.append(np.array([[corners[i] for i in t] for t in triangles], np.int64))
            normals.append(np.array([[at[i] for i in t] for t in triangles]))
            source.append(np.full(len(triangles), f))
            past.append(np.full(len(triangles), side > 0))
    return Pieces(
        np.concatenate(faces), np.concatenate(normals), np.concatenate(source), np.concatenate(past)
    )


def _crossed(mesh: CutMesh, faces: Ints, crossings: Crossings) -> tuple[Ints, Floats]:
    """Vertices (c, 3) that the edges of faces are crossed in, −1 for none, and normals there."""
    start, end = mesh.faces[faces], np.roll(mesh.faces[faces], -1, axis=1)
    number = crossings.on(start, end)
    row, k = np.nonzero(number >= 0)
    a, b, i = start[row, k], end[row, k], number[row, k]
    u = np.where(a < b, crossings.parameter[i], 1.0 - crossings.parameter[i])
    na, nb = mesh.normals[faces[row], k], mesh.normals[faces[row], (k + 1) % 3]
    normals = np.zeros((*number.shape, 3))
    normals[row, k] = edge_normal(mesh.vertices[a], mesh.vertices[b], na, nb, u)
    return np.where(number < 0, -1, crossings.first + number), normals


def _clip(
    mesh: CutMesh, f: int, side: float, crossed: Ints, between: Floats
) -> tuple[list[int], list[Floats]]:
    """Corners (and normals) of the part of a face on one side of height 0, in turn.

    ``crossed`` (3,) and ``between`` (3, 3): of its edges, see ``_crossed``.
    """
    corners: list[int] = []
    normals: list[Floats] = []
    for k in range(3):
        a = int(mesh.faces[f, k])
        if side * mesh.height[a] >= 0:
            corners.append(a)
            normals.append(mesh.normals[f, k])
        if crossed[k] >= 0:
            corners.append(int(crossed[k]))
            normals.append(between[k])
    return corners, normals


def _triangles(mesh: CutMesh, crossings: Crossings, corners: list[int]) -> list[list[int]]:
    """Positions of the triangles of a triangle or quadrilateral: the shorter diagonal."""
    if len(corners) == 3:
        return [[0, 1, 2]]
    first = crossings.first
    p = [mesh.vertices[c] if c < first else crossings.points[c - first] for c in corners]
    if np.linalg.norm(p[0] - p[2]) <= np.linalg.norm(p[1] - p[3]):
        return [[0, 1, 2], [0, 2, 3]]
    return [[0, 1, 3], [1, 2, 3]]
