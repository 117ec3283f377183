"""The joint of a job's halves, run by run, and suggested laps and set-backs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from drape.errors import Finding, InputError, Level
from drape.job.allowance import Stations
from drape.job.job import Job
from drape.job.joint_settings import LEAST_OVERLAP, Joint
from drape.joint.at_run import across, plies_at
from drape.joint.build_up import build_up
from drape.joint.run_joint import RunJoint, join_run
from drape.joint.schedule import Schedule, suggested_schedule
from drape.layup.order import Layup, lapping_half
from drape.layup.piece import Piece
from drape.mould.mould import Mould
from drape.mould.run_line import edge_places


def joints_of(
    job: Job, layup: Layup, mould: Mould, pieces: Mapping[str, Piece] | None = None
) -> dict[str, RunJoint]:
    """The joint at each run of the parting line; empty without one.

    Parameters
    ----------
    layup : all layers
    pieces : by ply; overlaps of plies that have none aren't known with placement scatter
    """
    out = {}
    for run in mould.runs:
        lap_half = lapping_half(job, mould, run)
        if lap_half is None:
            continue
        lapping, other = (plies_at(layup, run, h) for h in (lap_half, mould.other(lap_half)))
        changing = any(isinstance(p.allowance, Stations) for p in (*lapping, *other))
        out[run] = join_run(
            lap_half,
            lapping,
            other,
            run,
            length=_length(mould, run) if changing else 0.0,
            edges={name: piece.moved[run] for name, piece in (pieces or {}).items()},
            bench=job.bench,
            strips=across(layup, run, lap_half),
        )
    return out


def suggested(
    job: Job, layup: Layup, mould: Mould
) -> tuple[dict[str, Schedule] | None, tuple[Finding, ...]]:
    """Laps and set-backs for the targets of ``[joint]``, by run; None if there are no targets.

    Joint strips and wrapped plies are taken to lie wherever plies do, at their thickest, so that
    they never make a run miss its target. A run whose targets contradict each other gets a
    warning instead. Runs with the same message share one finding.
    """
    joint = job.joint
    if joint is None or (joint.greatest_build_up is None and joint.least_overlap is None):
        return None, ()
    found: dict[str, Schedule] = {}
    alike: dict[tuple[Level, str, str], list[str]] = {}
    for run in mould.runs:
        lap_half = joint.lap_half_at(run)
        if lap_half is None:
            continue
        level: Level = "note"
        cloth = across(layup, run, lap_half)
        over = max((b.thickness_mm for b in build_up((), (), strips=cloth)), default=0.0)
        also = f", with {over:.2f} mm of strips and wrapped plies" if over else ""
        try:
            found[run] = _schedule(job, joint, lap_half, over)
        except InputError as error:
            level, text, remedy = "warning", _no_schedule(error) + also, error.remedy
        else:
            text, remedy = _words(found[run], lap_half), "to use them, write them under [joint]"
            text += also
        alike.setdefault((level, text, remedy), []).append(run)
    findings = (
        Finding(level, tuple(runs), text, remedy) for (level, text, remedy), runs in alike.items()
    )
    return found, tuple(findings)


def _schedule(job: Job, joint: Joint, lap_half: str, over: float) -> Schedule:
    """For plies that have ``over`` mm of other cloth on them, which the target includes."""
    lapping, other = list[float](), list[float]()
    for ply in job.plies:
        (lapping if ply.half == lap_half else other).append(ply.fabric.thickness)
    most = sum(lapping) + sum(other)  # no target: all plies on each other
    if joint.greatest_build_up is not None:
        most = max(joint.greatest_build_up - over, 0.0)
    least = LEAST_OVERLAP if joint.least_overlap is None else joint.least_overlap
    found = suggested_schedule(lapping, other, most, least)
    return replace(found, greatest_mm=found.greatest_mm + over)


def _words(schedule: Schedule, lap_half: str) -> str:
    laps, backs = (
        ", ".join(f"{x:.4g}" for x in values) for values in (schedule.laps, schedule.set_backs)
    )
    return (
        f"these laps meet the joint's targets: {laps} mm ({lap_half}), with set-backs of "
        f"{backs} mm: {schedule.greatest_mm:.2f} mm thick at most"
    )


def _no_schedule(error: InputError) -> str:
    limit = f", allowed: {error.limit}" if error.limit else ""
    return f"no laps and set-backs to suggest: {error.what} (got {error.value}{limit})"


def _length(mould: Mould, run: str) -> float:
    """Of a run, mm, in the first half that has it."""
    regions = [half.region for half in mould.halves.values()]
    region = next(r for r in regions if any(e.name == run for e in r.edges))
    return float(edge_places(region, region.edge(run)).max())
