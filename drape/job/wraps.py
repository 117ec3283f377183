"""The job file's ``[[joint.wraps]]``: their keys, and what they make.

A wrapped ply goes round both halves of a tube, with a single seam along a run of the parting
line, where it ends on its own beginning. Lengths in mm, angles in radians; ``angle_deg`` is
as the job gives it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from drape.fabric.fabric import Fabric
from drape.job.keys import (
    CHOSEN_SPACING,
    NAME,
    OURS,
    POINT,
    Key,
    name,
    number,
    start_or_auto,
    text,
)

WRAP: Mapping[str, Key] = {
    "name": Key(name, NAME, "Name of the ply and of its files.", "a number: {}"),
    "seam": Key(
        text,
        'the name of a run, "A-B.1"',
        "The run where it begins, and past which it ends on itself.",
        required=True,
    ),
    "overlap": Key(
        number(0, 1000, above=True),
        "mm, more than 0, at most 1000",
        "How far past the seam it ends.",
        required=True,
    ),
    "half": Key(
        text, "the name of a half", "On whose side it begins and overlaps.", "the lap half", OURS
    ),
    "angle": Key(
        number(-360, 360),
        "degrees, -360 to 360",
        "Of the warp from the half's zero direction, at the start point.",
        required=True,
    ),
    "fabric": Key(text, "the name of a fabric", "Its cloth.", required=True),
    "start": Key(
        start_or_auto,
        f'"auto", or {POINT}',
        "Where it is first pressed down.",
        "auto, the middle of the ply",
        OURS,
    ),
    "spacing": Key(
        number(0.05, 100), "mm, 0.05 to 100", "Spacing of the net.", CHOSEN_SPACING, OURS
    ),
}


@dataclass(frozen=True)
class Wrapped:
    """A ply that goes round both halves; laid after closing, over all other plies and strips.

    Attributes
    ----------
    index : int
        Place in the job's list, from 0.
    seam : str
        The run where it begins, and past which it ends.
    overlap : float, mm, from the seam to its end
    half : str or None
        On whose side of the seam it begins, and so overlaps. None: the lap half.
    angle : float
        Of the warp at the start from the half's zero direction there, seen from inside.
    start : (x, y, z) mm, or None
        None: the middle of the ply.
    spacing : float, mm, or None
        None: chosen.
    """

    name: str
    index: int
    seam: str
    overlap: float
    angle: float
    angle_deg: float
    fabric: Fabric
    half: str | None = None
    start: tuple[float, float, float] | None = None
    spacing: float | None = None


def wrap_names(wraps: Iterable[Mapping[str, Any]]) -> list[str]:
    """Name of each wrapped ply, given or ``wrap-<n>``."""
    return [values.get("name", f"wrap-{i + 1}") for i, values in enumerate(wraps)]


def wraps_from(
    wraps: list[dict[str, Any]], fabrics: Mapping[str, Fabric], sign: float
) -> tuple[Wrapped, ...]:
    """Those of checked ``[[joint.wraps]]``; ``sign`` of angles as ``seen_from`` says."""
    out = []
    for i, (values, word) in enumerate(zip(wraps, wrap_names(wraps), strict=True)):
        start = values.get("start", "auto")
        out.append(
            Wrapped(
                name=word,
                index=i,
                seam=values["seam"],
                overlap=values["overlap"],
                angle=sign * math.radians(values["angle"]) + 0.0,  # never −0.0
                angle_deg=values["angle"],
                fabric=fabrics[values["fabric"]],
                half=values.get("half"),
                start=None if start == "auto" else start,
                spacing=values.get("spacing"),
            )
        )
    return tuple(out)
