"""The joint of a job's halves, run by run, from what its plies do there."""

from __future__ import annotations

from collections.abc import Mapping

from drape.job import Job
from drape.joballowances import ply_allowance_defaults
from drape.layup.buildup import EdgePly
from drape.layup.joint import RunJoint, join_run
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
        lapping, other = list[EdgePly](), list[EdgePly]()
        for ply in ply_allowance_defaults(job):
            own, trimmed = ply.of(run, "parting"), run in ply.trimmed
            edge = EdgePly(ply.ply, thickness[ply.ply], own, trimmed)
            (lapping if ply.half == lap_half else other).append(edge)
        edges = {name: piece.moved[run] for name, piece in (pieces or {}).items()}
        out[run] = join_run(
            lap_half, lapping, other, run, edges, job.bench.placement, job.bench.proud
        )
    return out
