"""What summary.json holds of the joint: build-up, overlaps, tuck, ease, yarns, run by run.

Units stand in the names, see ``drape.output.summary.models``.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, FiniteFloat

from drape.output.summary.base import Amount, Model, Point3


class BuildUp(Model):
    """Plies over a stretch across the parting line; below 0 is the lapping half's side."""

    from_mm: FiniteFloat
    to_mm: FiniteFloat
    plies: Annotated[int, Field(ge=0)]
    thickness_mm: Amount


class Overlap(Model):
    """Overlap of a pair of plies at a run; ``least`` and ``greatest`` with placement scatter."""

    lap_ply: str
    other_ply: str
    overlap_mm: FiniteFloat
    least_mm: FiniteFloat | None = None
    greatest_mm: FiniteFloat | None = None
    overlap_per_thickness: FiniteFloat | None = None


class Tuck(Model):
    """How far a lap must be tucked in at a station, mm along the run, to clear the closing half.

    ``tuck_mm`` counts from the place where the lap's mid-surface leaves its half;
    ``inward_mm`` and ``height_mm`` are the tip's place from the cavity's edge;
    ``press_back_mm`` is how far the bag must press it back.
    """

    ply: str
    station_mm: Amount | None = None
    tuck_mm: FiniteFloat | None = None
    inward_mm: FiniteFloat | None = None
    height_mm: FiniteFloat | None = None
    angle_deg: FiniteFloat | None = None
    press_back_mm: Amount | None = None


class SnipRecord(Model):
    """Snips into a lap's free edge along a stretch of a run."""

    from_mm: Amount
    to_mm: Amount
    count: Annotated[int, Field(ge=1)]
    depth_mm: Amount
    opening_mm: Amount
    reason: str


class EaseRecord(Model):
    """A lap's free edge against the line it starts from: + must stretch, - must gather.

    ``ease_percent`` is the worst, ``at_mm`` along the run; ``shear_deg`` the net's greatest
    in the lap there; ``longest_lap_mm`` a lap that needs no snips, null where none is snipped.
    """

    ply: str
    at_mm: Amount
    ease_percent: FiniteFloat
    whole_percent: FiniteFloat
    shear_deg: Amount | None = None
    snips: tuple[SnipRecord, ...] = ()
    longest_lap_mm: Amount | None = None


class YarnRecord(Model):
    """A pair of plies' warps at a run; ``best_turn_deg`` is to be added to the other ply's angle.

    It turns the way the job's angles do.
    """

    ply: str
    other: str
    goal: Literal["running-through", "mirrored"]
    greatest_deg: Amount
    best_turn_deg: FiniteFloat
    after_turn_deg: Amount


class TriedStart(Model):
    """A start and angle that were draped, as the job counts them.

    ``mean_deg`` and ``greatest_deg``: how far the yarns are off along the runs, the mean by
    length; null where the net doesn't reach them. ``missed_percent`` of the runs isn't reached.
    """

    start_mm: Point3
    angle_deg: FiniteFloat
    mean_deg: Amount | None = None
    greatest_deg: Amount | None = None
    max_shear_deg: Amount | None = None
    missed_percent: Amount = 0.0


class YarnSearch(Model):
    """The start and angle of ``ply`` that serve the goal best while ``other`` stays as it is.

    ``best`` is null where nothing better than ``given`` was found; ``past_locking`` says whether
    all candidates are sheared past the locking angle.
    """

    ply: str
    other: str
    goal: Literal["running-through", "mirrored"]
    runs: tuple[str, ...]
    given: TriedStart
    best: TriedStart | None = None
    past_locking: bool = False
    starts: Annotated[int, Field(ge=0)]
    nets: Annotated[int, Field(ge=0)]


class Run(Model):
    """A run of the parting line.

    Where an allowance changes along the run, ``build_up`` is at the place with the greatest
    thickness, ``build_up_at_mm`` along the run, and ``least_build_up`` at the place where the
    greatest thickness is least; both places are null where nothing changes.
    """

    lap_half: str
    build_up: tuple[BuildUp, ...] | None = None
    build_up_at_mm: Amount | None = None
    least_build_up: tuple[BuildUp, ...] | None = None
    least_build_up_at_mm: Amount | None = None
    overlaps: tuple[Overlap, ...] | None = None
    tuck: tuple[Tuck, ...] | None = None
    ease: tuple[EaseRecord, ...] | None = None
    yarns: tuple[YarnRecord, ...] | None = None


class Scatter(Model):
    """How far off a ply may be laid, and how far turned either way."""

    placement_mm: Amount
    angle_deg: Amount


class Suggested(Model):
    """Laps and set-backs that meet the targets, in order of lay-up, and their thickness."""

    laps_mm: tuple[Amount, ...]
    set_backs_mm: tuple[Amount, ...]
    greatest_mm: Amount


class Joint(Model):
    """The joint of the halves, run by run.

    ``suggested`` is null without targets; it lacks runs whose targets contradict each other.
    ``yarn_searches``: one per pair of plies; null unless the job asks for them.
    """

    suggested: dict[str, Suggested] | None = None
    scatter: Scatter | None = None
    runs: dict[str, Run] = Field(default_factory=dict)
    yarn_searches: tuple[YarnSearch, ...] | None = None
