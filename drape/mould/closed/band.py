"""A band of the closed mould along one run of the parting line, as a region of its own.

Lengths in mm. ``own`` is the half that the closed mould was stitched from first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.errors import InputError
from drape.geometry.surface import Bools, Floats, Ints, build, readonly
from drape.mould.closed.cut_edges import edges_round, vertex_labels
from drape.mould.closed.stitched import Stitched, distance_past, inner_rims
from drape.mould.cutting import CutMesh, between_heights, find_crossings, snap, split
from drape.mould.region import Region


@dataclass(frozen=True, eq=False)
class Band:
    """What lies within half a width of a run.

    Attributes
    ----------
    region : Region
        Its edges: the two sides (kind ``border``), and the mouths or trim lines at its ends.
    heights : (n,) mm, those given, at the region's vertices
    run : (k,) int, the run's vertices in the region, in the own half's order
    """

    region: Region
    heights: Floats
    run: Ints


def cut_band(
    stitched: Stitched, run: str, width: float, heights: Floats, sides: tuple[str, str]
) -> Band:
    """Cut a band out of the closed mould.

    Parameters
    ----------
    run : name of an open run of the parting line
    width : mm, half of it on each side of the line, along the parallel surface
    heights : (n,) mm, of that parallel surface above the stitched one
    sides : names of the band's edges on the own half and on the other

    Raises
    ------
    InputError
        The run comes back to itself, or the band meets one along another run.
    """
    chain = stitched.run_vertices[run]
    wide = _Wide(run, width)
    if not np.isin(stitched.region.surface.faces, chain).any() or _closed(stitched, chain):
        raise InputError(
            "a strip can't be cut flat along a run that comes back to itself",
            value=run,
            limit="runs from mouth to mouth",
            remedy="omit the strip on that run",
        )
    mesh, crossings, kept, pieces = _cut(stitched, width, heights)
    part = _component(pieces.faces, kept, chain)
    others = [v for name, v in stitched.run_vertices.items() if name != run]
    if any(np.isin(v, pieces.faces[part]).any() for v in others):
        raise wide.error()
    used = np.unique(pieces.faces[part])
    number = np.full(len(mesh.vertices) + len(crossings.points), -1, dtype=np.int64)
    number[used] = np.arange(len(used))
    vertices = np.vstack([mesh.vertices, crossings.points])[used]
    surface = build(vertices, number[pieces.faces[part]], corner_normals=pieces.normals[part])
    source = pieces.source[part]
    inside = stitched.region.inside[source]
    labels = vertex_labels(stitched, crossings, number, [np.arange(len(mesh.vertices))])
    at_side = np.concatenate([np.abs(mesh.height) < 1e-9, np.ones(len(crossings.points), bool)])
    on_other = _on_other(stitched, pieces.faces[part], source, len(number))
    loops = inner_rims(surface, inside)
    edges = (
        edges_round(stitched, vertices, loops[0], at_side[used], on_other[used], labels, sides)
        if len(loops) == 1
        else None
    )
    if edges is None:
        raise wide.error()
    region = Region(
        surface,
        readonly(inside),
        edges,
        ((0, 1, 2, 3),),
        readonly(stitched.region.source_faces[source]),
    )
    a, b = crossings.ends.T
    u = crossings.parameter
    between = (1.0 - u) * heights[a] + u * heights[b]
    return Band(
        region,
        readonly(np.concatenate([heights, between])[used]),
        readonly(number[chain]),
    )


@dataclass(frozen=True)
class _Wide:
    """A band that meets another or itself."""

    run: str
    width: float

    def error(self) -> InputError:
        return InputError(
            "the strip is too wide: it meets itself, another run or the end of the mould",
            value=f"{self.width:g} mm at {self.run}",
            limit="less than the distance between two runs",
            remedy="use a narrower strip",
        )


def _closed(stitched: Stitched, chain: Ints) -> bool:
    """Whether the run's last vertex leads to its first on the line."""
    line = stitched.line
    ends = {int(chain[0]), int(chain[-1])}
    return len(chain) > 2 and any({int(a), int(b)} == ends for a, b in line)


def _cut(stitched: Stitched, width: float, heights: Floats):
    """The mesh cut at both sides: (mesh, crossings, faces within, pieces)."""
    surface = stitched.surface
    sides = surface.vertices[surface.faces]
    longest = float(np.linalg.norm(sides - np.roll(sides, 1, axis=1), axis=2).max())
    reach = 0.5 * width + 2.0 * longest
    far = np.abs(distance_past(stitched, reach, surface.offset(heights)))
    height = np.minimum(far, reach + longest) - 0.5 * width
    corner = surface.corner_normals.copy()
    mesh = CutMesh(surface.vertices.copy(), height, surface.faces, corner)
    zone = np.ones(len(surface.faces), bool)
    locate = between_heights(mesh)
    snap(mesh, surface, zone, locate)
    crossings = find_crossings(mesh, surface, zone, locate)
    pieces = split(mesh, zone, crossings)
    return mesh, crossings, ~pieces.beyond, pieces


def _component(faces: Ints, kept: Bools, chain: Ints) -> Ints:
    """Numbers of the kept faces that hang together, by edges, with the run."""
    which = np.flatnonzero(kept)
    here = faces[which]
    ends = np.stack([here, np.roll(here, -1, axis=1)], axis=2).reshape(-1, 2)
    code = ends.min(axis=1) * (int(here.max()) + 1) + ends.max(axis=1)
    edge = np.unique(code, return_inverse=True)[1]
    face = np.repeat(np.arange(len(which)), 3)
    size = len(which) + int(edge.max()) + 1
    graph = sparse.coo_matrix((np.ones(len(face)), (face, len(which) + edge)), (size, size))
    label = connected_components(graph, directed=False)[1][: len(which)]
    along = np.isin(here, chain).sum(axis=1) == 2
    return which[np.isin(label, label[along])]


def _on_other(stitched: Stitched, faces: Ints, source: Ints, count: int) -> Bools:
    """(count,) vertices with a face on the other half."""
    out = np.zeros(count, bool)
    out[faces[stitched.other[source]]] = True
    return out
