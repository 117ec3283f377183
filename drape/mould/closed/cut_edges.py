"""The edges round a piece that was cut out of the closed mould: two sides and two ends.

Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise

import numpy as np
from scipy.spatial import cKDTree

from drape.geometry.surface import Bools, Floats, Ints, readonly
from drape.mould.closed.pairing import feet_on
from drape.mould.closed.stitched import Stitched
from drape.mould.cutting import Crossings
from drape.mould.region import Edge, EdgeKind

Label = tuple[str, EdgeKind]
NOTHING: Label = ("", "border")


def vertex_labels(
    stitched: Stitched, crossings: Crossings, number: Ints, twins: Sequence[Ints]
) -> dict[int, list[Label]]:
    """Names and kinds of the closed mould's edges by vertex of the piece.

    Parameters
    ----------
    crossings : where edges of the mesh were cut
    number : (n,) the piece's number of each vertex of the cut mesh, then of each crossing; −1
        where it has none
    twins : of (n,) each, vertices of the cut mesh that stand for one of the closed mould, −1
        where there is none
    """
    out: dict[int, list[Label]] = {}
    known = crossings.index()
    for edge in stitched.region.edges:
        ring = edge.vertices.tolist()
        if edge.closed:
            ring.append(ring[0])
        for twin in twins:
            chain = twin[ring].tolist()
            pairs = pairwise(chain)
            cut = [known.get((min(p), max(p))) for p in pairs if min(p) >= 0]
            at = [v for v in chain if v >= 0]
            at += [crossings.first + i for i in cut if i is not None]
            for v in set(number[at].tolist()) - {-1}:
                out.setdefault(v, []).append((edge.name, edge.kind))
    return out


def edges_round(
    stitched: Stitched,
    vertices: Floats,
    loop: Ints,
    at_side: Bools,
    second: Bools,
    labels: Mapping[int, list[Label]],
    sides: tuple[str, str],
) -> tuple[Edge, ...] | None:
    """The edges of a rim, in turn; None unless they are two sides and two ends.

    Parameters
    ----------
    vertices : (n, 3) of the piece
    loop : (k,) its rim
    at_side, second : (n,) whether a vertex is at a side, and at the second one
    labels : of ``vertex_labels``
    sides : names of the two sides
    """
    names: list[Label] = []
    for a, b in zip(loop.tolist(), np.roll(loop, -1).tolist(), strict=True):
        shared = [label for label in labels.get(a, []) if label in labels.get(b, [])]
        if at_side[a] and at_side[b] and not shared:
            names.append((sides[int(second[a] and second[b])], "border"))
        else:
            names.append(shared[0] if shared else NOTHING)
    stops = [i for i in range(len(loop)) if names[i] != names[i - 1]]
    found = [names[i] for i in stops]
    if len(stops) != 4 or NOTHING in found:
        return None
    if {found[0][0], found[2][0]} & {found[1][0], found[3][0]}:
        return None
    out: list[Edge] = []
    for i, start in enumerate(stops):
        span = (stops[(i + 1) % 4] - start) % len(loop)
        chain = np.roll(loop, -start)[: span + 1]
        name, kind = found[i]
        taken = [e.name for e in out]
        cut = None if kind == "border" else _cut_normals(stitched, name, vertices[chain])
        planes = None if kind == "border" else _sections(stitched, name, vertices[chain])
        label = _other_than(name, taken)
        out.append(Edge(label, kind, readonly(chain), cut_normals=cut, sections=planes))
    return tuple(out)


def _cut_normals(stitched: Stitched, name: str, points: Floats) -> Floats | None:
    """(k, 3) those of the closed mould's edge, at its nearest vertices."""
    edge = stitched.region.edge(name)
    if edge.cut_normals is None:
        return None
    at = cKDTree(stitched.surface.vertices[edge.vertices]).query(points)[1]
    return readonly(edge.cut_normals[at])


def _sections(stitched: Stitched, name: str, points: Floats) -> Floats:
    """(k − 1, 3) those of the closed mould's edge, at its nearest segments."""
    edge = stitched.region.edge(name)
    chain = edge.ring
    feet = feet_on(0.5 * (points[1:] + points[:-1]), stitched.surface.vertices[chain])
    return readonly(edge.section_normals[feet.segment])


def _other_than(name: str, taken: Iterable[str]) -> str:
    """The name, or, for the second end at one mouth, the name with a number."""
    return f"{name}.2" if name in taken else name
