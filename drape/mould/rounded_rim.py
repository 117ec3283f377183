"""Rounded rims: where a cavity's wall rounds over into its flange, the wall goes on straight.

The cavity's edge is where the wall's continuation along its tangents meets the flange's surface,
neither where the rounding begins nor where it ends. The rounding's faces are left out, the wall's
normals are fitted without them, and ruled faces carry it on.

The rounding, per face: as convex, by the fitted normals at its corners, as a small radius makes it,
and joined to the flange by such faces. Normals of smooth surfaces show that on coarse facets too.
Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from drape.geometry.surface import Bools, Floats, Ints, Surface, build, face_vectors, unit
from drape.mould.crease_patches import Parts
from drape.mould.face_graph import FaceGraph, face_graph
from drape.mould.parting_line import Cut

LARGEST = 4.0  # mm: what is rounded over more gently is the cavity's own shape
LEAST_TURN = np.radians(20.0)  # from flange to wall
ALL_ROUND = 0.8  # of the flange's border at the cavity that is rounded, at least
LEAN = 0.2  # least cosine between the wall's way up and the flange's normal


@dataclass(frozen=True, eq=False)
class Continued:
    """A half whose walls are carried on: its mesh, parts, and the rounding's mean radius, mm.

    ``cut`` is None, and ``parts`` are as they were, where its rim is rounded but too uneven.
    """

    cut: Cut | None
    parts: Parts
    radius: float


@dataclass(frozen=True, eq=False)
class _Border:
    """Of the flange at the cavity: places (e, 3) and unit normals (e, 3), out of the half."""

    places: Floats
    normals: Floats


def continue_walls(surface: Surface, parts: Parts, closing: Floats) -> Continued | None:
    """Carry a cavity's walls on to the flange past a rounded rim; None where there is none.

    Parameters
    ----------
    closing : (3,) unit vector out of the half
    """
    graph = face_graph(surface)
    border = parts.flange[graph.f] & parts.cavity[graph.g]
    if not border.any():
        return None
    bend = _bend(surface, parts)
    rounding = _joined(graph, bend > 0.5 / LARGEST, border)
    radius = _radius(graph, rounding, parts, bend, border)
    wall = parts.cavity & ~rounding
    if radius is None or not wall.any():
        return None
    land = _border(graph, parts, border)
    carried = _carried_on(surface, wall, rounding, land, closing)
    if carried is None:
        return Continued(None, parts, radius)
    cut, added = carried
    old = np.flatnonzero(~rounding)
    cavity = np.concatenate([wall[old], np.ones(added, bool)])
    flange = np.concatenate([parts.flange[old], np.zeros(added, bool)])
    score = float(abs((cut.surface.face_vectors @ closing)[cavity].sum()))
    return Continued(cut, replace(parts, cavity=cavity, flange=flange, score=score), radius)


def _bend(surface: Surface, parts: Parts) -> Floats:
    """(m,) largest convex curvature of the cavity's faces from their corners' normals, 1/mm."""
    out = np.zeros(len(surface.faces))
    own = np.flatnonzero(parts.cavity)
    points, normals = surface.vertices[surface.faces[own]], surface.corner_normals[own]
    edges = np.roll(points, -1, axis=1) - points
    turns = parts.side * (np.roll(normals, -1, axis=1) - normals)
    x = unit(edges[:, 0])
    y = np.cross(unit(np.cross(edges[:, 0], edges[:, 1])), x)
    ex, ey = (np.einsum("fki,fi->fk", edges, axis) for axis in (x, y))
    # each edge says of the second form what the normals at its ends differ by along it
    known = np.einsum("fki,fki->fk", turns, edges)
    rows = np.stack([ex**2, 2.0 * ex * ey, ey**2], axis=2)
    form = np.einsum("fjk,fk->fj", np.linalg.pinv(rows, rcond=1e-9), known)
    mean, half = (form[:, 0] + form[:, 2]) / 2.0, (form[:, 0] - form[:, 2]) / 2.0
    out[own] = mean + np.hypot(half, form[:, 1])
    return out


def _joined(graph: FaceGraph, convex: Bools, border: Bools) -> Bools:
    """(m,) convex faces that others join to the flange."""
    part = graph.groups(convex[graph.f] & convex[graph.g])
    first = graph.g[border]
    return convex & np.isin(part, part[first[convex[first]]])


def _radius(
    graph: FaceGraph, rounding: Bools, parts: Parts, bend: Floats, border: Bools
) -> float | None:
    """Mean radius of the rounding, mm; None if it is none, or not along the whole rim."""
    length, area = graph.length[border], graph.surface.face_areas
    inner = rounding[graph.f] & parts.cavity[graph.g] & ~rounding[graph.g]
    if not inner.any() or length[rounding[graph.g[border]]].sum() < ALL_ROUND * length.sum():
        return None
    flat = unit(area[parts.flange] @ graph.normals[parts.flange])
    turn = np.arccos(np.clip(graph.normals[graph.g[inner]] @ flat, -1.0, 1.0))
    if np.average(turn, weights=graph.length[inner]) < LEAST_TURN:
        return None
    radius = float(1.0 / np.average(bend[rounding], weights=area[rounding]))
    return radius if radius < LARGEST else None


def _border(graph: FaceGraph, parts: Parts, border: Bools) -> _Border:
    surface = graph.surface
    f, k = np.nonzero(surface.neighbours >= 0)  # in the graph's order
    f, k = f[border], k[border]
    places = np.concatenate([surface.vertices[surface.faces[f, (k + i) % 3]] for i in (0, 1)])
    return _Border(places, np.tile(parts.side * graph.normals[f], (2, 1)))


def _carried_on(
    surface: Surface, wall: Bools, rounding: Bools, land: _Border, closing: Floats
) -> tuple[Cut, int] | None:
    """The mesh without the rounding, the wall carried on; how many faces that adds."""
    own = np.flatnonzero(wall)
    used, compact = np.unique(surface.faces[own], return_inverse=True)
    fitted = build(surface.vertices[used], compact.reshape(-1, 3))
    across = surface.neighbours[own]
    row, k = np.nonzero((across >= 0) & rounding[across])
    ends = np.stack([surface.faces[own[row], k], surface.faces[own[row], (k + 1) % 3]], axis=1)
    normals = np.stack(
        [fitted.corner_normals[row, k], fitted.corner_normals[row, (k + 1) % 3]], axis=1
    )
    rim, index = np.unique(ends, return_inverse=True)
    index = index.reshape(-1, 2)
    tops = _tops(surface.vertices, normals, rim, index, land, closing)
    if tops is None:
        return None
    top, section = tops
    first = len(surface.vertices)
    (a, b), (ua, ub) = ends.T, first + index.T
    strip = np.concatenate([np.stack([b, a, ua], 1), np.stack([b, ua, ub], 1)])
    na, nb = normals[:, 0], normals[:, 1]
    beside = np.concatenate([np.stack([nb, na, na], 1), np.stack([nb, na, nb], 1)])
    vertices = np.vstack([surface.vertices, top])
    facing = face_vectors(vertices, strip)
    if (np.einsum("fi,fki->fk", facing, beside) <= 0.0).any():  # a rim that runs to and fro
        return None
    known = np.array(surface.corner_normals)
    known[own] = fitted.corner_normals
    old = np.flatnonzero(~rounding)
    cut = build(
        vertices,
        np.concatenate([surface.faces[old], strip]),
        corner_normals=np.concatenate([known[old], beside]),
    )
    source = np.concatenate([old, np.tile(across[row, k], 2)])
    sides = np.sort(first + index, axis=1)
    line = {(int(p), int(q)): section[i] for (p, q), i in zip(sides, index[:, 0], strict=True)}
    return Cut(cut, source, line, None), len(strip)


def _tops(
    vertices: Floats,
    normals: Floats,
    rim: Ints,
    index: Ints,
    land: _Border,
    closing: Floats,
) -> tuple[Floats, Floats] | None:
    """Where the wall's tangents meet the flange's planes: places (v, 3), the planes' normals."""
    upright = np.zeros((len(rim), 3))
    for i in (0, 1):
        np.add.at(upright, index[:, i], normals[:, i])
    upright = unit(upright)
    foot = vertices[rim]
    flat = np.eye(3) - np.outer(closing, closing)
    nearest = cKDTree(land.places @ flat).query(foot @ flat)[1]
    plane = land.normals[nearest]
    # straight up the wall: square to a rim along the flange, and steady where facets make it jagged
    way = unit(plane - np.einsum("vi,vi->v", plane, upright)[:, None] * upright)
    lean = np.einsum("vi,vi->v", way, plane)
    if lean.min() < LEAN:
        return None
    far = np.einsum("vi,vi->v", land.places[nearest] - foot, plane) / lean
    if far.min() < 0.0 or far.max() > 3.0 * LARGEST:
        return None
    return foot + far[:, None] * way, plane
