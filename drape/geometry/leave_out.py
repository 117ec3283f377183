"""A surface without some of its vertices: what it would be had the mesh been coarser.

No two of those left out share an edge. Each is moved into one of its ring's vertices, which closes
the hole that it leaves; a vertex on the rim moves along the rim. Lengths in mm.

bulge of an edge   how far an arc between its ends, with their normals, rises above it:
                   L |t·(n_p − n_q)| / 8
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bools1, Floats2, Ints1, Ints2, local_indices, local_vector
from drape.geometry.arrays import Bools, Ints, owned
from drape.geometry.fans import fans, next_round
from drape.geometry.surface import Surface, face_neighbours, fit_sectors, split_sectors

MOST_RING = 40  # vertices round one that may be left out
TIPPED = 0.5  # cosine between a new facet and the vertex's normal: never tipped further
MOST_BULGE = 6.0  # of a new edge, times the largest at the vertex (twice the length gives 4)


@kernel
def ring_of(faces: Ints2, neighbours: Ints2, corner: int, ring: Ints1) -> int:
    """Fill ``ring`` with the vertices round one, counter-clockwise from ``corner`` (3·face + k).

    Returns their number, or −1 where there are more than it holds. An open fan's last vertex
    is listed too.
    """
    f, k, begin, count = corner // 3, corner % 3, corner // 3, 0
    while True:
        if count + 1 >= ring.size:
            return -1
        ring[count] = faces[f, (k + 1) % 3]
        count += 1
        last = faces[f, (k + 2) % 3]
        f, k = next_round(faces, neighbours, f, k)
        if f == begin:
            return count
        if f < 0:
            ring[count] = last
            return count + 1


@kernel
def bulge(points: Floats2, normals: Floats2, p: int, q: int) -> float:
    """Bulge of the edge p–q, mm."""
    total = 0.0
    for c in range(3):
        total += (points[q, c] - points[p, c]) * (normals[p, c] - normals[q, c])
    return abs(total) / 8.0


@kernel
def is_tipped(points: Floats2, a: int, b: int, c: int, normals: Floats2, v: int) -> bool:
    """Whether facet a–b–c leans too far from the normal at ``v``, or is no facet."""
    n = local_vector(3)
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        n[k] = (points[b, i] - points[a, i]) * (points[c, j] - points[a, j])
        n[k] -= (points[b, j] - points[a, j]) * (points[c, i] - points[a, i])
    dot = square = 0.0
    for k in range(3):
        dot += n[k] * normals[v, k]
        square += n[k] * n[k]
    return not dot > TIPPED * np.sqrt(square)


@kernel
def worst_bulge(
    points: Floats2, normals: Floats2, v: int, ring: Ints1, count: int, j: int, closed: bool
) -> float:
    """Largest bulge of the edges made by moving ``v`` into its ring's vertex j; inf if it can't."""
    largest = 0.0
    for i in range(count):
        after = (i + 1) % count
        if i == j or after == j or (after == 0 and not closed):
            continue
        if is_tipped(points, ring[j], ring[i], ring[after], normals, v):
            return np.inf
        if (j + 1) % count != i or (j == count - 1 and not closed):
            largest = max(largest, bulge(points, normals, ring[j], ring[i]))
    if not closed:
        largest = max(largest, bulge(points, normals, ring[0], ring[count - 1]))
    return largest


@kernel
def may_join(
    faces: Ints2, neighbours: Ints2, first: Ints1, ring: Ints1, count: int, j: int, closed: bool
) -> bool:
    """Whether the ring's vertex j has no edge yet to those it would be joined to."""
    other = local_indices(MOST_RING)
    found = ring_of(faces, neighbours, first[ring[j]], other)
    if found < 0:
        return False
    for i in range(count):
        beside = i == j or abs(i - j) == 1 or (closed and abs(i - j) == count - 1)
        if beside:
            continue
        for k in range(found):
            if other[k] == ring[i]:
                return False
    return True


@entry(writes="into blocked")
def choose_left_out(
    points: Floats2,
    normals: Floats2,
    faces: Ints2,
    neighbours: Ints2,
    first: Ints1,
    blocked: Bools1,
    into: Ints1,
) -> int:
    """Fill ``into`` (n,) with the vertex that each one moves into, its own where it stays.

    ``normals`` (n, 3) unit; ``first`` (n,) from ``fans.fans``; ``blocked`` (n,): those that must
    stay, to which their neighbours are added. Returns how many are left out.
    """
    ring = local_indices(MOST_RING)
    left_out = 0
    for v in range(into.size):
        into[v] = v
    for v in range(into.size):
        if blocked[v] or first[v] < 0:
            continue
        f, k = first[v] // 3, first[v] % 3
        closed = neighbours[f, k] >= 0
        count = ring_of(faces, neighbours, first[v], ring)
        if count < 3 + int(closed):
            continue
        allowed = 0.0
        for i in range(count):
            allowed = max(allowed, bulge(points, normals, v, ring[i]))
        allowed, best = MOST_BULGE * allowed + 1e-12, -1
        for j in range(count):
            if not closed and 0 < j < count - 1:
                continue
            value = worst_bulge(points, normals, v, ring, count, j, closed)
            if value < allowed and may_join(faces, neighbours, first, ring, count, j, closed):
                allowed, best = value, j
        if best < 0:
            continue
        into[v] = ring[best]
        left_out += 1
        for i in range(count):
            blocked[ring[i]] = True
    return left_out


@dataclass(frozen=True, eq=False)
class Coarser:
    """A surface of fewer of a mesh's vertices.

    surface : Surface
        Its vertices are those that stay, in their order.
    vertices : (k,) int, the mesh's number of each
    faces : (j,) int, the mesh's face that each was made of
    begin : (m,) int, for each of the mesh's faces one of these at the same place or beside it
    """

    surface: Surface
    vertices: Ints
    faces: Ints
    begin: Ints


def leave_out(surface: Surface, stay: Bools, *, fitted: bool = True) -> Coarser | None:
    """The surface without as many vertices as it can do without, about a quarter.

    Vertices on creases and those that must ``stay`` (n,) do; creases are kept. None where no
    vertex can be left out.

    ``fitted``: normals are fitted again to what is left; otherwise they are as they were.
    """
    into = _chosen(surface, stay)
    moved = into != np.arange(len(into))
    if not moved.any():
        return None
    faces = into[surface.faces]
    kept = np.flatnonzero((faces != np.roll(faces, -1, axis=1)).all(axis=1))
    gone = np.where(moved[surface.faces], surface.faces, -1).max(axis=1)
    beside = np.full(len(into), -1)
    changed = np.flatnonzero(gone[kept] >= 0)
    beside[gone[kept[changed]]] = changed
    begin = beside[gone]  # of faces that vanish: one of the same hole
    begin[kept] = np.arange(len(kept))
    vertices = np.unique(faces[kept])
    number = np.full(len(into), -1)
    number[vertices] = np.arange(len(vertices))
    coarse = _surface(surface, vertices, number[faces[kept]], kept, fitted)
    return Coarser(coarse, vertices, kept, begin)


def _chosen(surface: Surface, stay: Bools) -> Ints:
    """(n,) the vertex that each one moves into, its own where it stays."""
    n, faces = len(surface.vertices), surface.faces
    first, theta, total = np.empty(n, np.int64), np.zeros(faces.shape), np.zeros(n)
    sides = np.linalg.norm(
        np.roll(surface.vertices[faces], -1, 1) - surface.vertices[faces], axis=2
    )
    fans(faces, surface.neighbours, sides, first, theta, total)
    least, most = np.full(n, len(surface.sector_normals)), np.full(n, -1)
    np.minimum.at(least, faces.ravel(), surface.sectors.ravel())
    np.maximum.at(most, faces.ravel(), surface.sectors.ravel())
    normals = np.zeros((n, 3))
    normals[faces] = surface.corner_normals
    into = np.empty(n, np.int64)
    blocked = stay | (least != most)
    choose_left_out(surface.vertices, normals, faces, surface.neighbours, first, blocked, into)
    return into


def _surface(surface: Surface, vertices: Ints, faces: Ints, kept: Ints, fitted: bool) -> Surface:
    """Surface of some ``vertices`` (k,) of another; ``faces`` (j, 3) are made of those ``kept``.

    The edges that were creases are: they lie between vertices that stay.
    """
    neighbours = face_neighbours(faces)
    folds = np.unique(_keys(surface.faces, len(surface.vertices))[surface.crease])
    crease = np.isin(_keys(vertices[faces], len(surface.vertices)), folds) & (neighbours >= 0)
    sectors, owner = split_sectors(faces, neighbours, crease)
    points = surface.vertices[vertices]
    if fitted:
        normals, curvatures, residual = fit_sectors(points[owner], sectors)
    else:
        normals, curvatures = np.zeros((len(owner), 3)), np.full((len(owner), 2), np.nan)
        residual = curvatures[:, 0].copy()
        at = np.zeros((len(surface.vertices), 3))
        at[surface.faces] = surface.corner_normals
        normals[sectors] = at[vertices[faces]]
        still = vertices[faces] == surface.faces[kept]  # beside creases each side has its own
        normals[sectors[still]] = surface.corner_normals[kept][still]
    arrays = (points, faces, neighbours, crease, sectors, normals, curvatures, residual)
    return Surface(*(owned(a) for a in arrays))


def refitted(surface: Surface) -> Surface:
    """The same surface with normals fitted to its own vertices."""
    owner = np.empty(len(surface.sector_normals), np.int64)
    owner[surface.sectors.ravel()] = surface.faces.ravel()
    normals, curvatures, residual = fit_sectors(surface.vertices[owner], surface.sectors)
    return replace(
        surface,
        sector_normals=owned(normals),
        sector_curvatures=owned(curvatures),
        sector_residual=owned(residual),
    )


def _keys(faces: Ints, count: int) -> Ints:
    """(m, 3) one number for each edge, the same on its two sides; of ``count`` vertices."""
    ahead = np.roll(faces, -1, axis=1)
    out: Ints = np.minimum(faces, ahead) * count + np.maximum(faces, ahead)
    return out
