"""Surface: triangles with adjacency, creases and fitted normals. Immutable.

Words
-----
corner    one of a face's three vertices, (face, k)
edge k    of a face: from corner k to corner (k + 1) % 3; neighbours and creases use it
crease    an edge where the surface isn't smooth
sector    a vertex as seen from one side of its creases: the corners round a vertex that
          are joined without crossing a crease. Normals belong to sectors, not vertices

Lengths in mm, angles in radians. Faces turn counter-clockwise seen against the normal,
so that for a cavity the normals point into the hollow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.errors import InputError
from drape.geometry.arrays import Bools, Floats, Ints, owned, readonly
from drape.geometry.creases import find_creases
from drape.geometry.edge_normals import edges_of, refine
from drape.geometry.fitting import fit_quadrics

EASE = 0.5  # mm of height per mm along the surface, beside a place too tight for it
FOLDING = 0.9  # of the radius: how near a parallel surface comes to folding over
LEAN = 0.2  # radians, past twice the facets' own, that a quadric's normal may lean from theirs
# between the angles of a 12-gon's and a 13-gon's facets: at their own, rounding would decide
CREASE_ANGLE = np.radians(29.0)


@dataclass(frozen=True)
class SurfacePoint:
    """Where on the mesh: a face and barycentric weights of its corners 1 and 2."""

    face: int
    b1: float
    b2: float


@dataclass(frozen=True, eq=False)
class Surface:
    """Triangles with what the net needs to know of them; made by ``build``.

    Attributes
    ----------
    vertices : (n, 3) float, mm
    faces : (m, 3) int
    neighbours : (m, 3) int, face across edge k, −1 at a border
    crease : (m, 3) bool, whether edge k is a crease
    sectors : (m, 3) int, sector of each corner
    sector_normals : (s, 3) float, unit
    sector_curvatures : (s, 2) float, 1/mm, positive where concave seen along the normal
    sector_residual : (s,) float, mm, how far a quadric fitted there misses the neighbours
    """

    vertices: Floats
    faces: Ints
    neighbours: Ints
    crease: Bools
    sectors: Ints
    sector_normals: Floats
    sector_curvatures: Floats
    sector_residual: Floats

    @cached_property
    def face_vectors(self) -> Floats:
        """(m, 3) facet normals times facet area, mm²."""
        return readonly(face_vectors(self.vertices, self.faces))

    @cached_property
    def face_areas(self) -> Floats:
        """(m,) facet areas, mm²."""
        return readonly(np.linalg.norm(self.face_vectors, axis=1))

    @cached_property
    def face_normals(self) -> Floats:
        """(m, 3) unit facet normals; zero where a facet has no area."""
        return readonly(unit(self.face_vectors))

    @property
    def corner_normals(self) -> Floats:
        """(m, 3, 3) unit fitted normal at each corner."""
        return self.sector_normals[self.sectors]

    @cached_property
    def size(self) -> float:
        """Diagonal of the bounding box, mm."""
        return float(np.linalg.norm(np.ptp(self.vertices, axis=0)))

    @cached_property
    def ball(self) -> tuple[Floats, float]:
        """Middle (3,) of the bounding box and the radius round it that holds all, mm."""
        middle = 0.5 * (self.vertices.min(axis=0) + self.vertices.max(axis=0))
        return middle, float(np.linalg.norm(self.vertices - middle, axis=1).max())

    @cached_property
    def pieces(self) -> int:
        """Number of parts that no shared edge joins."""
        f, k = np.nonzero(self.neighbours >= 0)
        m = len(self.faces)
        graph = sparse.coo_matrix((np.ones(len(f)), (f, self.neighbours[f, k])), (m, m))
        return int(connected_components(graph, directed=False, return_labels=False))

    def moved(self, matrix: ArrayLike) -> Surface:
        """The surface under a rigid motion or mirroring, (4, 4) or (3, 3) matrix.

        Mirrored faces are turned over, so that normals stay on the same side.
        """
        m = np.eye(4)
        given = np.asarray(matrix, dtype=float)
        m[: given.shape[0], : given.shape[1]] = given
        turn = m[:3, :3]
        if not np.allclose(turn @ turn.T, np.eye(3), atol=1e-9):
            raise InputError("a surface can only be moved rigidly", value="a matrix that scales")
        vertices = self.vertices @ turn.T + m[:3, 3]
        normals = self.sector_normals @ turn.T
        out = replace(self, vertices=readonly(vertices), sector_normals=readonly(normals))
        return out if np.linalg.det(turn) > 0 else _turned_over(out)

    def offset(self, height: float | Floats) -> Surface:
        """The parallel surface ``height`` mm along the normals; same faces and ids.

        Heights (n,) may differ from vertex to vertex; the normals then lean with them.
        Where a vertex has several sectors (a crease) it moves to the place that is
        ``height`` from each of them: a mitre. Where the surface bends more tightly than
        ``height`` it moves less, so that it doesn't fold over (cloth bridges there).

        Raises
        ------
        InputError
            Heights on both sides of the surface.
        """
        heights = np.broadcast_to(np.asarray(height, dtype=float), len(self.vertices))
        if heights.min() < 0.0 < heights.max():
            raise InputError(
                "heights must lie on one side of the surface",
                value=f"{heights.min():g} to {heights.max():g} mm",
                remedy="give all the same sign",
            )
        if not heights.any():
            return self
        sign = 1.0 if heights.sum() > 0.0 else -1.0
        tightest = np.zeros(len(self.vertices))
        bend = sign * self.sector_curvatures[:, 1 if sign > 0.0 else 0]
        np.maximum.at(tightest, self.faces.ravel(), bend[self.sectors].ravel())
        limit = np.where(tightest > 0.0, FOLDING / np.maximum(tightest, 1e-12), np.inf)
        least = np.minimum(abs(heights), limit)
        if (least < abs(heights)).any():  # what is taken away is spread, not the heights
            least = abs(heights) + _eased(least - abs(heights), self)
        vertices = self.vertices + (sign * least)[:, None] * _mitre_directions(self)
        normals = self.sector_normals
        if np.ptp(heights) > 0.0:
            normals = readonly(_leaning(self, sign * least))
        return replace(self, vertices=readonly(vertices), sector_normals=normals)


def build(
    vertices: ArrayLike,
    faces: ArrayLike,
    *,
    crease_angle: float = CREASE_ANGLE,
    corner_normals: ArrayLike | None = None,
    fitted: bool = True,
) -> Surface:
    """Make a ``Surface``: adjacency, creases, sectors, fitted normals and curvatures.

    Parameters
    ----------
    vertices : (n, 3), mm
    faces : (m, 3) int, consistently oriented
    crease_angle : float, radians
        Edges whose facets turn by more are creases.
    corner_normals : (m, 3, 3), optional
        Known normals, used in place of fitted ones.
    fitted : bool
        False where normals are given and nobody asks for curvatures and residuals: these are
        NaN then, and the fit's time is saved.

    Raises
    ------
    InputError
        Shapes that don't fit, no faces, indices out of range, or values not finite.
    """
    v = np.array(vertices, dtype=np.float64).reshape(-1, 3)
    f = np.array(faces, dtype=np.int64).reshape(-1, 3)
    if len(f) == 0:
        raise InputError("the mesh is empty", value="0 triangles", remedy="export it again")
    if not np.isfinite(v).all():
        raise InputError("the mesh has coordinates that aren't numbers", value="NaN or infinity")
    if f.min() < 0 or f.max() >= len(v):
        raise InputError("faces refer to vertices that don't exist", value=f"{f.max()} of {len(v)}")
    neighbours = face_neighbours(f)
    normals = unit(face_vectors(v, f))
    crease = find_creases(v, f, normals, neighbours, crease_angle)
    sectors, sector_vertex = split_sectors(f, neighbours, crease)
    count = len(sector_vertex)
    sector_normals = np.zeros((count, 3))
    curvatures, residual = np.full((count, 2), np.nan), np.full(count, np.nan)
    if fitted or corner_normals is None:
        sector_normals, curvatures, residual = fit_sectors(v[sector_vertex], sectors)
    if corner_normals is not None:
        given = np.zeros((count, 3))
        np.add.at(given, sectors.ravel(), np.asarray(corner_normals, float).reshape(-1, 3))
        sector_normals = unit(given)
    arrays = (v, f, neighbours, crease, sectors, sector_normals, curvatures, residual)
    return Surface(*(owned(a) for a in arrays))


def unit(vectors: Floats) -> Floats:
    """(…, 3) vectors scaled to length one; zero vectors stay zero."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    return vectors / np.where(length > 0.0, length, 1.0)


def face_vectors(vertices: Floats, faces: Ints) -> Floats:
    """(m, 3) facet normals with the length of the facet's area, mm²."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return 0.5 * np.cross(b - a, c - a)


def face_neighbours(faces: Ints) -> Ints:
    """(m, 3) face across each edge, −1 where there is none or more than one."""
    m = len(faces)
    ends = np.stack([faces, np.roll(faces, -1, axis=1)], axis=2).reshape(-1, 2)
    low, high = ends.min(axis=1), ends.max(axis=1)
    order = np.lexsort((high, low))
    same = (np.diff(low[order]) == 0) & (np.diff(high[order]) == 0)
    first = np.flatnonzero(same)
    alone = np.ones(len(first), dtype=bool)  # an edge with three faces joins nothing
    alone[1:] &= np.diff(first) > 1
    alone[:-1] &= np.diff(first) > 1
    first = first[alone]
    out = np.full(3 * m, -1, dtype=np.int64)
    a, b = order[first], order[first + 1]
    out[a], out[b] = b // 3, a // 3
    return out.reshape(m, 3)


def matching_edge(faces: Ints, neighbours: Ints) -> Ints:
    """(m, 3) number of the shared edge within the neighbour; −1 at borders."""
    out = np.full(neighbours.shape, -1, dtype=np.int64)
    f, k = np.nonzero(neighbours >= 0)
    other = neighbours[f, k]
    low = np.minimum(faces[f, k], faces[f, (k + 1) % 3])
    high = np.maximum(faces[f, k], faces[f, (k + 1) % 3])
    for j in range(3):
        a, b = faces[other, j], faces[other, (j + 1) % 3]
        hit = (np.minimum(a, b) == low) & (np.maximum(a, b) == high)
        out[f[hit], k[hit]] = j
    return out


def split_sectors(faces: Ints, neighbours: Ints, crease: Bools) -> tuple[Ints, Ints]:
    """Number the sectors: ((m, 3) sector of each corner, (s,) vertex of each sector)."""
    m = len(faces)
    match = matching_edge(faces, neighbours)
    f, k = np.nonzero((neighbours >= 0) & ~crease)
    other, j = neighbours[f, k], match[f, k]
    same_way = faces[f, k] == faces[other, j]
    here = np.concatenate([3 * f + k, 3 * f + (k + 1) % 3])
    there = np.concatenate(
        [
            3 * other + np.where(same_way, j, (j + 1) % 3),
            3 * other + np.where(same_way, (j + 1) % 3, j),
        ]
    )
    graph = sparse.coo_matrix((np.ones(len(here)), (here, there)), shape=(3 * m, 3 * m))
    count, label = connected_components(graph, directed=False)
    owner = np.empty(count, dtype=np.int64)
    owner[label] = faces.ravel()
    return label.reshape(m, 3).astype(np.int64), owner


def rows_of(faces: Ints, count: int) -> tuple[Ints, Ints, Ints]:
    """Vertex adjacency in compressed rows: (count + 1,) starts, neighbours, faces at each edge."""
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    one = np.ones(len(pairs), np.int64)
    graph = sparse.csr_matrix((one, (pairs[:, 0], pairs[:, 1])), (count, count))
    graph.sum_duplicates()
    return graph.indptr.astype(np.int64), graph.indices.astype(np.int64), graph.data


def fit_sectors(points: Floats, sectors: Ints) -> tuple[Floats, Floats, Floats]:
    """Normals (s, 3), curvatures (s, 2) and residuals (s,) of sectors; see ``Surface``.

    ``points`` (s, 3) mm: the vertex of each; ``sectors`` (m, 3): those of each face.
    """
    start, neighbour, used = rows_of(sectors, len(points))
    normals, curvatures, residual, firm = fit_alone(points, sectors, start, neighbour)
    edges = edges_of(points, start, neighbour, used)
    return *refine(points, sectors, edges, normals, curvatures, firm), residual


def fit_alone(
    points: Floats, sectors: Ints, start: Ints, neighbour: Ints
) -> tuple[Floats, Floats, Floats, Floats]:
    """The same from each sector's own quadric alone, and how firm it is (s,); see ``refine``.

    ``start``, ``neighbour``: adjacency from ``rows_of``. A quadric that leans out of the facets
    it is fitted to isn't firm, whatever its equations.
    """
    normals = np.zeros(points.shape)
    vectors = face_vectors(points, sectors)
    for k in range(3):
        np.add.at(normals, sectors[:, k], vectors)
    normals = unit(normals)
    lean = np.einsum("fi,fki->fk", unit(vectors), normals[sectors])
    begun = normals.copy()
    cones = np.ones(len(points))  # a normal lies among those of the facets that meet there
    np.minimum.at(cones, sectors.ravel(), lean.ravel())
    curvatures, residual = np.zeros((len(points), 2)), np.zeros(len(points))
    mark, firm = np.full(len(points), -1), np.zeros(len(points))
    fit_quadrics(points, normals, cones, start, neighbour, mark, curvatures, residual, firm)
    turn = np.arccos(np.clip(np.einsum("si,si->s", normals, begun), -1.0, 1.0))
    firm[turn > 2.0 * np.arccos(np.clip(cones, -1.0, 1.0)) + LEAN] = 0.0
    return normals, curvatures, residual, firm


def _mitre_directions(surface: Surface) -> Floats:
    """(n, 3) displacement per unit height: x·n = 1 for the normals of all its sectors."""
    n = len(surface.vertices)
    sector, first = np.unique(surface.sectors.ravel(), return_index=True)
    owner, normal = surface.faces.ravel()[first], surface.sector_normals[sector]
    counts = np.bincount(owner, minlength=n)
    out = np.zeros((n, 3))
    single = counts[owner] == 1
    out[owner[single]] = normal[single]
    matrix, rhs = np.zeros((n, 3, 3)), np.zeros((n, 3))
    np.add.at(matrix, owner, normal[:, :, None] * normal[:, None, :])
    np.add.at(rhs, owner, normal)
    for v in np.flatnonzero(counts > 1):
        out[v] = np.linalg.pinv(matrix[v], rcond=1e-3) @ rhs[v]
    return out


def _leaning(surface: Surface, heights: Floats) -> Floats:
    """(s, 3) normals of the sectors raised by ``heights`` (n,): leaning against their slope."""
    faces = surface.faces
    total = np.zeros_like(surface.sector_normals)
    share = np.zeros(len(total))
    rise = np.zeros_like(surface.face_vectors)
    for k in range(3):
        side = surface.vertices[faces[:, (k + 2) % 3]] - surface.vertices[faces[:, (k + 1) % 3]]
        rise += 0.5 * heights[faces[:, k]][:, None] * np.cross(surface.face_normals, side)
    for k in range(3):  # rise: slope times area
        np.add.at(total, surface.sectors[:, k], rise)
        np.add.at(share, surface.sectors[:, k], surface.face_areas)
    slope = total / np.maximum(share, 1e-30)[:, None]
    return unit(surface.sector_normals - slope)


def _eased(heights: Floats, surface: Surface) -> Floats:
    """(n,) the largest heights up to the given ones that change by EASE per mm along edges."""
    out, f = heights.copy(), surface.faces
    pairs = np.concatenate([f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]]])
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    gap = surface.vertices[pairs[:, 0]] - surface.vertices[pairs[:, 1]]
    rise = EASE * np.linalg.norm(gap, axis=1)
    while True:
        before = out.copy()
        np.minimum.at(out, pairs[:, 0], before[pairs[:, 1]] + rise)
        if np.array_equal(out, before):
            return out


def _turned_over(surface: Surface) -> Surface:
    """Faces in the opposite turn, edge numbering kept consistent."""
    order = [0, 2, 1]  # corners 0, 2, 1: edges 0, 1, 2 become the old 2, 1, 0
    return replace(
        surface,
        faces=readonly(surface.faces[:, order]),
        sectors=readonly(surface.sectors[:, order]),
        neighbours=readonly(surface.neighbours[:, ::-1]),
        crease=readonly(surface.crease[:, ::-1]),
    )
