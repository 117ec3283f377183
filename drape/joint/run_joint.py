"""The joint at one run of the parting line: which plies lie where, and what overlaps what."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drape.errors import Finding
from drape.geometry.surface import Floats
from drape.job.allowance import Stations, values_at
from drape.job.bench_settings import Bench, Placement
from drape.joint.at_run import AtRun
from drape.joint.build_up import Band, Overlap, build_up, nominal_overlaps
from drape.joint.scatter import (
    Proud,
    Short,
    overlap_findings,
    proud_finding,
    proud_of,
    scattered_overlap,
    short_finding,
    short_of,
)
from drape.joint.stations import edge_stations, paired_stations
from drape.layup.edges import EdgeStretch

Edges = Mapping[str, Sequence[EdgeStretch]]  # of each ply at one run
STEP = 1.0  # mm along a run between places that are looked at where an allowance changes


@dataclass(frozen=True)
class RunJoint:
    """Build-up and overlaps across a run.

    Attributes
    ----------
    lap_half : str, the half whose plies run past the line
    bands : tuple of Band, by place across the run
        Where an allowance changes along the run: at the place with the greatest thickness,
        over the widest band.
    overlaps : tuple of Overlap, by pair of plies; empty for one half alone
        Least and greatest are NaN where one of the pair has no piece.
    findings : tuple of Finding
        On the nominal overlaps; for placement scatter see ``scatter_findings``.
    proud : tuple of Proud
        Plies that are to end at the line or short of it, but may pass it.
    short : tuple of Short
        Plies to be trimmed in the mould that may leave nothing to trim.
    bands_at : float or None, mm along the run
        None: the bands are the same all along it.
    least_bands, least_bands_at : as these, where the greatest thickness is least
    strips : tuple, joint strips and wrapped plies over the run, in order of lay-up
    """

    lap_half: str
    bands: tuple[Band, ...]
    overlaps: tuple[Overlap, ...]
    findings: tuple[Finding, ...]
    proud: tuple[Proud, ...] = ()
    short: tuple[Short, ...] = ()
    bands_at: float | None = None
    least_bands: tuple[Band, ...] | None = None
    least_bands_at: float | None = None
    strips: tuple[AtRun, ...] = ()


def join_run(
    lap_half: str,
    lapping: Sequence[AtRun],
    other: Sequence[AtRun],
    run: str,
    *,
    length: float = 0.0,
    edges: Edges | None = None,
    bench: Bench | None = None,
    strips: Sequence[AtRun] = (),
) -> RunJoint:
    """The joint of the plies that reach ``run``; for one half alone, its own plies only.

    Parameters
    ----------
    lapping, other : plies of the lap half and of the other half, in order of lay-up
    length : mm, of the run; read only where an allowance changes along it
    edges : the cut edges at the run of those plies that have a piece
    bench : how plies are placed, and how far proud edges are cut that are trimmed in the mould
    strips : joint strips and wrapped plies over the run, in order of lay-up
    """
    edges, bench = edges or {}, bench or Bench()
    places = _places((*lapping, *other), length)
    empty = RunJoint(lap_half, (), (), (), strips=tuple(strips))
    joint = _built_up(empty, lapping, other, places)
    there = [
        (ply.at(0.0), edge_stations(edges[ply.name], ply.allowance))
        for ply in (*lapping, *other)
        if ply.name in edges
    ]
    past = (proud_of(ply, at, bench.placement) for ply, at in there)
    lacking = (short_of(ply, at, bench.placement, bench.proud) for ply, at in there)
    joint = replace(
        joint,
        proud=tuple(p for p in past if p is not None),
        short=tuple(s for s in lacking if s is not None),
    )
    if not lapping or not other:
        return joint
    nominal, findings = nominal_overlaps(*_where_least(lapping, other, places), strips)
    overlaps = tuple(
        _scattered(o, a, b, edges, bench.placement)
        for o, a, b in zip(nominal, lapping, other, strict=False)
    )
    placed = tuple(replace(f, about=(run, *f.about)) for f in findings)
    return replace(joint, overlaps=overlaps, findings=placed)


def _places(plies: Sequence[AtRun], length: float) -> Floats:
    """Places along a run that matter: one if nothing changes, else all stations and every mm."""
    changing = [p.allowance for p in plies if isinstance(p.allowance, Stations)]
    if not changing:
        return np.zeros(1)
    given = np.concatenate([stations.places for stations in changing])
    even = np.linspace(0.0, length, int(np.ceil(length / STEP)) + 1)
    return np.unique(np.concatenate([given[given <= length], even]))


def _built_up(
    joint: RunJoint, lapping: Sequence[AtRun], other: Sequence[AtRun], places: Floats
) -> RunJoint:
    """The joint with its bands; of several places those with the greatest and least build-up."""
    if not lapping and not other:
        return joint
    every = [
        build_up([p.at(s) for p in lapping], [p.at(s) for p in other], strips=joint.strips)
        for s in places
    ]
    if len(places) == 1:
        return replace(joint, bands=every[0])
    peaks = [_peak(bands) for bands in every]
    most, least = peaks.index(max(peaks)), int(np.argmin([thickness for thickness, _ in peaks]))
    return replace(
        joint,
        bands=every[most],
        bands_at=float(places[most]),
        least_bands=every[least],
        least_bands_at=float(places[least]),
    )


def _peak(bands: Sequence[Band]) -> tuple[float, float]:
    """Greatest thickness and its width, mm: of places as thick the widest is shown."""
    most = max(round(band.thickness_mm, 9) for band in bands)
    wide = sum(b.to_mm - b.from_mm for b in bands if round(b.thickness_mm, 9) == most)
    return most, round(wide, 6)


def _where_least(
    lapping: Sequence[AtRun], other: Sequence[AtRun], places: Floats
) -> tuple[list[AtRun], list[AtRun]]:
    """The plies, those of each pair where their overlap is least."""
    out = [p.at(places[0]) for p in lapping], [p.at(places[0]) for p in other]
    for i, (a, b) in enumerate(zip(lapping, other, strict=False)):
        overlap = values_at(a.allowance, places) + values_at(b.allowance, places)
        place = float(places[np.argmin(overlap)])
        out[0][i], out[1][i] = a.at(place), b.at(place)
    return out


def _scattered(
    nominal: Overlap, ply: AtRun, other: AtRun, edges: Edges, placement: Placement
) -> Overlap:
    if ply.name not in edges or other.name not in edges:
        return replace(nominal, least_mm=np.nan, greatest_mm=np.nan)
    at, other_at = paired_stations(
        edges[ply.name], ply.allowance, edges[other.name], other.allowance
    )
    found = scattered_overlap(ply.at(0.0), at, other.at(0.0), other_at, placement)
    return replace(nominal, least_mm=found.least_mm, greatest_mm=found.greatest_mm)


def scatter_findings(joints: Mapping[str, RunJoint], required: float) -> tuple[Finding, ...]:
    """Risks of placement scatter: one for each pair and for each ply, over all runs.

    Parameters
    ----------
    joints : RunJoint by run
    required : mm, least overlap
    """
    found: dict[Hashable, list[tuple[str, float, Finding]]] = {}
    for run, joint in joints.items():
        for pair in joint.overlaps:
            for finding in overlap_findings([pair], required):
                key = frozenset({pair.ply, pair.other})
                found.setdefault(key, []).append((run, pair.least_mm, finding))
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
    about = (*(entry[0] for entry in found), *finding.about)
    return replace(finding, about=about, text=finding.text + place)
