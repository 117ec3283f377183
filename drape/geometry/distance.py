"""Distance along a surface from a line on its border.

Exact on the triangles as far as a budget of windows goes (kernels: ``geometry.windows``);
past that, which only very fine meshes reach, it is marched on (``geometry.marching``).
Lengths in mm.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree

from drape.geometry.distance_marching import march
from drape.geometry.distance_windows import WINDOW, begin, most_pushed, spread
from drape.geometry.fans import Mesh, fans
from drape.geometry.heap import check_room, enlarged, make_heap
from drape.geometry.surface import Bools, Floats, Ints, Surface, matching_edge

MOST_WINDOWS = 2_000_000  # about a second
FIRST_ROOM = 1 << 16  # windows that the heap is made for; it is enlarged as need be


def distance_from(
    surface: Surface, part: Bools, line: Ints, reach: float, most_windows: int = MOST_WINDOWS
) -> Floats:
    """Distance of vertices from a line, along one part of the surface only.

    Parameters
    ----------
    part : (m,) bool
        Faces that ways may go over; the line is on the border of this part.
    line : (e, 2) int
        Edges of the line, vertices of the surface in either direction.
    reach : mm
    most_windows : how far the distance is exact; the rest is marched

    Returns
    -------
    (n,) mm along the smooth surface (sides of triangles are arcs, see ``side_lengths``);
    ∞ past ``reach`` and off the part.
    """
    out = np.full(len(surface.vertices), np.inf)
    near = _near(surface, part, line, reach)
    if not len(near) or not len(line):
        return out
    used, local = np.unique(surface.faces[near], return_inverse=True)
    faces = local.reshape(-1, 3)
    number = np.full(len(out), -1, dtype=np.int64)
    number[used] = np.arange(len(used))
    place = np.full(len(surface.faces), -1, dtype=np.int64)
    place[near] = np.arange(len(near))
    across = surface.neighbours[near]
    neighbours = np.where(across < 0, -1, place[across])
    lengths = side_lengths(surface, near)
    distance = _spread(faces, neighbours, lengths, number[line], reach, most_windows)
    distance[distance > reach] = np.inf
    out[used] = distance
    return out


def _near(surface: Surface, part: Bools, line: Ints, reach: float) -> Ints:
    """Faces of the part with a vertex no farther than ``reach`` from the line in space."""
    points = surface.vertices[np.unique(line)]
    ends = surface.vertices[line]
    longest = float(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1).max(initial=0.0))
    gap = cKDTree(points).query(surface.vertices, distance_upper_bound=reach + longest)[0]
    return np.flatnonzero(part & np.isfinite(gap)[surface.faces].any(axis=1))


def _spread(
    faces: Ints, neighbours: Ints, lengths: Floats, line: Ints, reach: float, most: int
) -> Floats:
    """(n,) distance of the vertices of faces with sides (k, 3) from edges of their border."""
    count = int(faces.max()) + 1
    line = line[(line >= 0).all(axis=1)]
    source = np.zeros(count, bool)
    source[line] = True
    tail, head = faces, np.roll(faces, -1, axis=1)
    code = np.minimum(tail, head) * count + np.maximum(tail, head)
    on_line = np.isin(code, line.min(axis=1) * count + line.max(axis=1)) & (neighbours < 0)
    first, total = np.empty(count, np.int64), np.zeros(count)
    theta = np.zeros(faces.shape)
    fans(faces, neighbours, lengths, first, theta, total)
    mesh = Mesh(faces, neighbours, matching_edge(faces, neighbours), lengths)
    distance, back = np.empty(count), np.zeros(count)
    rounds = (first, theta, total)
    known = _spread_windows(mesh, on_line, source, reach, most, rounds, distance, back)
    if known < reach:
        _carry_on(faces, neighbours, lengths, rounds, known, distance, back)
    return distance


def _spread_windows(mesh, on_line, source, reach, most, rounds, distance, back) -> float:
    """Fill ``distance`` and ``back``, see ``distance_windows.spread``; how far out all is known."""
    room = most_pushed(mesh.faces)
    at_line = int(np.count_nonzero(source[mesh.faces]))  # corners that windows set off from
    heap = make_heap(max(FIRST_ROOM, int(on_line.sum()) + 3 * at_line + room), WINDOW)
    begin(mesh, on_line, source, reach, *rounds, heap, distance, back)
    best, where = np.full(mesh.faces.shape, np.inf), np.zeros(mesh.faces.shape)
    gone = np.zeros(1, np.int64)
    while True:
        known = spread(mesh, reach, most, room, gone, *rounds, heap, distance, back, best, where)
        if not np.isnan(known):
            check_room(heap)
            return known
        heap = enlarged(heap)


def _carry_on(faces, neighbours, lengths, rounds, known, distance, back) -> None:
    """Distances past ``known`` from those within, in place."""
    first, theta, total = rounds
    count = len(distance)
    corner = np.argsort(faces.ravel(), kind="stable")
    start = np.concatenate([[0], np.cumsum(np.bincount(faces.ravel(), minlength=count))])
    closed = neighbours.ravel()[np.maximum(first, 0)] >= 0
    scale = np.where(closed, 2.0 * np.pi / np.maximum(total, 1e-300), 1.0)
    given = distance < known
    distance[~given] = np.inf
    order = np.argsort(_along_edges(faces, lengths, distance), kind="stable")
    active = np.empty(count, bool)
    march(faces, lengths, given, order, start, corner, theta, scale, active, distance, back)


def _along_edges(faces: Ints, lengths: Floats, distance: Floats) -> Floats:
    """(n,) least sum of a finite distance and edges from there: the order to go in, no more."""
    count = len(distance)
    given = np.flatnonzero(np.isfinite(distance))
    tail, head = faces.ravel(), np.roll(faces, -1, axis=1).ravel()
    pair = np.stack([np.minimum(tail, head), np.maximum(tail, head)])
    _, once = np.unique(pair[0] * count + pair[1], return_index=True)
    root = np.stack([np.full(len(given), count), given])
    weights = np.concatenate([lengths.ravel()[once], distance[given] + 1.0])
    ends = np.concatenate([pair[:, once], root], axis=1)
    graph = sparse.csr_matrix((weights, tuple(ends)), (count + 1, count + 1))
    return dijkstra(graph, directed=False, indices=count)[:count]


def side_lengths(surface: Surface, which: Ints) -> Floats:
    """(k, 3) lengths of the sides of faces, as arcs between their ends' normals, mm.

    A chord c whose end normals lean by slopes a, b has an arc of length c·asin(s)/s with
    s = |a − b|/2, and (a + b)²c/40 more where it winds (see ``geodesics.arc_length``).
    Creases are straight.
    """
    corners, normals = surface.vertices[surface.faces[which]], surface.corner_normals[which]
    step = np.roll(corners, -1, axis=1) - corners
    chord = np.maximum(np.linalg.norm(step, axis=2), 1e-300)
    a = -np.einsum("fki,fki->fk", step, normals) / chord
    b = -np.einsum("fki,fki->fk", step, np.roll(normals, -1, axis=1)) / chord
    s = np.clip(0.5 * np.abs(a - b), 1e-9, 0.999)
    arc = chord * (np.arcsin(s) / s + 0.025 * (a + b) ** 2)
    return np.where(surface.crease[which], chord, arc)
