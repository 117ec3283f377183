"""Tuck, lap ease and yarn match as they stand in the summary. Degrees and mm at this surface."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from drape.advice.search_findings import PairSearch, angle_deg
from drape.advice.yarn_trials import Tried
from drape.job.bench_settings import Placement
from drape.joint.build_up import Band
from drape.joint.ease import LapEase, SnippedStretch
from drape.joint.run_joint import RunJoint
from drape.joint.schedule import Schedule
from drape.joint.tuck import RunClosing
from drape.joint.tuck_plane import Tuck
from drape.joint.yarns import PairYarns
from drape.output.summary import joint_models as record
from drape.output.summary.base import degrees, number


def with_closing(
    joint: record.Joint | None,
    closings: Mapping[str, RunClosing],
    eases: Mapping[str, Sequence[LapEase]],
    yarns: Mapping[str, Sequence[PairYarns]],
    sense: float,
    searches: Sequence[PairSearch] | None = None,
) -> record.Joint | None:
    """The joint's record with what is known of its closing.

    Parameters
    ----------
    sense : +1 where the job's angles are seen from inside, −1 from the mould side
    searches : None: the job doesn't ask for them
    """
    if joint is None:
        return None
    runs = {
        run: record.Run(
            **{
                **{name: getattr(own, name) for name in type(own).model_fields},
                "tuck": _tucks(closings[run]),
                "ease": tuple(_ease(e) for e in eases[run]),
                "yarns": tuple(_yarns(y, sense) for y in yarns[run]),
            }
        )
        if run in closings
        else own
        for run, own in joint.runs.items()
    }
    found = None if searches is None else tuple(_search(s, sense) for s in searches)
    return joint.model_copy(update={"runs": runs, "yarn_searches": found})


def _tucks(closing: RunClosing) -> tuple[record.Tuck, ...]:
    """Of all plies and stations, the largest first."""
    found = [t for lap in closing.laps for t in lap.tucks]
    return tuple(_tuck(t) for t in sorted(found, key=lambda t: -round(t.tuck_mm, 3)))


def _tuck(t: Tuck) -> record.Tuck:
    return record.Tuck(
        ply=t.ply,
        station_mm=number(t.station_mm),
        tuck_mm=number(t.tuck_mm),
        inward_mm=number(t.tip_mm[0]),
        height_mm=number(t.tip_mm[1]),
        angle_deg=number(t.tuck_deg),
        press_back_mm=number(t.press_back_mm),
    )


def _ease(e: LapEase) -> record.EaseRecord:
    return record.EaseRecord(
        ply=e.ply,
        at_mm=round(e.worst_at, 3),
        ease_percent=round(100.0 * e.worst, 3) + 0.0,
        whole_percent=round(100.0 * e.whole, 3) + 0.0,
        shear_deg=degrees(e.shear),
        snips=tuple(_snips(s) for s in e.stretches),
        longest_lap_mm=number(e.longest),
    )


def _snips(s: SnippedStretch) -> record.SnipRecord:
    return record.SnipRecord(
        from_mm=round(s.from_mm, 3),
        to_mm=round(s.to_mm, 3),
        count=s.snips.count,
        depth_mm=round(s.snips.depth_mm, 3),
        opening_mm=round(s.snips.opening_mm, 3),
        reason=s.snips.reason,
    )


def _yarns(pair: PairYarns, sense: float) -> record.YarnRecord:
    m = pair.match
    turn = degrees(sense * m.best_turn)
    assert turn is not None  # a match is a number
    return record.YarnRecord(
        ply=pair.ply,
        other=pair.other,
        goal=m.goal,
        greatest_deg=degrees(m.greatest) or 0.0,
        best_turn_deg=turn + 0.0,
        after_turn_deg=degrees(m.after_turn) or 0.0,
    )


def _search(s: PairSearch, sense: float) -> record.YarnSearch:
    found, best = s.found, s.found.best
    return record.YarnSearch(
        ply=s.ply.name,
        other=s.other.name,
        goal=s.goal,
        runs=s.runs,
        given=_tried(found.given, s.ply.angle_deg),
        best=None if best is None else _tried(best, angle_deg(best, sense)),
        past_locking=best is not None and found.locking,
        starts=found.starts,
        nets=found.nets,
    )


def _tried(t: Tried, angle: float) -> record.TriedStart:
    x, y, z = (round(float(c), 3) + 0.0 for c in t.start.at)
    return record.TriedStart(
        start_mm=(x, y, z),
        angle_deg=angle,
        mean_deg=_known(t.mean),
        greatest_deg=_known(t.greatest),
        max_shear_deg=_known(t.shear),
        missed_percent=round(100.0 * t.missed, 3) + 0.0,
    )


def _known(value: float) -> float | None:
    return degrees(value) if np.isfinite(value) else None


def joint_record(
    joints: Mapping[str, RunJoint],
    placement: Placement,
    schedules: Mapping[str, Schedule] | None = None,
) -> record.Joint | None:
    """The joint, run by run; None without one."""
    if not joints:
        return None
    runs = {
        run: record.Run(
            lap_half=joint.lap_half,
            build_up=_bands(joint.bands),
            build_up_at_mm=number(joint.bands_at),
            least_build_up=None if joint.least_bands is None else _bands(joint.least_bands),
            least_build_up_at_mm=number(joint.least_bands_at),
            overlaps=tuple(
                record.Overlap(
                    lap_ply=o.ply,
                    other_ply=o.other,
                    overlap_mm=round(o.nominal_mm, 3) + 0.0,
                    least_mm=number(o.least_mm),
                    greatest_mm=number(o.greatest_mm),
                    overlap_per_thickness=number(o.per_thickness),
                )
                for o in joint.overlaps
            ),
        )
        for run, joint in joints.items()
    }
    scatter = record.Scatter(
        placement_mm=placement.offset, angle_deg=round(float(np.degrees(placement.angle)), 6)
    )
    return record.Joint(suggested=_suggested(schedules), scatter=scatter, runs=runs)


def _suggested(schedules: Mapping[str, Schedule] | None) -> dict[str, record.Suggested] | None:
    if schedules is None:
        return None
    return {
        run: record.Suggested(
            laps_mm=tuple(round(x, 3) for x in schedule.laps),
            set_backs_mm=tuple(round(x, 3) for x in schedule.set_backs),
            greatest_mm=round(schedule.greatest_mm, 3),
        )
        for run, schedule in schedules.items()
    }


def _bands(bands: Sequence[Band]) -> tuple[record.BuildUp, ...]:
    return tuple(
        record.BuildUp(
            from_mm=round(b.from_mm, 3) + 0.0,
            to_mm=round(b.to_mm, 3) + 0.0,
            plies=b.plies,
            thickness_mm=round(b.thickness_mm, 3) + 0.0,
        )
        for b in bands
    )
