"""What a job's plies are laid on: the closed mould, and the cloth already there.

Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping

from drape.errors import InputError
from drape.job.job import Job, Ply
from drape.layup.laying import Bed, Cloth, facet_size, laying_heights, make_bed, ramp_length
from drape.layup.order import PlyAllowances, ply_allowance_defaults
from drape.layup.piece import MARGIN, Laid
from drape.layup.start_places import chosen_spacing
from drape.mould.closed.closed_mould import ClosedMould


def make_beds(job: Job, closed: ClosedMould) -> dict[str, Bed]:
    """For each half with plies the closed mould seen from it; empty for one half alone.

    Raises
    ------
    InputError
        A lap goes past the middle of the other half's cavity, where laps from all sides
        meet, or a set-back past the middle of its own.
    """
    if not closed.joined:
        return {}
    beds = {}
    for name in closed.mould.halves:
        plies = [p for p in ply_allowance_defaults(job) if p.half == name]
        if not plies:
            continue
        beds[name] = make_bed(closed, name, reach_needed(job, closed, name))
        _refuse_too_wide(job, plies, beds[name])
    return beds


def reach_needed(job: Job, closed: ClosedMould, half: str) -> float:
    """How far from the parting line distances must be known, mm: to the end of every ramp of
    what is laid there, in either half, and of the surface that the half's nets need.

    Heights of all kinds of cloth are found within it, so that it is measured once.
    """
    runs = closed.mould.runs
    at_runs = ply_allowance_defaults(job)
    ends = [abs(x) for p in at_runs for run in runs for x in _ends(p, run)]
    ends += [0.5 * s.width for s in job.strips] + [w.overlap for w in job.wraps]
    # as long as with all cloth in one stack; those centred on the jump end halfway
    stack = sum(p.fabric.thickness for p in job.plies)
    stack += sum(s.fabric.thickness for s in job.strips) * len(runs)
    stack += sum(w.fabric.thickness for w in job.wraps) * 2.0  # on its own beginning
    ramps = max(ends) + ramp_length(stack, facet_size(closed.stitched(half)))
    own = [p for p in job.plies if p.half == half]
    if not own:
        return ramps
    region = closed.region(half)
    spacing = max(p.spacing or chosen_spacing(region) for p in own)
    widest = max(abs(x) for p in at_runs if p.half == half for run in runs for x in _ends(p, run))
    return max(ramps, widest + 1.0 + max(MARGIN, 4.0 * spacing))


def laid_on(job: Job, ply: Ply, beds: Mapping[str, Bed]) -> Laid | None:
    """What a ply lies on; None where only one half is given, or the ply passes no run."""
    bed = beds.get(ply.half)
    if bed is None or not _passes(job, ply, bed):
        return None
    before, other = list[Cloth](), list[Cloth]()
    for each, allowances in zip(job.plies, ply_allowance_defaults(job), strict=True):
        cloth = Cloth(
            each.fabric.thickness, {run: allowances.of(run, "parting") for run in bed.runs}
        )
        if each is ply:
            own = cloth
        elif each.half != ply.half:
            other.append(cloth)
        elif each.order < ply.order:
            before.append(cloth)
    return Laid(bed, laying_heights(bed, own, before, other))


def _passes(job: Job, ply: Ply, bed: Bed) -> bool:
    allowances = next(a for a in ply_allowance_defaults(job) if a.ply == ply.name)
    return any(max(_ends(allowances, run)) > 0.0 for run in bed.runs)


def _ends(allowances: PlyAllowances, run: str) -> tuple[float, ...]:
    cut = allowances.cut(run, "parting")
    return (cut,) if isinstance(cut, float | int) else tuple(cut.values)


def _refuse_too_wide(job: Job, plies: list[PlyAllowances], bed: Bed) -> None:
    for ply in plies:
        for run in bed.runs:
            ends = _ends(ply, run)
            for value, room, what, remedy in (
                (max(ends), bed.room, "the lap goes past the other half's middle", "a shorter lap"),
                (
                    -min(ends),
                    bed.own_room,
                    "the set-back goes past the ply's middle",
                    "a smaller one",
                ),
            ):
                if value > 0.0 and value >= room:
                    raise InputError(
                        what,
                        value=f"{value:g} mm at {run}",
                        limit=f"less than {room:.1f} mm, where cloth from all runs would meet",
                        remedy=f"use {remedy} there",
                        where=job.where("plies", _index(job, ply.ply)),
                    )


def _index(job: Job, name: str) -> int:
    return next(p.index for p in job.plies if p.name == name)
