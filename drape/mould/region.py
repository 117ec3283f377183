"""Region: the part of a mould half's surface that cloth lies on, with named edges.

Words
-----
edge       a chain of vertices on the region's rim: a run of the parting line, a mouth, a
           trim line, a hole's rim, or a plain border
cut normal unit normal of the surface a ply ends at there (the parting surface, ruled
           through the parting line; the plane of a mouth or trim line), pointing out of
           the region
section    along one segment of an edge, unit normal of the surface that cuts it out there: the
           facet across it (the flange's), or the plane that the edge lies in
beyond     faces past a trim line: cavity that is there, but isn't part of the region

Lengths in mm. Chains run counter-clockwise seen from inside the hollow (against the
normals): the region is on the left.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np

from drape.geometry.rims import rim_corners, rim_normals, rims
from drape.geometry.surface import Bools, Floats, Ints, Surface, SurfacePoint, readonly

EdgeKind = Literal["parting", "mouth", "trim", "hole", "border"]


@dataclass(frozen=True, eq=False)
class Edge:
    """One named edge of a region.

    Attributes
    ----------
    name : str
        ``A-B.1`` for a parting run, ``A`` for a mouth or trim line, ``hole.1``, ``edge.1``.
    kind : str
    vertices : (k,) int
        Chain of the surface's vertices; for a closed edge the first isn't repeated.
    closed : bool
    cut_normals : (k, 3) float or None
        None: the ply ends square to the surface.
    sections : (s, 3) float or None
        Of each segment, of either sign: k − 1 of them, k if closed. NaN where none is known.
    ends : (str, str) or ()
        Of a run the mouths that it joins, in the order of its name; others have none.
    """

    name: str
    kind: EdgeKind
    vertices: Ints
    closed: bool = False
    cut_normals: Floats | None = None
    sections: Floats | None = None
    ends: tuple[str, ...] = ()

    @property
    def ring(self) -> Ints:
        """The chain, its first vertex repeated at the end if it is closed."""
        return np.append(self.vertices, self.vertices[:1]) if self.closed else self.vertices

    @property
    def segments(self) -> Ints:
        """(s, 2) vertices at the ends of each segment."""
        ahead = np.roll(self.vertices, -1)
        pairs = np.stack([self.vertices, ahead], axis=1)
        return pairs if self.closed else pairs[:-1]

    @property
    def section_normals(self) -> Floats:
        """``sections``, all of them NaN where they are None."""
        none = np.full((len(self.segments), 3), np.nan)
        return none if self.sections is None else self.sections


@dataclass(frozen=True, eq=False)
class Region:
    """A surface, which of its faces count, and its edges.

    Attributes
    ----------
    surface : Surface
    inside : (m,) bool
        Faces of the region; the others lie beyond a trim line.
    edges : tuple of Edge
    loops : tuple of tuple of int
        Indices into ``edges`` in order round each rim; the outer rim (the longest) first.
    source_faces : (m,) int
        Face of the user's mesh that each face comes from.
    sheets : (m,) int or None
        Of a surface that lies on itself, numbers that grow along it: by one at most between
        faces that touch, by more between what lies on each other.
    """

    surface: Surface
    inside: Bools
    edges: tuple[Edge, ...]
    loops: tuple[tuple[int, ...], ...]
    source_faces: Ints
    sheets: Ints | None = None

    def edge(self, name: str) -> Edge:
        """The edge called ``name``; KeyError if there is none."""
        return next(e for e in self.edges if e.name == name)


def plain_region(surface: Surface, *, kind: EdgeKind = "border") -> Region:
    """The whole of ``surface`` as a region, its rims cut at their corners.

    Edges are called ``edge.1`` … (``hole.1`` … on inner rims): what one knows of a bare
    sheet that is no mould.
    """
    edges: list[Edge] = []
    loops = []
    for number, rim in enumerate(rims(surface)):
        corners = rim_corners(surface.vertices[rim], rim_normals(surface, rim))
        name: EdgeKind = kind if number == 0 else "hole"
        prefix = "edge" if number == 0 else "hole"
        if not len(corners):
            chains = [(rim, True)]
        else:
            ring = np.concatenate([np.roll(rim, -corners[0]), rim[corners[0] : corners[0] + 1]])
            stops = [*(corners - corners[0]).tolist(), len(rim)]
            pairs = itertools.pairwise(stops)
            chains = [(ring[a : b + 1], False) for a, b in pairs]
        first = len(edges)
        done = sum(e.name.startswith(prefix) for e in edges)
        edges += [
            Edge(f"{prefix}.{done + k + 1}", name, readonly(chain), closed)
            for k, (chain, closed) in enumerate(chains)
        ]
        loops.append(tuple(range(first, len(edges))))
    count = len(surface.faces)
    return Region(
        surface,
        readonly(np.ones(count, dtype=bool)),
        tuple(edges),
        tuple(loops),
        readonly(np.arange(count)),
    )


def at_vertex(region: Region, vertex: int) -> SurfacePoint:
    """The place of a vertex, in the first face of the region that has it."""
    faces = np.flatnonzero((region.surface.faces == vertex).any(axis=1) & region.inside)
    k = int(np.flatnonzero(region.surface.faces[faces[0]] == vertex)[0])
    return SurfacePoint(int(faces[0]), float(k == 1), float(k == 2))
