"""The closed mould: two halves stitched along the parting line into one surface.

Lengths in mm. ``own`` is the half that a ply is laid in, ``other`` the one its laps lie on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from drape.geometry.distance import distance_from
from drape.geometry.joining import Joined, join
from drape.geometry.rims import loop_length, rims
from drape.geometry.surface import Bools, Floats, Ints, Surface, readonly
from drape.mould.region import Edge, EdgeKind, Region


@dataclass(frozen=True, eq=False)
class Stitched:
    """Two conforming halves as one surface.

    Attributes
    ----------
    surface : Surface
        The own region's vertices and faces, ids unchanged, then the other half's; vertices
        on the joint are the own region's.
    other : (m,) bool
        Faces of the other half.
    own_count : int
        Number of the own region's vertices.
    line : (e, 2) int
        Edges of the joint, also past trim lines; the own half lies on their left.
    run_vertices : name of a run → its vertices in the own region's order; a closed run's
        first isn't repeated.
    region : Region
        The whole: its edges are mouths, trim lines and holes of both halves, and what of a
        run wasn't joined. Mouths that both halves have are closed.
    """

    surface: Surface
    other: Bools
    own_count: int
    line: Ints
    run_vertices: Mapping[str, Ints]
    region: Region


def stitch(own: Region, other: Region) -> Stitched:
    """Join two regions that ``conform`` made to fit.

    Normals beside the joint are fitted anew to both halves, except at creases. The other
    half's holes are numbered on after the own ones.
    """
    joined = join(own.surface, other.surface)
    of_other = np.arange(len(joined.surface.faces)) >= len(own.surface.faces)
    return Stitched(
        joined.surface,
        readonly(of_other),
        len(own.surface.vertices),
        joined.line,
        {e.name: e.vertices for e in own.edges if e.kind == "parting"},
        _whole(own, other, joined),
    )


def distance_past(stitched: Stitched, reach: float, surface: Surface | None = None) -> Floats:
    """Distance along the surface from the parting line at each vertex, mm.

    Parameters
    ----------
    reach : mm, as far as it is looked for
    surface : Surface, optional
        A parallel of the stitched surface (same faces) to measure on instead.

    Returns
    -------
    (n,) positive on the other half, negative on the own one, 0 on the line (also past
    trim lines); ±∞ past ``reach``. Ways don't cross the line.
    """
    base = stitched.surface if surface is None else surface
    count = len(base.vertices)
    out = np.where(np.arange(count) < stitched.own_count, -np.inf, np.inf)
    for part, sign in ((~stitched.other, -1.0), (stitched.other, 1.0)):
        along = cut_open(base, part)
        found = distance_from(along, part, stitched.line, reach)
        near = np.isfinite(found)
        out[near] = sign * found[near]
    out[stitched.line] = 0.0
    return out


def cut_open(surface: Surface, part: Bools) -> Surface:
    """The surface with nothing across the border of a part."""
    across = surface.neighbours
    apart = (across >= 0) & (part[across] != part[:, None])
    arrays = {n: getattr(surface, n) for n in surface.__dataclass_fields__}
    return Surface(**{**arrays, "neighbours": readonly(np.where(apart, -1, across))})


def _whole(own: Region, other: Region, joined: Joined) -> Region:
    """The combined region."""
    inside = np.concatenate([own.inside, other.inside])
    edges, loops = _edges(joined.surface, inside, _labels(own, other, joined))
    return Region(
        joined.surface,
        readonly(inside),
        edges,
        loops,
        readonly(np.concatenate([own.source_faces, other.source_faces])),
    )


Label = tuple[str, EdgeKind]
Labels = tuple[
    dict[tuple[int, int], Label],
    dict[tuple[str, int], Floats | None],
    dict[tuple[int, int], Floats],
]


def _labels(own: Region, other: Region, joined: Joined) -> Labels:
    """Name and kind of each named border edge (tail, head).

    Cut normals by name and vertex; sections by border edge.
    """
    label: dict[tuple[int, int], Label] = {}
    normals: dict[tuple[str, int], Floats | None] = {}
    sections: dict[tuple[int, int], Floats] = {}
    holes = sum(e.kind == "hole" for e in own.edges)
    for region, number in ((other, joined.vertex_of), (own, np.arange(len(own.surface.vertices)))):
        for edge in region.edges:
            name = edge.name
            if region is other and edge.kind == "hole":
                holes += 1
                name = f"hole.{holes}"
            chain = number[edge.vertices]
            for (a, b), n in zip(number[edge.segments].tolist(), edge.section_normals, strict=True):
                label[a, b] = (name, edge.kind)
                sections[a, b] = n
            cut = [None] * len(chain) if edge.cut_normals is None else edge.cut_normals
            normals |= {(name, int(v)): n for v, n in zip(chain, cut, strict=True)}
    return label, normals, sections


def _edges(
    surface: Surface, inside: Bools, labels: Labels
) -> tuple[tuple[Edge, ...], tuple[tuple[int, ...], ...]]:
    """Edges round what is inside, and the loops they make; the longest loop first."""
    label, normals, sections = labels
    loops = inner_rims(surface, inside)
    edges: list[Edge] = []
    numbers = []
    for loop in sorted(loops, key=lambda x: -loop_length(surface.vertices[x])):
        pairs = zip(loop.tolist(), np.roll(loop, -1).tolist(), strict=True)
        names = [label.get(pair, ("edge", "border")) for pair in pairs]
        stops = [i for i in range(len(loop)) if names[i][0] != names[i - 1][0]]
        first = len(edges)
        if not stops:
            edges.append(_edge(names[0], loop, True, normals, sections, edges))
        for i, start in enumerate(stops):
            end = stops[(i + 1) % len(stops)]
            span = (end - start) % len(loop) or len(loop)
            chain = np.roll(loop, -start)[np.arange(span + 1) % len(loop)]
            edges.append(_edge(names[start], chain, False, normals, sections, edges))
        numbers.append(tuple(range(first, len(edges))))
    return tuple(edges), tuple(numbers)


def inner_rims(surface: Surface, inside: Bools) -> list[Ints]:
    """Rims of the faces inside, as ``geometry.rims.rims`` gives them."""
    if inside.all():
        return rims(surface)
    return [loop for loop in rims(_only(surface, inside)) if len(loop)]


def _only(surface: Surface, part: Bools) -> Surface:
    """The faces of a part, vertices as they are."""
    number = np.cumsum(part) - 1
    across = surface.neighbours[part]
    kept = (across >= 0) & part[across]
    arrays = {n: getattr(surface, n) for n in surface.__dataclass_fields__}
    arrays |= {n: readonly(arrays[n][part]) for n in ("faces", "crease", "sectors")}
    return Surface(**{**arrays, "neighbours": readonly(np.where(kept, number[across], -1))})


def _edge(
    label: Label,
    chain: Ints,
    closed: bool,
    normals: dict[tuple[str, int], Floats | None],
    sections: dict[tuple[int, int], Floats],
    before: list[Edge],
) -> Edge:
    name, kind = label
    found = [normals.get((name, int(v))) for v in chain]
    cut = None if any(n is None for n in found) else readonly(np.array(found))
    if kind == "border":
        name = f"edge.{1 + sum(e.kind == 'border' for e in before)}"
    edge = Edge(name, kind, readonly(chain), closed, cut)
    none = np.full(3, np.nan)
    planes = [sections.get((a, b), none) for a, b in edge.segments.tolist()]
    return replace(edge, sections=readonly(np.array(planes)))
