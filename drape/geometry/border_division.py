"""Border edges of a surface divided: the face behind each becomes a fan from its far corner.

Old vertices and faces keep their ids (a divided face's becomes its first piece's), new ones
follow. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from drape.geometry.surface import Floats, Ints, Surface, readonly, unit

Cuts = Mapping[tuple[int, int], Sequence[int]]


def border_edges(surface: Surface) -> dict[tuple[int, int], int]:
    """Face behind each border edge, by the edge's vertices (the surface on its left)."""
    f, k = np.nonzero(surface.neighbours < 0)
    tail, head = surface.faces[f, k], surface.faces[f, (k + 1) % 3]
    return dict(zip(zip(tail.tolist(), head.tolist(), strict=True), f.tolist(), strict=True))


def divide_border(surface: Surface, vertices: Floats, cuts: Cuts) -> tuple[Surface, Ints]:
    """Divide border edges at new vertices.

    Parameters
    ----------
    vertices : (n + r, 3) mm
        Old vertices (they may have moved a little), then the new ones.
    cuts : border edge (tail, head) → ids of the new vertices on it, in order

    Returns
    -------
    surface
        Normals, curvatures and creases are kept; a new vertex has those between its
        edge's ends.
    source : (m + r,) int
        Old face that each face comes from.
    """
    added = sum(len(ids) for ids in cuts.values())
    work = _Work(surface, vertices, added)
    for (tail, head), ids in cuts.items():
        work.divide(tail, head, list(ids))
    return work.surface(), work.source


class _Work:
    """Arrays with room for the new faces, while edges are divided one by one."""

    def __init__(self, surface: Surface, vertices: Floats, added: int) -> None:
        self.old = surface
        self.vertices = vertices
        self.count = len(surface.faces)
        self.faces = _roomy(surface.faces, added)
        self.neighbours = _roomy(surface.neighbours, added)
        self.crease = _roomy(surface.crease, added)
        self.sectors = _roomy(surface.sectors, added)
        self.source = np.concatenate([np.arange(self.count), np.zeros(added, np.int64)])
        self.borders = border_edges(surface)
        self.normals: list[Floats] = []
        self.curvatures: list[Floats] = []
        self.residual: list[float] = []

    def divide(self, tail: int, head: int, ids: list[int]) -> None:
        """Turn the face behind an edge into a fan of ``len(ids) + 1`` faces."""
        face = self.borders.pop((tail, head))
        k = int(np.flatnonzero(self.faces[face] == tail)[0])
        turn = [k, (k + 1) % 3, (k + 2) % 3]
        apex, across = self.faces[face, turn[2]], self.neighbours[face, turn].copy()
        crease, sectors = self.crease[face, turn].copy(), self.sectors[face, turn].copy()
        fresh = self._sectors(tail, head, ids, sectors)
        pieces = [face, *range(self.count, self.count + len(ids))]
        self.count += len(ids)
        self.source[pieces] = self.source[face]
        corners, at = [tail, *ids, head], [sectors[0], *fresh, sectors[1]]
        last = len(ids)
        for i, piece in enumerate(pieces):
            self.faces[piece] = corners[i], corners[i + 1], apex
            self.sectors[piece] = at[i], at[i + 1], sectors[2]
            ahead = across[1] if i == last else pieces[i + 1]
            behind = across[2] if i == 0 else pieces[i - 1]
            self.neighbours[piece] = -1, ahead, behind
            self.crease[piece] = False, i == last and crease[1], i == 0 and crease[2]
            self.borders[corners[i], corners[i + 1]] = piece
        self._tell(int(across[1]), face, pieces[-1], head, int(apex))
        if across[2] < 0:
            self.borders[int(apex), tail] = face

    def _tell(self, other: int, face: int, piece: int, head: int, apex: int) -> None:
        """Make what lies across the edge head–apex point to the last piece."""
        if other < 0:
            self.borders[head, apex] = piece
            return
        for j in range(3):
            ends = {int(self.faces[other, j]), int(self.faces[other, (j + 1) % 3])}
            if self.neighbours[other, j] == face and ends == {head, apex}:
                self.neighbours[other, j] = piece

    def _sectors(self, tail: int, head: int, ids: list[int], ends: Ints) -> list[int]:
        """New sectors, one for each new vertex, with what lies between the edge's ends."""
        first = len(self.old.sector_normals) + len(self.normals)
        p, q = self.vertices[tail], self.vertices[head]
        n, curvature = self.old.sector_normals, self.old.sector_curvatures
        for i in ids:
            share = np.linalg.norm(self.vertices[i] - p)
            share /= share + np.linalg.norm(self.vertices[i] - q)
            a, b = self._of(n, self.normals, ends)
            self.normals.append(unit((1.0 - share) * a + share * b))
            a, b = self._of(curvature, self.curvatures, ends)
            self.curvatures.append((1.0 - share) * a + share * b)
            a, b = self._of(self.old.sector_residual, self.residual, ends)
            self.residual.append(float((1.0 - share) * a + share * b))
        return list(range(first, first + len(ids)))

    def _of(self, old: Floats, new: list, ends: Ints) -> list:
        """Values at the two ends, of which either may be new itself."""
        count = len(self.old.sector_normals)
        return [old[s] if s < count else new[s - count] for s in ends[:2].tolist()]

    def surface(self) -> Surface:
        old = self.old
        normals = np.concatenate([old.sector_normals, np.reshape(self.normals, (-1, 3))])
        curvatures = np.concatenate([old.sector_curvatures, np.reshape(self.curvatures, (-1, 2))])
        residual = np.concatenate([old.sector_residual, self.residual])
        arrays = (self.vertices, self.faces, self.neighbours, self.crease, self.sectors)
        return Surface(*(readonly(a) for a in (*arrays, normals, curvatures, residual)))


def _roomy(array, rows: int):
    """A copy with ``rows`` more rows."""
    return np.concatenate([array, np.zeros((rows, *array.shape[1:]), array.dtype)])
