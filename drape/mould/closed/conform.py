"""Two halves made to conform: along the parting line each has the other's vertices.

Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drape.errors import Finding
from drape.geometry.border_division import divide_border
from drape.geometry.rims import rims
from drape.geometry.surface import Floats, Ints, Surface, readonly, unit
from drape.mould.closed.pairing import SNAP, Pairing, feet_on, pair_chains
from drape.mould.gaps import gap_finding, gap_known, gap_limit, refuse_apart
from drape.mould.region import Edge, Region

SAME_WAY = 0.7  # cosine: rims past a trim line that run more apart don't belong together
BEYOND = 2.0  # times the run's gap: as far apart rims past its trim line may be


@dataclass(frozen=True, eq=False)
class Run:
    """A run of one half with the rim past its trim lines.

    Attributes
    ----------
    chain : (k,) int, vertices in the half's own direction
    first, last : int, places in the chain where the named run begins and ends
    closed : bool
    """

    chain: Ints
    first: int
    last: int
    closed: bool

    def backwards(self) -> Run:
        """The same from the other end."""
        k = len(self.chain) - 1
        return Run(self.chain[::-1], k - self.last, k - self.first, self.closed)

    def part(self, low: int, high: int) -> Run:
        """Only the places from ``low`` to ``high`` of the chain."""
        return Run(self.chain[low : high + 1], self.first - low, self.last - low, self.closed)


def conform(
    regions: Mapping[str, Region],
    *,
    limit: float | None = None,
    findings: Sequence[Finding] = (),
) -> tuple[dict[str, Region], tuple[Finding, ...]]:
    """Give two halves the same vertices along their parting line.

    Parameters
    ----------
    regions : Region by the half's name, one or two; a single one is returned as it is
    limit : mm, optional
        Gap that is let pass; from the regions' surfaces if not given (``gap_limit``): a
        scan whose noise was taken out needs it given.
    findings : those known before: if the gap is among them, it isn't reported again.

    Returns
    -------
    regions, and findings where the gap is past the limit. Old vertices keep their ids, and
    old faces (a divided face is then its first piece); new ones follow.

    Raises
    ------
    InputError
        Runs that are too far apart for halves in the closed position.
    """
    if len(regions) < 2:
        return dict(regions), ()
    (one, a), (two, b) = regions.items()
    limit = limit or gap_limit(r.surface for r in (a, b))
    shared = [e.name for e in a.edges if e.kind == "parting" and _has_run(b, e.name)]
    size = max(a.surface.size, b.surface.size)
    if not shared:
        refuse_apart(0.0, "", size, limit)
    work_a, work_b = _Half(a), _Half(b)
    worst = (0.0, shared[0], np.zeros(3))
    for name in shared:
        run_a, run_b = work_a.run(name), work_b.run(name)
        pairing, run_a, run_b = _paired(work_a, run_a, work_b, run_b, limit, size, name)
        work_a.take(run_a, pairing.first, pairing.points)
        work_b.take(run_b, pairing.second, pairing.points)
        at = int(pairing.gap.argmax())
        if pairing.gap[at] > worst[0]:
            worst = (float(pairing.gap[at]), name, pairing.points[at])
    gap, name, place = worst
    out = {one: work_a.region(), two: work_b.region()}
    if gap <= limit or gap_known(findings):
        return out, ()
    return out, (gap_finding(gap, name, limit, place=place),)


def _has_run(region: Region, name: str) -> bool:
    return any(e.name == name and e.kind == "parting" for e in region.edges)


def _paired(
    work_a: _Half, run_a: Run, work_b: _Half, run_b: Run, limit: float, size: float, name: str
) -> tuple[Pairing, Run, Run]:
    """Both runs with what belongs together past their trim lines, the second turned, paired."""
    p, q = work_a.surface.vertices, work_b.surface.vertices
    run_b = run_b.backwards()
    named_a = p[run_a.chain[run_a.first : run_a.last + 1]]
    gap = _usual_gap(named_a, q[run_b.chain], run_a.closed)
    refuse_apart(gap, name, size, limit)
    near = max(limit, BEYOND * gap)
    if not run_a.closed:
        within_a = _together(p[run_a.chain], run_a, q[run_b.chain], near)
        within_b = _together(q[run_b.chain], run_b, p[run_a.chain], near)
        run_a, run_b = run_a.part(*within_a), run_b.part(*within_b)
    first, second = p[run_a.chain], q[run_b.chain]
    pins = [] if run_a.closed else _pins(run_a, run_b, first, second, near)
    return pair_chains(first, second, run_a.closed, near, pins), run_a, run_b


def _usual_gap(points: Floats, line: Floats, closed: bool) -> float:
    """Distance that nine in ten of the points stay below, mm."""
    line = np.vstack([line, line[:1]]) if closed else line
    return float(np.quantile(feet_on(points, line).distance, 0.9))


def _together(points: Floats, run: Run, other: Floats, near: float) -> tuple[int, int]:
    """How far a run's chain, with the rim past its trim lines, follows the other's."""
    feet, way = feet_on(points, other), unit(np.diff(other, axis=0))
    steps = unit(np.diff(points, axis=0))

    def follows(at: int, step: int) -> bool:
        segment, share = int(feet.segment[at]), feet.share[at]
        beside = [segment, max(0, segment - (share < SNAP))]
        beside.append(min(len(way) - 1, segment + (share > 1.0 - SNAP)))
        ahead = max(float(steps[step] @ way[k]) for k in beside)
        return bool(feet.distance[at] <= near) and ahead >= SAME_WAY

    low, high = run.first, run.last
    while low > 0 and follows(low - 1, low - 1):
        low -= 1
    while high < len(points) - 1 and follows(high + 1, high):
        high += 1
    return low, high


def _pins(run_a: Run, run_b: Run, first: Floats, second: Floats, near: float):
    """Ends of the named runs (at trim lines, or the chains' own) that belong together."""
    pins = []
    for i, j in ((run_a.first, run_b.first), (run_a.last, run_b.last)):
        steps = [np.linalg.norm(np.diff(c, axis=0), axis=1) for c in (first, second)]
        edge = min(s[max(0, at - 1) : at + 1].min() for s, at in zip(steps, (i, j), strict=True))
        if np.linalg.norm(first[i] - second[j]) <= max(near, SNAP * edge):
            pins.append((i, j))
    return pins


class _Half:
    """One half while its runs are taken in turn."""

    def __init__(self, region: Region) -> None:
        self.old = region
        self.surface: Surface = region.surface
        self.loops = rims(region.surface)
        self.moved = region.surface.vertices.copy()
        self.points: list[Floats] = []
        self.cuts: dict[tuple[int, int], list[int]] = {}

    def run(self, name: str) -> Run:
        """A run with the rim past its ends as far as that is no edge's."""
        edge = self.old.edge(name)
        chain = edge.vertices
        if edge.closed:
            return Run(chain, 0, len(chain) - 1, True)
        loop = next(x for x in self.loops if _follows(x, int(chain[0]), int(chain[1])))
        k = len(loop)
        start = int(np.flatnonzero(loop == chain[0])[0])
        taken = _named_edges(self.old)
        before, after = 0, len(chain) - 1
        ring = np.roll(loop, -start)
        while before < k - len(chain) and not _is_taken(ring, -before - 1, taken):
            before += 1
        while after < k - 1 and not _is_taken(ring, after, taken):
            after += 1
        whole = ring[np.arange(-before, after + 1) % k]
        return Run(whole, before, before + len(chain) - 1, False)

    def take(self, run: Run, at: Ints, points: Floats) -> None:
        """Move a run's vertices to the common ``points``; new ones where ``at`` is −1.

        ``run`` may be turned; ``at`` (c,) are places in its chain.
        """
        turned = len(run.chain) > 1 and not self._forward(run)
        chain, at = run.chain, at
        known = np.flatnonzero(at >= 0)
        self.moved[chain[at[known]]] = points[known]
        k, ring = len(chain), np.arange(len(at))
        if run.closed and len(known):
            ring = np.roll(ring, -int(known[0]))
        ahead = int(at[known[0]]) if run.closed else int(at[known[-1]]) + 1
        edges: dict[tuple[int, int], list[int]] = {}
        for e in ring[::-1].tolist():
            if at[e] >= 0:
                ahead = int(at[e])
                continue
            pair = (int(chain[(ahead - 1) % k]), int(chain[ahead % k]))
            new = len(self.moved) + len(self.points)
            self.points.append(points[e])
            edges.setdefault(pair, []).append(new)
        for (tail, head), ids in edges.items():
            key = (head, tail) if turned else (tail, head)
            self.cuts[key] = ids if turned else ids[::-1]

    def _forward(self, run: Run) -> bool:
        return any(_follows(x, int(run.chain[0]), int(run.chain[1])) for x in self.loops)

    def region(self) -> Region:
        """The region with its border edges divided."""
        vertices = np.concatenate([self.moved, np.reshape(self.points, (-1, 3))])
        surface, source = divide_border(self.surface, vertices, self.cuts)
        edges = tuple(_refined(e, self.cuts, vertices) for e in self.old.edges)
        return replace(
            self.old,
            surface=surface,
            inside=readonly(self.old.inside[source]),
            edges=edges,
            source_faces=readonly(self.old.source_faces[source]),
        )


def _follows(loop: Ints, tail: int, head: int) -> bool:
    at = np.flatnonzero(loop == tail)
    return bool((loop[(at + 1) % len(loop)] == head).any())


def _named_edges(region: Region) -> set[tuple[int, int]]:
    """Border edges (tail, head) that belong to a named edge."""
    out: set[tuple[int, int]] = set()
    for edge in region.edges:
        chain = edge.ring
        out |= set(zip(chain[:-1].tolist(), chain[1:].tolist(), strict=True))
    return out


def _is_taken(ring: Ints, at: int, taken: set[tuple[int, int]]) -> bool:
    k = len(ring)
    return (int(ring[at % k]), int(ring[(at + 1) % k])) in taken


def _refined(edge: Edge, cuts: Mapping[tuple[int, int], list[int]], vertices: Floats) -> Edge:
    """The edge with the new vertices in its chain, and cut normals between the old ones.

    A segment's section is that of all its parts.
    """
    chain, normals = edge.vertices.tolist(), edge.cut_normals
    ahead = [*chain[1:], chain[0]] if edge.closed else chain[1:]
    new, field, parts = [], [], []
    for i, (a, b) in enumerate(zip(chain[: len(ahead)], ahead, strict=True)):
        ids = [a, *cuts.get((a, b), [])]
        new += ids
        parts.append(len(ids))
        if normals is not None:
            gap = np.linalg.norm(np.diff(vertices[[*ids, b]], axis=0), axis=1)
            share = (np.concatenate([[0.0], np.cumsum(gap)[:-1]]) / gap.sum())[:, None]
            field.append((1 - share) * normals[i] + share * normals[(i + 1) % len(chain)])
    if not edge.closed:
        new.append(chain[-1])
        field += [] if normals is None else [normals[-1:]]
    if len(new) == len(chain):
        return edge
    cut = None if normals is None else readonly(unit(np.concatenate(field)))
    sections = None if edge.sections is None else readonly(np.repeat(edge.sections, parts, axis=0))
    chain = readonly(np.array(new, np.int64))
    return replace(edge, vertices=chain, cut_normals=cut, sections=sections)
