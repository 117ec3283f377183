"""Two surfaces joined along border vertices they share, with normals fitted across.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.geometry.surface import (
    CREASE_ANGLE,
    Bools,
    Floats,
    Ints,
    Surface,
    fit_sectors,
    readonly,
)

FITTED = 2  # rings of vertices beside the joint whose fit ended at the border before
AROUND = 4  # further rings that their new fits look at


@dataclass(frozen=True, eq=False)
class Joined:
    """One surface of two: the first's vertices and faces, then the second's.

    Attributes
    ----------
    surface : Surface
    vertex_of : (k,) int
        Vertex of ``surface`` for each of the second's.
    line : (e, 2) int
        Vertices of the edges that were joined, in the first's direction (it lies on the
        left).
    """

    surface: Surface
    vertex_of: Ints
    line: Ints


def join(first: Surface, second: Surface, crease_angle: float = CREASE_ANGLE) -> Joined:
    """Join two surfaces where border edges have exactly the same ends.

    Across the joint it is a crease where facets turn by more than ``crease_angle``
    (radians); elsewhere the vertices beside it get normals and curvatures fitted to both
    sides. Farther away all stays as it was.
    """
    vertex_of, kept = _vertex_ids(first, second)
    faces = np.concatenate([first.faces, vertex_of[second.faces]])
    vertices = np.concatenate([first.vertices, second.vertices[kept]])
    count = len(first.faces)
    other = second.neighbours
    neighbours = np.concatenate([first.neighbours, np.where(other < 0, -1, other + count)])
    crease = np.concatenate([first.crease, second.crease])
    sectors = np.concatenate([first.sectors, second.sectors + len(first.sector_normals)])
    f, k, g, j = _matching_borders(faces, neighbours, count)
    neighbours[f, k], neighbours[g, j] = g, f
    line = np.stack([faces[f, k], faces[f, (k + 1) % 3]], axis=1)
    sharp = _sharp(vertices, faces, f, g, crease_angle)
    crease[f, k], crease[g, j] = sharp, sharp
    f, k, g, j = f[~sharp], k[~sharp], g[~sharp], j[~sharp]
    here = np.concatenate([sectors[f, k], sectors[f, (k + 1) % 3]])
    there = np.concatenate([sectors[g, (j + 1) % 3], sectors[g, j]])
    both = [
        np.concatenate([getattr(s, name) for s in (first, second)])
        for name in ("sector_normals", "sector_curvatures", "sector_residual")
    ]
    label, kept_sectors = _merged(here, there, len(both[0]))
    sectors = label[sectors]
    fitted = [a[kept_sectors] for a in both]
    _fit_beside(vertices, faces, sectors, line, fitted)
    arrays = (vertices, faces, neighbours, crease, sectors, *fitted)
    return Joined(Surface(*(readonly(a) for a in arrays)), readonly(vertex_of), readonly(line))


def _vertex_ids(first: Surface, second: Surface) -> tuple[Ints, Bools]:
    """Ids of the second's vertices in the whole, and which of them are new."""
    a, b = _border_vertices(first), _border_vertices(second)
    at = {p.tobytes(): int(i) for i, p in zip(a, first.vertices[a] + 0.0, strict=True)}
    out = np.full(len(second.vertices), -1, dtype=np.int64)
    for i, p in zip(b, second.vertices[b] + 0.0, strict=True):
        out[i] = at.get(p.tobytes(), -1)
    new = out < 0
    out[new] = len(first.vertices) + np.arange(new.sum())
    return out, new


def _border_vertices(surface: Surface) -> Ints:
    f, k = np.nonzero(surface.neighbours < 0)
    return np.unique(np.concatenate([surface.faces[f, k], surface.faces[f, (k + 1) % 3]]))


def _matching_borders(faces: Ints, neighbours: Ints, count: int):
    """Border edges (face, number) of the first and the same edges of the second."""
    f, k = np.nonzero(neighbours < 0)
    tail, head = faces[f, k], faces[f, (k + 1) % 3]
    of_first = f < count
    size = int(faces.max()) + 1
    code = np.where(of_first, tail * size + head, head * size + tail)
    _, one, two = np.intersect1d(code[of_first], code[~of_first], return_indices=True)
    one, two = np.flatnonzero(of_first)[one], np.flatnonzero(~of_first)[two]
    return f[one], k[one], f[two], k[two]


def _sharp(vertices: Floats, faces: Ints, f: Ints, g: Ints, angle: float) -> Bools:
    """(e,) whether facets f and g turn by more than ``angle``."""

    def normals(which: Ints) -> Floats:
        a, b, c = (vertices[faces[which, k]] for k in range(3))
        n = np.cross(b - a, c - a)
        return n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-300)

    return np.asarray(np.einsum("ei,ei->e", normals(f), normals(g)) < np.cos(angle))


def _merged(here: Ints, there: Ints, count: int) -> tuple[Ints, Ints]:
    """New number of each sector where ``here`` and ``there`` are one; the first of each."""
    graph = sparse.coo_matrix((np.ones(len(here)), (here, there)), (count, count))
    total, label = connected_components(graph, directed=False)
    first = np.full(total, count, dtype=np.int64)
    np.minimum.at(first, label, np.arange(count))
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(total)
    return rank[label], first[order]


def _fit_beside(
    vertices: Floats, faces: Ints, sectors: Ints, line: Ints, fitted: list[Floats]
) -> None:
    """Fit normals, curvatures and residuals anew at the vertices beside the joint."""
    near = np.zeros(len(vertices), bool)
    near[line] = True
    refit = near
    for ring in range(FITTED + AROUND):
        touched = near[faces].any(axis=1)
        near = near.copy()
        near[faces[touched]] = True
        refit = near if ring == FITTED - 1 else refit
    part = np.flatnonzero(near[faces].all(axis=1))
    if not len(part):
        return
    used, local = np.unique(sectors[part], return_inverse=True)
    local = local.reshape(-1, 3)
    owner = np.empty(len(used), dtype=np.int64)
    owner[local] = faces[part]
    new = fit_sectors(vertices[owner], local)
    here = refit[owner]
    for old, fresh in zip(fitted, new, strict=True):
        old[used[here]] = fresh[here]
