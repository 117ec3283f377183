"""The joint at one run of the parting line: which plies lie where, and what overlaps what."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drape.errors import Finding
from drape.layup.buildup import Band, EdgePly, Overlap, build_up, nominal_overlaps
from drape.layup.edges import EdgeStretch
from drape.layup.scatter import (
    Placement,
    Proud,
    Short,
    overlap_findings,
    proud_finding,
    proud_of,
    scattered_overlap,
    short_finding,
    short_of,
)
from drape.layup.stations import edge_stations, paired_stations

Edges = Mapping[str, Sequence[EdgeStretch]]  # of each ply at one run


@dataclass(frozen=True)
class RunJoint:
    """Build-up and overlaps across a run.

    Attributes
    ----------
    lap_half : str, the half whose plies run past the line
    bands : tuple of Band, by place across the run
    overlaps : tuple of Overlap, by pair of plies; empty for one half alone
        Least and greatest are NaN where one of the pair has no piece.
    findings : tuple of Finding
        On the nominal overlaps; for placement scatter see ``scatter_findings``.
    proud : tuple of Proud
        Plies that are to end at the line or short of it, but may pass it.
    short : tuple of Short
        Plies to be trimmed in the mould that may leave nothing to trim.
    """

    lap_half: str
    bands: tuple[Band, ...]
    overlaps: tuple[Overlap, ...]
    findings: tuple[Finding, ...]
    proud: tuple[Proud, ...] = ()
    short: tuple[Short, ...] = ()


def join_run(
    lap_half: str,
    lapping: Sequence[EdgePly],
    other: Sequence[EdgePly],
    run: str,
    edges: Edges | None = None,
    placement: Placement | None = None,
    cut_proud: float = 0.0,
) -> RunJoint:
    """The joint of the plies that reach ``run``; for one half alone, its own plies only.

    Parameters
    ----------
    lapping, other : plies of the lap half and of the other half, in order of lay-up
    edges : the cut edges at the run of those plies that have a piece
    placement : by default the common one
    cut_proud : mm, of edges that are trimmed in the mould
    """
    edges, placement = edges or {}, placement or Placement()
    bands = build_up(lapping, other) if lapping or other else ()
    there = [(p, edge_stations(edges[p.name])) for p in (*lapping, *other) if p.name in edges]
    past = (proud_of(ply, at, placement) for ply, at in there)
    proud = tuple(p for p in past if p is not None)
    lacking = (short_of(ply, at, placement, cut_proud) for ply, at in there)
    short = tuple(s for s in lacking if s is not None)
    if not lapping or not other:
        return RunJoint(lap_half, bands, (), (), proud, short)
    nominal, findings = nominal_overlaps(lapping, other)
    overlaps = tuple(
        _scattered(o, a, b, edges, placement)
        for o, a, b in zip(nominal, lapping, other, strict=False)
    )
    placed = tuple(replace(f, where=f"{run}, {f.where}") for f in findings)
    return RunJoint(lap_half, bands, overlaps, placed, proud, short)


def _scattered(
    nominal: Overlap, ply: EdgePly, other: EdgePly, edges: Edges, placement: Placement
) -> Overlap:
    if ply.name not in edges or other.name not in edges:
        return replace(nominal, least_mm=np.nan, greatest_mm=np.nan)
    at, other_at = paired_stations(edges[ply.name], edges[other.name])
    return scattered_overlap(ply, at, other, other_at, placement)


def scatter_findings(joints: Mapping[str, RunJoint], wish: float) -> tuple[Finding, ...]:
    """Risks of placement scatter: one for each pair and for each ply, over all runs.

    Parameters
    ----------
    joints : RunJoint by run
    wish : mm, least overlap
    """
    found: dict[Hashable, list[tuple[str, float, Finding]]] = {}
    for run, joint in joints.items():
        for pair in joint.overlaps:
            for told in overlap_findings([pair], wish):
                key = frozenset({pair.ply, pair.other})
                found.setdefault(key, []).append((run, pair.least_mm, told))
        for proud in joint.proud:
            entry = (run, -proud.past_mm, proud_finding(proud))
            found.setdefault(("proud", proud.ply), []).append(entry)
        for short in joint.short:
            entry = (run, -short.short_mm, short_finding(short))
            found.setdefault(("short", short.ply), []).append(entry)
    return tuple(_worst(entries) for entries in found.values())


def _worst(found: list[tuple[str, float, Finding]]) -> Finding:
    """One finding for several runs: the worst one's figures, with the names of all."""
    run, _, finding = min(found, key=lambda entry: entry[1])
    place = f" (worst at {run})" if len(found) > 1 else ""
    where = ", ".join([*(entry[0] for entry in found), finding.where])
    return replace(finding, where=where, message=finding.message + place)
