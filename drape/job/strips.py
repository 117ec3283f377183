"""The job file's ``[[joint.strips]]``: their keys, and what they make.

A joint strip is a band of cloth along a run of the parting line, half of its width on each
half. Lengths in mm, angles in radians; ``angle_deg`` is as the job gives it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from drape.fabric.fabric import Fabric
from drape.job.keys import CHOSEN_SPACING, NAME, OURS, Key, name, number, one_of, text

LAID = ("before", "after")

STRIP: Mapping[str, Key] = {
    "name": Key(name, NAME, "Name of the strip and of its files.", "a number: {}"),
    "run": Key(text, 'the name of a run, "A-B.1"', "Where it lies.", "one along every run"),
    "width": Key(
        number(0, 1000, above=True),
        "mm, more than 0, at most 1000",
        "Across the line, half of it on each half.",
        required=True,
    ),
    "angle": Key(
        number(-360, 360),
        "degrees, -360 to 360",
        "Of the warp from the run's direction.",
        required=True,
    ),
    "fabric": Key(text, "the name of a fabric", "Its cloth.", required=True),
    "laid": Key(
        one_of(*LAID),
        "before, after: laid before or after closing",
        "Before closing in one half, or after it over the seam.",
        required=True,
    ),
    "half": Key(
        text,
        "the name of a half",
        'The half it is laid in, for `laid = "before"` alone.',
        'required with `laid = "before"`',
    ),
    "spacing": Key(
        number(0.05, 100), "mm, 0.05 to 100", "Spacing of the net.", CHOSEN_SPACING, OURS
    ),
}


@dataclass(frozen=True)
class Strip:
    """A joint strip.

    Attributes
    ----------
    index : int
        Place in the job's list, from 0.
    run : str or None
        None: one along every run.
    width : float, mm, across the line
    angle : float
        Of the warp from the run's direction (from the first mouth of its name to the
        second), seen from inside.
    laid : str
        ``before`` closing: on the plies of ``half``, the far part is a lap onto the other
        half; ``after``: inside, over the closed seam.
    half : str or None
        None where it is laid after closing.
    spacing : float, mm, or None
        None: chosen.
    """

    name: str
    index: int
    run: str | None
    width: float
    angle: float
    angle_deg: float
    fabric: Fabric
    laid: Literal["before", "after"]
    half: str | None = None
    spacing: float | None = None


def strip_names(strips: Iterable[Mapping[str, Any]]) -> list[str]:
    """Name of each strip, given or ``strip-<n>``."""
    return [values.get("name", f"strip-{i + 1}") for i, values in enumerate(strips)]


def strips_from(
    strips: list[dict[str, Any]], fabrics: Mapping[str, Fabric], sign: float
) -> tuple[Strip, ...]:
    """The strips of checked ``[[joint.strips]]``; ``sign`` of angles as ``seen_from`` says."""
    return tuple(
        Strip(
            name=word,
            index=i,
            run=values.get("run"),
            width=values["width"],
            angle=sign * math.radians(values["angle"]) + 0.0,  # never −0.0
            angle_deg=values["angle"],
            fabric=fabrics[values["fabric"]],
            laid=values["laid"],
            half=values.get("half"),
            spacing=values.get("spacing"),
        )
        for i, (values, word) in enumerate(zip(strips, strip_names(strips), strict=True))
    )
