"""Layers of cloth as the job file gives them: plies, joint strips, wrapped plies.

ply           lies in one half
joint strip   a band along a run of the parting line, half of its width on each half
wrapped ply   goes round both halves of a tube, with a single seam along a run, where it ends on
              its own beginning

Lengths in mm, angles in radians; ``angle_deg`` is as the job gives it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Literal

from drape.fabric.fabric import Fabric
from drape.job.allowance import Allowance
from drape.job.keys import (
    CHOSEN_SPACING,
    NAME,
    OURS,
    POINT,
    Key,
    name,
    number,
    one_of,
    start_or_auto,
    text,
)
from drape.job.toml_lines import renamed

Vector = tuple[float, float, float]
Tables = Sequence[Mapping[str, Any]]

LAID = ("before", "after")
# what strips and wrapped plies have in common
FABRIC = Key(text, "the name of a fabric", "Its cloth.", required=True)
SPACING = Key(number(0.05, 100), "mm, 0.05 to 100", "Spacing of the net.", CHOSEN_SPACING, OURS)
LENGTH = (number(0, 1000, above=True), "mm, more than 0, at most 1000")
ANGLE = (number(-360, 360), "degrees, -360 to 360")

STRIP: Mapping[str, Key] = {
    "name": Key(name, NAME, "Name of the strip and of its files.", "a number: {}"),
    "run": Key(text, 'the name of a run, "A-B.1"', "Where it lies.", "one strip along every run"),
    "width": Key(
        *LENGTH,
        "Width across the line, half of it on each half.",
        required=True,
    ),
    "angle": Key(
        *ANGLE,
        "Angle of the warp, from the run's direction.",
        required=True,
    ),
    "fabric": FABRIC,
    "laid": Key(
        one_of(*LAID),
        "before, after: laid before or after closing",
        "Before closing, in one half; or after closing, over the seam.",
        required=True,
    ),
    "half": Key(
        text,
        "the name of a half",
        'The half it is laid in; only with `laid = "before"`.',
        'required with `laid = "before"`',
    ),
    "spacing": SPACING,
}


WRAP: Mapping[str, Key] = {
    "name": Key(name, NAME, "Name of the ply and of its files.", "a number: {}"),
    "seam": Key(
        text,
        'the name of a run, "A-B.1"',
        "The run where it begins, and where its end laps onto itself.",
        required=True,
    ),
    "overlap": Key(
        *LENGTH,
        "How far its end runs past the seam.",
        required=True,
    ),
    "half": Key(
        text,
        "the name of a half",
        "The half on whose side it begins and overlaps.",
        "the lap half",
        OURS,
    ),
    "angle": Key(
        *ANGLE,
        "Angle of the warp at the start point, from the half's zero direction.",
        required=True,
    ),
    "fabric": FABRIC,
    "start": Key(
        start_or_auto,
        f'"auto", or {POINT}',
        "Where it is first pressed down.",
        "auto, the middle of the ply",
        OURS,
    ),
    "spacing": SPACING,
}


@dataclass(frozen=True, kw_only=True)
class Layer:
    """What all layers have.

    Attributes
    ----------
    name : str
    index : int
        Place in the job's list of its kind, from 0.
    fabric : Fabric
    angle : float
        Of the warp, seen from inside.
    angle_deg : float
        As given.
    spacing : float, mm, or None
        None: chosen.
    """

    name: str
    index: int
    fabric: Fabric
    angle: float
    angle_deg: float
    spacing: float | None = None


@dataclass(frozen=True, kw_only=True)
class Ply(Layer):
    """A ply of one half; its angle counts from the half's zero direction.

    Attributes
    ----------
    order, of : int
        Place among its half's plies, from 1, and how many these are.
    start : (x, y, z) mm, or None
        None: chosen.
    allowances : mapping of edge name to mm
        Those the job gives for this ply; + past the edge. Or stations along a run.
    trim_in_mould : tuple of str
        Edges that are cut proud, and trimmed to their allowance in the mould.
    """

    half: str
    order: int
    of: int
    start: Vector | None = None
    first_yarns: Literal["straight"] = "straight"
    allowances: Mapping[str, Allowance] = field(default_factory=dict)
    trim_in_mould: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Strip(Layer):
    """A joint strip; its angle counts from the run's direction, from the first mouth of its
    name to the second.

    Attributes
    ----------
    run : str or None
        None: one along every run.
    width : float, mm, across the line
    laid : str
        ``before`` closing: on the plies of ``half``, the far part is a lap onto the other
        half; ``after``: inside, over the closed seam.
    half : str or None
        None where it is laid after closing.
    """

    run: str | None
    width: float
    laid: Literal["before", "after"]
    half: str | None = None


@dataclass(frozen=True, kw_only=True)
class Wrapped(Layer):
    """A ply that goes round both halves; laid after closing, over all other plies and strips.

    Its angle counts from the zero direction of the half that it starts on.

    Attributes
    ----------
    seam : str
        The run where it begins, and past which it ends.
    overlap : float, mm, from the seam to its end
    half : str or None
        On whose side of the seam it begins, and so overlaps. None: the lap half.
    start : (x, y, z) mm, or None
        None: the middle of the ply.
    """

    seam: str
    overlap: float
    half: str | None = None
    start: Vector | None = None


def ply_names(plies: Tables) -> list[str]:
    """Name of each ply, given or ``<half>-<n>`` by its place among the half's."""
    out, count = [], dict[str, int]()
    for values in plies:
        half = values.get("half", "")
        count[half] = count.get(half, 0) + 1
        out.append(values.get("name", f"{half}-{count[half]}" if half else ""))
    return out


def numbered(kind: str, tables: Tables) -> list[str]:
    """Name of each strip or wrapped ply, given or ``strip-<n>``."""
    return [values.get("name", f"{kind}-{i + 1}") for i, values in enumerate(tables)]


def plies_from(
    tables: Tables, fabrics: Mapping[str, Fabric], sign: float, mouths: Mapping[str, str]
) -> tuple[Ply, ...]:
    """The plies of checked ``[[plies]]``; ``sign`` of angles as ``seen_from`` says."""
    halves = [values["half"] for values in tables]
    return tuple(
        Ply(
            **_common(i, word, values, fabrics, sign),
            half=halves[i],
            order=halves[: i + 1].count(halves[i]),
            of=halves.count(halves[i]),
            start=_start(values),
            allowances=MappingProxyType(
                {renamed(k, mouths): v for k, v in values.get("allowances", {}).items()}
            ),
            trim_in_mould=tuple(renamed(e, mouths) for e in values.get("trim_in_mould", ())),
        )
        for i, (values, word) in enumerate(zip(tables, ply_names(tables), strict=True))
    )


def strips_from(
    tables: Tables, fabrics: Mapping[str, Fabric], sign: float, mouths: Mapping[str, str]
) -> tuple[Strip, ...]:
    """The strips of checked ``[[joint.strips]]``."""
    return tuple(
        Strip(
            **_common(i, word, values, fabrics, sign),
            run=renamed(values["run"], mouths) if "run" in values else None,
            width=values["width"],
            laid=values["laid"],
            half=values.get("half"),
        )
        for i, (values, word) in enumerate(zip(tables, numbered("strip", tables), strict=True))
    )


def wraps_from(
    tables: Tables, fabrics: Mapping[str, Fabric], sign: float, mouths: Mapping[str, str]
) -> tuple[Wrapped, ...]:
    """Those of checked ``[[joint.wraps]]``."""
    return tuple(
        Wrapped(
            **_common(i, word, values, fabrics, sign),
            seam=renamed(values["seam"], mouths),
            overlap=values["overlap"],
            half=values.get("half"),
            start=_start(values),
        )
        for i, (values, word) in enumerate(zip(tables, numbered("wrap", tables), strict=True))
    )


def _common(
    index: int, name: str, values: Mapping[str, Any], fabrics: Mapping[str, Fabric], sign: float
) -> dict[str, Any]:
    return {
        "name": name,
        "index": index,
        "fabric": fabrics[values["fabric"]],
        "angle": sign * math.radians(values["angle"]) + 0.0,  # never −0.0
        "angle_deg": values["angle"],
        "spacing": values.get("spacing"),
    }


def _start(values: Mapping[str, Any]) -> Vector | None:
    start = values.get("start", "auto")
    return None if start == "auto" else start
