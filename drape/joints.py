"""The joint of a job's halves, run by run, from what its plies do there."""

from __future__ import annotations

from collections.abc import Mapping

from drape.job import Job
from drape.joballowances import ply_allowance_defaults
from drape.layup.allowance import Stations
from drape.layup.edges import edge_places
from drape.layup.joint import RunJoint, RunPly, join_run
from drape.layup.piece import Piece
from drape.mould.mould import Mould


def joints_of(
    job: Job, mould: Mould, pieces: Mapping[str, Piece] | None = None
) -> dict[str, RunJoint]:
    """The joint at each run of the parting line; empty without one.

    Parameters
    ----------
    job : Job
    mould : Mould
    pieces : by ply; overlaps of plies that have none aren't known with placement scatter
    """
    thickness = {p.name: p.fabric.thickness for p in job.plies}
    out = {}
    for run in mould.runs:
        lap_half = job.joint.lap_half_at(run) if job.joint else None
        if lap_half is None:
            continue
        lapping, other = list[RunPly](), list[RunPly]()
        for ply in ply_allowance_defaults(job):
            own, trimmed = ply.of(run, "parting"), run in ply.trimmed
            edge = RunPly(ply.ply, thickness[ply.ply], own, trimmed)
            (lapping if ply.half == lap_half else other).append(edge)
        changing = any(isinstance(p.allowance, Stations) for p in (*lapping, *other))
        out[run] = join_run(
            lap_half,
            lapping,
            other,
            run,
            length=_length(mould, run) if changing else 0.0,
            edges={name: piece.moved[run] for name, piece in (pieces or {}).items()},
            placement=job.bench.placement,
            cut_proud=job.bench.proud,
        )
    return out


def _length(mould: Mould, run: str) -> float:
    """Of a run, mm, in the first half that has it."""
    regions = [half.region for half in mould.halves.values()]
    region = next(r for r in regions if any(e.name == run for e in r.edges))
    return float(edge_places(region, region.edge(run)).max())
