"""Trim lines: cut a region at a plane inside a mouth.

Faces are split along the plane. New vertices lie on the smooth cubic of the edge they
divide (the boundary curve of a curved PN triangle, Vlachos et al. 2001, key
``vlachos2001``), exactly in the plane; their normals are interpolated. What lies past the
plane stays in the surface as *beyond*. Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.errors import Finding, InputError
from drape.geometry.surface import Bools, Floats, Ints, Surface, build, readonly, unit
from drape.mould.parting import distance_to_polyline
from drape.mould.region import Edge, Region

SNAP = 0.05  # of an edge: a crossing nearer to its end than this moves the end instead
NEWTON_STEPS = 12


@dataclass(eq=False)
class _Mesh:
    """A mesh while it is cut: positions, heights above the plane, corner normals."""

    vertices: Floats
    height: Floats
    faces: Ints
    normals: Floats  # (m, 3, 3) at the corners


def trim_region(
    region: Region, mouth_name: str, point: ArrayLike, normal: ArrayLike
) -> tuple[Region, tuple[Finding, ...]]:
    """Cut a region at a plane inside one of its mouths.

    Parameters
    ----------
    mouth_name : name of an edge of kind ``mouth``
    point : (3,) mm, a point of the plane
    normal : (3,) direction out of the part, along the hollow towards the mouth

    Returns
    -------
    Region whose mouth edge is replaced by one of kind ``trim`` and the same name, whose
    runs end there, and whose faces past the plane aren't ``inside``; findings.

    Raises
    ------
    InputError
        Unknown mouth, a plane that misses the cavity or cuts the mouth, a hole or another
        mouth, or a normal that points into the part.
    """
    where = f"trim line {mouth_name}"
    mouth = _mouth(region, mouth_name, where)
    origin, direction = _plane(point, normal, where)
    surface = region.surface
    height = (surface.vertices - origin) @ direction
    _check_side(height, mouth, where)
    zone = _past(surface, height, mouth)
    _check_zone(region, zone, mouth, height, where)
    mesh = _Mesh(surface.vertices.copy(), height, surface.faces, surface.corner_normals.copy())
    _snap(mesh, surface, zone, origin, direction)
    crossings = _crossings(mesh, surface, zone, origin, direction)
    pieces = _split(mesh, zone, crossings)
    vertices = np.vstack([mesh.vertices, crossings.points])
    cut = build(vertices, pieces.faces, corner_normals=pieces.normals)
    inside = region.inside[pieces.source] & ~pieces.beyond
    chain, closed = _cut_chain(cut, inside, pieces.beyond, where)
    edges = _new_edges(region, mouth, mesh.height, crossings, chain, closed, direction, where)
    out = Region(
        cut, readonly(inside), edges, region.loops, readonly(region.source_faces[pieces.source])
    )
    room = distance_to_polyline(vertices[chain], surface.vertices[mouth.vertices]).min()
    return out, (Finding("note", where, f"lies at least {room:.1f} mm inside the mouth"),)


def _mouth(region: Region, name: str, where: str) -> Edge:
    mouths = [e for e in region.edges if e.kind == "mouth"]
    for edge in mouths:
        if edge.name == name:
            return edge
    names = ", ".join(sorted(e.name for e in mouths)) or "none"
    raise InputError("there is no such mouth", value=name, limit=names, where=where)


def _plane(point: ArrayLike, normal: ArrayLike, where: str) -> tuple[Floats, Floats]:
    origin, direction = np.asarray(point, float), np.asarray(normal, float)
    for name, vector in (("point", origin), ("normal", direction)):
        if vector.shape != (3,) or not np.isfinite(vector).all():
            raise InputError(f"{name} must be three numbers", value=vector.tolist(), where=where)
    if not direction.any():
        raise InputError("the normal is zero", value=direction.tolist(), where=where)
    return origin, unit(direction)


def _check_side(height: Floats, mouth: Edge, where: str) -> None:
    at_mouth = height[mouth.vertices]
    if height.max() <= 0 or height.min() >= 0:
        raise InputError(
            "the plane doesn't cut the cavity",
            value=f"cavity from {height.min():.1f} to {height.max():.1f} mm past it",
            remedy="place it inside the mouth",
            where=where,
        )
    if at_mouth.max() < 0:
        raise InputError(
            "the normal points into the part", remedy="turn its sign: it points out", where=where
        )
    if at_mouth.min() <= 0:
        raise InputError(
            "the plane cuts the mouth's edge",
            value=f"{-at_mouth.min():.2f} mm of it lie before the plane",
            remedy="move the plane inwards, or turn it",
            where=where,
        )


def _past(surface: Surface, height: Floats, mouth: Edge) -> Bools:
    """(m,) faces with a part past the plane that hang together with the mouth."""
    above = height[surface.faces] > 0
    reach = (above | np.roll(above, -1, axis=1)) & (surface.neighbours >= 0)
    f, k = np.nonzero(reach)
    m = len(surface.faces)
    graph = sparse.coo_matrix((np.ones(len(f)), (f, surface.neighbours[f, k])), (m, m))
    _, label = connected_components(graph, directed=False)
    at_mouth = np.isin(surface.faces, mouth.vertices).any(axis=1)
    return np.isin(label, label[at_mouth]) & above.any(axis=1)


def _check_zone(region: Region, zone: Bools, mouth: Edge, height: Floats, where: str) -> None:
    """Refuse a plane behind which there is more than the mouth and the ends of its runs."""
    there = np.zeros(len(height), bool)
    there[region.surface.faces[zone]] = True
    past = there & (height > 0)
    for edge in region.edges:
        if edge is not mouth and edge.kind != "parting" and past[edge.vertices].any():
            raise InputError(f"the plane also cuts off {edge.kind} {edge.name}", where=where)
        if edge.kind == "parting" and past[edge.vertices].all():
            raise InputError(f"run {edge.name} lies wholly past the plane", where=where)


def edge_cubic(p: Floats, q: Floats, np_: Floats, nq: Floats) -> Floats:
    """(e, 4, 3) control points of smooth edges from ``p`` to ``q`` (e, 3).

    ``np_`` and ``nq`` (e, 2, 3): the normals at the ends on the two sides of the edge.
    Where they differ (a crease) the curve leaves along the crease.
    """
    return np.stack([p, p + _leave(q - p, np_), q + _leave(p - q, nq), q], axis=1)


def _leave(chord: Floats, normals: Floats) -> Floats:
    """A third of the chord, laid into the tangent plane or along the crease."""
    first, second = normals[:, 0], normals[:, 1]
    along = np.cross(first, second)
    sharp = np.linalg.norm(along, axis=1) > 0.1
    middle = unit(first + second)
    smooth = chord - np.einsum("ei,ei->e", chord, middle)[:, None] * middle
    along = unit(along)
    crease = np.einsum("ei,ei->e", chord, along)[:, None] * along
    return np.where(sharp[:, None], crease, smooth) / 3.0


def cubic_point(control: Floats, u: Floats) -> Floats:
    """(e, 3) points of cubics (e, 4, 3) at parameters (e,)."""
    v = 1.0 - u
    weights = np.stack([v**3, 3 * u * v**2, 3 * u**2 * v, u**3], axis=1)
    return np.einsum("ek,eki->ei", weights, control)


def crossing_parameter(heights: Floats) -> Floats:
    """(e,) where cubics with control heights (e, 4), of opposite sign at their ends, are 0.

    Newton's method from the chord's crossing, kept within a shrinking bracket.
    """
    low, high = np.zeros(len(heights)), np.ones(len(heights))
    rising = heights[:, 3] > heights[:, 0]
    u = heights[:, 0] / (heights[:, 0] - heights[:, 3])
    d = 3 * np.diff(heights, axis=1)
    for _ in range(NEWTON_STEPS):
        v = 1 - u
        value = np.einsum(
            "ek,ek->e", heights, np.stack([v**3, 3 * u * v**2, 3 * u**2 * v, u**3], 1)
        )
        slope = np.einsum("ek,ek->e", d, np.stack([v**2, 2 * u * v, u**2], 1))
        before = (value < 0) == rising
        low, high = np.where(before, u, low), np.where(before, high, u)
        step = u - value / np.where(slope == 0, 1e-300, slope)
        u = np.where((step > low) & (step < high), step, (low + high) / 2)
    return u


def edge_normal(p: Floats, q: Floats, np_: Floats, nq: Floats, u: Floats) -> Floats:
    """(e, 3) unit normals along smooth edges: the quadratic of PN triangles."""
    chord = q - p
    square = np.maximum((chord**2).sum(axis=1), 1e-300)
    both = np_ + nq
    lean = 2.0 * np.einsum("ei,ei->e", chord, both) / square
    middle = unit(both - lean[:, None] * chord)
    u = u[:, None]
    return unit((1 - u) ** 2 * np_ + u * (1 - u) * 2 * middle + u**2 * nq)


def _one_normal(p: Floats, q: Floats, np_: Floats, nq: Floats, u: float) -> Floats:
    """(3,) normal along one edge; see ``edge_normal``."""
    return edge_normal(p[None], q[None], np_[None], nq[None], np.array([u]))[0]


@dataclass(frozen=True, eq=False)
class _Crossings:
    """Edges (low, high vertex) that the plane crosses, the point and parameter from low."""

    ends: Ints
    points: Floats
    parameter: Floats
    first: int

    def index(self) -> dict[tuple[int, int], int]:
        """Number of the crossing by its edge."""
        return {(int(a), int(b)): i for i, (a, b) in enumerate(self.ends)}


def _crossing_edges(mesh: _Mesh, zone: Bools) -> tuple[Ints, Ints, Ints]:
    """Unique crossed edges (e, 2), and a face and edge number of each."""
    f = np.flatnonzero(zone)
    start, end = mesh.faces[f], np.roll(mesh.faces[f], -1, axis=1)
    crossed = mesh.height[start] * mesh.height[end] < 0
    row, k = np.nonzero(crossed)
    pair = np.sort(np.stack([start[row, k], end[row, k]], 1), axis=1)
    ends, at = np.unique(pair, axis=0, return_index=True)
    return ends.reshape(-1, 2), f[row[at]], k[at]


def _edge_curves(mesh: _Mesh, surface: Surface, f: Ints, k: Ints) -> tuple[Floats, Bools]:
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


def _normal_in(mesh: _Mesh, face: Ints, vertex: Ints, default: Floats) -> Floats:
    """Normal at a vertex in another face; ``default`` where there is no face."""
    corner = (mesh.faces[face] == vertex[:, None]).argmax(axis=1)
    return np.where((face < 0)[:, None], default, mesh.normals[face, corner])


def _solve(
    mesh: _Mesh, surface: Surface, zone: Bools, origin: Floats, direction: Floats
) -> tuple[_Crossings, Bools]:
    ends, f, k = _crossing_edges(mesh, zone)
    control, strong = _edge_curves(mesh, surface, f, k)
    u = crossing_parameter((control - origin) @ direction)
    points = cubic_point(control, u)
    points -= ((points - origin) @ direction)[:, None] * direction
    return _Crossings(ends, points, u, len(mesh.vertices)), strong


def _crossings(
    mesh: _Mesh, surface: Surface, zone: Bools, origin: Floats, direction: Floats
) -> _Crossings:
    return _solve(mesh, surface, zone, origin, direction)[0]


def _snap(mesh: _Mesh, surface: Surface, zone: Bools, origin: Floats, direction: Floats) -> None:
    """Move vertices that the plane nearly meets into it, along an edge: no slivers.

    A vertex on the rim or a crease only moves along it.
    """
    found, strong = _solve(mesh, surface, zone, origin, direction)
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


def _move(mesh: _Mesh, normals: Floats, v: int, w: int, u: float, point: Floats) -> None:
    """Put vertex ``v`` at ``point`` on its edge to ``w`` and turn its normals to fit."""
    at_v = mesh.faces == v
    both = at_v.any(axis=1) & (mesh.faces == w).any(axis=1)
    for f in np.flatnonzero(both):
        old = mesh.normals[f, np.flatnonzero(at_v[f])[0]]
        far = mesh.normals[f, np.flatnonzero(mesh.faces[f] == w)[0]]
        new = _one_normal(mesh.vertices[v], mesh.vertices[w], old, far, u)
        rows, corners = np.nonzero(at_v)
        same = np.abs(mesh.normals[rows, corners] - old).max(axis=1) < 1e-9
        normals[rows[same], corners[same]] = new
    mesh.vertices[v] = point
    mesh.height[v] = 0.0


@dataclass(frozen=True, eq=False)
class _Pieces:
    faces: Ints
    normals: Floats
    source: Ints
    beyond: Bools


def _split(mesh: _Mesh, zone: Bools, crossings: _Crossings) -> _Pieces:
    """Divide the faces that the plane crosses; the others stay, in order."""
    height = mesh.height[mesh.faces]
    mixed = zone & (height.max(axis=1) > 0) & (height.min(axis=1) < 0)
    beyond = zone & ~mixed & (height.max(axis=1) > 0)
    kept = np.flatnonzero(~mixed)
    faces, normals = [mesh.faces[kept]], [mesh.normals[kept]]
    source, past = [kept], [beyond[kept]]
    known = crossings.index()
    for f in np.flatnonzero(mixed).tolist():
        for side in (-1.0, 1.0):
            corners, at = _clip(mesh, f, side, crossings, known)
            triangles = _triangles(mesh, crossings, corners)
            faces.append(np.array([[corners[i] for i in t] for t in triangles], np.int64))
            normals.append(np.array([[at[i] for i in t] for t in triangles]))
            source.append(np.full(len(triangles), f))
            past.append(np.full(len(triangles), side > 0))
    return _Pieces(
        np.concatenate(faces), np.concatenate(normals), np.concatenate(source), np.concatenate(past)
    )


def _clip(
    mesh: _Mesh, f: int, side: float, crossings: _Crossings, known: dict[tuple[int, int], int]
) -> tuple[list[int], list[Floats]]:
    """Corners (and normals) of the part of a face on one side of the plane, in turn."""
    corners: list[int] = []
    normals: list[Floats] = []
    for k in range(3):
        a, b = int(mesh.faces[f, k]), int(mesh.faces[f, (k + 1) % 3])
        if side * mesh.height[a] >= 0:
            corners.append(a)
            normals.append(mesh.normals[f, k])
        if mesh.height[a] * mesh.height[b] < 0:
            i = known[min(a, b), max(a, b)]
            u = crossings.parameter[i] if a < b else 1.0 - crossings.parameter[i]
            na, nb = mesh.normals[f, k], mesh.normals[f, (k + 1) % 3]
            corners.append(crossings.first + i)
            normals.append(_one_normal(mesh.vertices[a], mesh.vertices[b], na, nb, u))
    return corners, normals


def _triangles(mesh: _Mesh, crossings: _Crossings, corners: list[int]) -> list[list[int]]:
    """Positions of the triangles of a triangle or quadrilateral: the shorter diagonal."""
    if len(corners) == 3:
        return [[0, 1, 2]]
    first = crossings.first
    p = [mesh.vertices[c] if c < first else crossings.points[c - first] for c in corners]
    if np.linalg.norm(p[0] - p[2]) <= np.linalg.norm(p[1] - p[3]):
        return [[0, 1, 2], [0, 2, 3]]
    return [[0, 1, 3], [1, 2, 3]]


def _cut_chain(surface: Surface, inside: Bools, beyond: Bools, where: str) -> tuple[Ints, bool]:
    """The cut's vertices in order, the region on the left; whether it is closed."""
    f, k = np.nonzero((surface.neighbours >= 0) & inside[:, None])
    at = beyond[surface.neighbours[f, k]]
    f, k = f[at], k[at]
    start, end = surface.faces[f, k], surface.faces[f, (k + 1) % 3]
    following = dict(zip(start.tolist(), end.tolist(), strict=True))
    heads = sorted(set(following) - set(following.values()))
    closed = not heads
    chain = [heads[0] if heads else min(following)]
    while chain[-1] in following and len(chain) <= len(following):
        chain.append(following[chain[-1]])
    if len(chain) != len(following) + 1 or len(heads) > 1:
        raise InputError("the plane cuts the cavity in several places", where=where)
    return np.array(chain[:-1] if closed else chain, dtype=np.int64), closed


def _new_edges(
    region: Region,
    mouth: Edge,
    height: Floats,
    crossings: _Crossings,
    chain: Ints,
    closed: bool,
    direction: Floats,
    where: str,
) -> tuple[Edge, ...]:
    """All edges of the region, the mouth replaced by the trim line, its runs shortened."""
    normals = readonly(np.tile(direction, (len(chain), 1)))
    known = crossings.index()
    out = []
    for edge in region.edges:
        if edge is mouth:
            out.append(Edge(edge.name, "trim", readonly(chain), closed, normals))
        elif edge.kind == "parting" and np.isin(edge.vertices[[0, -1]], mouth.vertices).any():
            out.append(_shortened(edge, mouth, height, crossings, known, chain, where))
        else:
            out.append(edge)
    return tuple(out)


def _shortened(
    edge: Edge,
    mouth: Edge,
    height: Floats,
    crossings: _Crossings,
    known: dict[tuple[int, int], int],
    chain: Ints,
    where: str,
) -> Edge:
    """A run without the ends that lie past the plane."""
    for back in (False, True):
        at_mouth = edge.vertices[-1 if back else 0]
        if at_mouth in mouth.vertices and at_mouth == mouth.vertices[0 if back else -1]:
            edge = _cut_start(edge, back, height, crossings, known)
            if edge.vertices[-1 if back else 0] != chain[0 if back else -1]:
                raise InputError(f"the plane cuts run {edge.name} more than once", where=where)
    return edge


def _cut_start(
    edge: Edge,
    back: bool,
    height: Floats,
    crossings: _Crossings,
    known: dict[tuple[int, int], int],
) -> Edge:
    """Drop the vertices past the plane from the start (or the back) of a run."""
    turn = slice(None, None, -1 if back else 1)
    vertices = edge.vertices[turn]
    normals = None if edge.cut_normals is None else edge.cut_normals[turn]
    first = int(np.argmax(height[vertices] <= 0))
    kept = vertices[first:]
    kept_normals = None if normals is None else normals[first:]
    if height[vertices[first]] < 0:
        a, b = int(vertices[first - 1]), int(vertices[first])
        i = known[min(a, b), max(a, b)]
        kept = np.append(crossings.first + i, kept)
        if normals is not None and kept_normals is not None:
            u = crossings.parameter[i] if a < b else 1.0 - crossings.parameter[i]
            new = unit((1 - u) * normals[first - 1] + u * normals[first])
            kept_normals = np.vstack([new, kept_normals])
    cut = None if kept_normals is None else readonly(kept_normals[turn])
    return replace(edge, vertices=readonly(kept[turn].astype(np.int64)), cut_normals=cut)
