"""How the plies are laid by hand: the job file's [bench]."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from drape.errors import InputError
from drape.job.check import Values
from drape.job.joint_settings import LEAST_OVERLAP

BULK = 1.15  # uncured over cured thickness; from memory: measure yours
TACK_CLEARANCE = 0.5  # mm, so that plies that stick don't touch; from memory
PROUD = 3.0  # mm past its place, of an edge that is trimmed in the mould; our own choice
LEAN_LIMIT = math.radians(45.0)  # our own choice: past it a lap lies more than it stands


@dataclass(frozen=True)
class Placement:
    """How exactly plies are placed by hand; the defaults are from memory: measure yours."""

    offset: float = 1.5  # mm, in any direction
    angle: float = np.radians(1.5)  # either way

    def __post_init__(self) -> None:
        if not (0.0 <= self.offset < np.inf and 0.0 <= self.angle < 0.5 * np.pi):
            raise InputError(
                "placement and angle must not be negative",
                value=f"{self.offset:g} mm, {np.degrees(self.angle):g}°",
                limit="0 mm or more, and 0° to less than 90°",
            )


@dataclass(frozen=True)
class Bench:
    """How the plies are laid by hand.

    Attributes
    ----------
    placement : Placement
        Scatter of the plies' places and angles.
    least_overlap : float, mm
        Required of each pair of plies, scatter included.
    proud : float, mm
        How far past its place an edge is cut that is trimmed in the mould.
    bulk : float, uncured over cured thickness
    tack_clearance : float, mm, kept between a tucked lap and the closing half's cloth
    tuck_limit : float, radians, how far a lap may have to be tucked in
    bag_width : float or None, mm
        How wide the bag stands at the parting line while the halves close; None: not known.
    """

    placement: Placement = field(default_factory=Placement)
    least_overlap: float = LEAST_OVERLAP
    proud: float = PROUD
    bulk: float = BULK
    tack_clearance: float = TACK_CLEARANCE
    tuck_limit: float = LEAN_LIMIT
    bag_width: float | None = None


def bench_from(values: Values) -> Bench:
    common = Placement()
    angle = values.get("angle")
    placement = Placement(
        values.get("placement", common.offset),
        common.angle if angle is None else math.radians(angle),
    )
    least_overlap = values.get("least_overlap", LEAST_OVERLAP)
    lean = values.get("tuck_limit")
    return Bench(
        placement,
        least_overlap,
        values.get("proud", PROUD),
        bulk=values.get("bulk", BULK),
        tack_clearance=values.get("tack_clearance", TACK_CLEARANCE),
        tuck_limit=LEAN_LIMIT if lean is None else math.radians(lean),
        bag_width=values.get("bag_width"),
    )
