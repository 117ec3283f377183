"""The cut outline: moved edges joined at their corners, on the flat cloth.

Corners stay corners: each moved edge is carried past its ends and meets its neighbour in
a mitre; a mitre longer than twice the larger allowance becomes a bevel; where a lap meets
a run-off the corner is chamfered, so that the lap's tip doesn't stick out of the mouth.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drape.geometry.polyline import cut_at, join, signed_area, walk_back
from drape.geometry.surface import Floats, readonly
from drape.layup.edges import EdgeStretch
from drape.mould.region import Region

MITRE_LIMIT = 2.0  # times the larger allowance


@dataclass(frozen=True)
class PatternEdge:
    """A named stretch of the outline, from vertex ``first`` to vertex ``last``.

    Indices into ``Pattern.outline``, counter-clockwise, wrapping at the end. ``allowance_mm``
    is that of the cut; ``trim_to_mm`` what it is trimmed to in the mould, None if it isn't.
    Where these change along the edge they are the least, and ``greatest_mm`` is the greatest
    of the cut; ``stations_mm`` are the places and allowances of the cut that were given.
    """

    name: str
    kind: str
    first: int
    last: int
    allowance_mm: float
    trim_to_mm: float | None = None
    greatest_mm: float | None = None
    stations_mm: tuple[tuple[float, float], ...] | None = None


@dataclass(frozen=True, eq=False)
class Outline:
    """Closed flat polygon with its named stretches.

    points : (n, 2) mm, counter-clockwise for the outer one, clockwise for a hole
    edges : tuple of PatternEdge
    """

    points: Floats
    edges: tuple[PatternEdge, ...]


def outlines(
    region: Region,
    moved: dict[str, tuple[EdgeStretch, ...]],
    *,
    at_base: bool = False,
) -> tuple[Outline, ...]:
    """One outline per rim of the region, the outer one (largest area) first.

    ``at_base``: of the edges themselves, allowance 0, in place of the moved ones.
    """
    out = []
    for loop in region.loops:
        pieces = []
        for index in loop:
            edge = region.edges[index]
            for stretch in moved[edge.name]:
                points = stretch.flat_base if at_base else stretch.flat
                own = np.zeros(len(points)) if at_base else stretch.allowance
                pieces.append(_Piece(edge.name, edge.kind, own, points, stretch))
        out.append(_closed(pieces))
    return tuple(sorted(out, key=lambda x: -abs(signed_area(x.points))))


@dataclass(eq=False)
class _Piece:
    name: str
    kind: str
    allowance: Floats  # (k,) of the stretch's samples, mm
    points: Floats
    stretch: EdgeStretch

    @property
    def ends(self) -> tuple[float, float]:
        """Allowance at the start and at the end."""
        return float(self.allowance[0]), float(self.allowance[-1])

    def edge(self, first: int, last: int) -> PatternEdge:
        least, most = float(self.allowance.min()), float(self.allowance.max())
        changing = most if most > least else None
        return PatternEdge(self.name, self.kind, first, last, least, greatest_mm=changing)


def _closed(pieces: list[_Piece]) -> Outline:
    if len(pieces) == 1 and pieces[0].stretch.closed:
        return _without_corners(pieces[0])
    chamfers = []
    for this, following in zip(pieces, pieces[1:] + pieces[:1], strict=True):
        apex = this.stretch.flat_base[-1]
        limit = MITRE_LIMIT * max(abs(this.ends[1]), abs(following.ends[0]))
        if this is following:
            this.points = _self_joined(this.points, apex, limit)
            continue
        this.points, following.points = join(this.points, following.points, apex, limit)
        chamfers.append((this, following))
    for this, following in chamfers:
        _chamfer(this, following)
    return _assembled(pieces)


def _self_joined(points: Floats, apex: Floats, limit: float) -> Floats:
    half = len(points) // 2
    tail, head = join(points[half:], points[: half + 1], apex, limit)
    return np.concatenate([head, tail[1:]])


def _chamfer(this: _Piece, following: _Piece) -> None:
    """Cut the corner between a lap and a run-off at 45°, by the smaller of the two."""
    kinds = {this.kind == "parting", following.kind == "parting"}
    leg = min(this.ends[1], following.ends[0])
    if kinds != {True, False} or leg <= 0.0 or "hole" in (this.kind, following.kind):
        return
    this.points = cut_at(this.points, walk_back(this.points, leg, "end"), "start")
    following.points = cut_at(following.points, walk_back(following.points, leg, "start"), "end")
    bridge = [this.points[-1:], following.points]
    if following.kind == "parting":  # the cut belongs to the run-off's edge
        this.points = np.concatenate([this.points, following.points[:1]])
    else:
        following.points = np.concatenate(bridge)


def _assembled(pieces: list[_Piece]) -> Outline:
    """Concatenate, starting at the first corner counter-clockwise from +x.

    A kink inside an edge is no corner to start at, unless the edge is the whole rim: the
    edge would stand in the list twice.
    """
    starts = np.array([p.points[0] for p in pieces])
    angle = np.mod(np.arctan2(starts[:, 1], starts[:, 0]), 2.0 * np.pi)
    angle[angle > 2.0 * np.pi - 1e-9] = 0.0
    kink = np.array([p.name == pieces[i - 1].name for i, p in enumerate(pieces)])
    if not kink.all():
        angle[kink] = np.inf
    first = int(np.argmin(angle))
    ordered = pieces[first:] + pieces[:first]
    points, edges, count = [], [], 0
    total = sum(len(p.points) - 1 for p in ordered)
    for piece in ordered:
        last = (count + len(piece.points) - 1) % total
        points.append(piece.points[:-1])
        edges.append(piece.edge(count, last))
        count += len(piece.points) - 1
    return Outline(readonly(np.concatenate(points)), _merged(edges))


def _merged(edges: list[PatternEdge]) -> tuple[PatternEdge, ...]:
    """Neighbouring stretches of one edge (split at kinks) become one entry."""
    out: list[PatternEdge] = []
    for e in edges:
        if out and out[-1].name == e.name and out[-1].last == e.first:
            least = min(out[-1].allowance_mm, e.allowance_mm)
            most = max(_greatest(x) for x in (out[-1], e))
            changing = most if most > least else None
            out[-1] = replace(e, first=out[-1].first, allowance_mm=least, greatest_mm=changing)
        else:
            out.append(e)
    return tuple(out)


def _greatest(edge: PatternEdge) -> float:
    return edge.allowance_mm if edge.greatest_mm is None else edge.greatest_mm


def _without_corners(piece: _Piece) -> Outline:
    """A smooth closed outline, starting where it crosses the +x axis outermost."""
    p = piece.points
    q = np.roll(p, -1, axis=0)
    up = (p[:, 1] <= 0.0) != (q[:, 1] <= 0.0)
    at = np.flatnonzero(up)
    if len(at):
        share = p[at, 1] / (p[at, 1] - q[at, 1])
        x = p[at, 0] + share * (q[at, 0] - p[at, 0])
        best = int(np.argmax(x))
        i, crossing = int(at[best]), np.array([[x[best], 0.0]])
        p = np.concatenate([crossing, p[i + 1 :], p[: i + 1]])
        p = p[np.linalg.norm(p - np.roll(p, -1, axis=0), axis=1) > 1e-6]
    return Outline(readonly(p), (piece.edge(0, 0),))
