"""The job file's keys: what each takes, and what is said when it's given something else.

One table a section. A check turns a TOML value into ours, or raises ``Wrong``.
"""

from __future__ import annotations

import datetime
import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from drape.fabric.composition import BELOW
from drape.fabric.fabric import KINDS, LIMITS
from drape.job.allowance import Allowance, Stations
from drape.job.toml_lines import KeyPath

Check = Callable[[Any], Any]

UNITS: Mapping[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
PAGES = ("A4", "A3", "Letter", "roll")
MESH_SUFFIXES = (".stl", ".ply", ".obj")
LARGEST = 100_000.0  # mm; past it the numbers aren't of a part made by hand
NOT_BUILT = "isn't built yet"


class Wrong(Exception):
    """A value that isn't allowed; ``path`` leads to it below the checked key."""

    def __init__(self, what: str, path: KeyPath = ()) -> None:
        super().__init__(what)
        self.what, self.path = what, path


@dataclass(frozen=True)
class Key:
    """What a key takes. ``allowed`` is said in messages, after 'allowed:'."""

    check: Check
    allowed: str
    required: bool = False


def shown(value: Any) -> str:
    """A value as the job file spells it, on one line, cut to 60 characters."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, list):
        text = f"[{', '.join(shown(v) for v in value)}]"
    elif isinstance(value, dict):
        text = f"a table ({', '.join(map(str, value))})"
    elif isinstance(value, int) and abs(value) >= 10**20:
        text = f"a number of {len(hex(value)) * 6 // 5} digits"
    else:
        text = str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def number(low: float, high: float, *, above: bool = False, below: bool = False) -> Check:
    """A finite number from ``low`` to ``high``; ``above``/``below`` leave the ends out."""

    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise Wrong(f"must be a number, not {_kind(value)}")
        if isinstance(value, float) and math.isnan(value):
            raise Wrong("isn't a number")
        # compared before conversion: an integer may be too big for a float
        if value < low or value > high or (above and value == low) or (below and value == high):
            raise Wrong("is out of range")
        return float(value)

    return check


def text(value: Any) -> str:
    """One line of text that isn't blank."""
    if not isinstance(value, str):
        raise Wrong(f"must be text, not {_kind(value)}")
    if not value.strip():
        raise Wrong("is blank")
    if re.search(r"[\x00-\x1f\x7f]", value):
        raise Wrong("has line breaks or control characters")
    return value


def name(value: Any) -> str:
    """Text that can be part of a file name on any system."""
    value = text(value)
    if not re.fullmatch(r"\w(?:[\w .+-]{0,58}\w)?", value):
        raise Wrong("can't be used as a name")
    return value


NAME = "up to 60 letters, digits, spaces, _ . + -, a letter or digit at both ends"


def one_of(*choices: str, later: Mapping[str, str] | None = None) -> Check:
    """One of some words; those in ``later`` are known, but not built yet."""

    def check(value: Any) -> str:
        if isinstance(value, str) and value in (later or {}):
            raise Wrong(f"{(later or {})[value]}: {NOT_BUILT}")
        if not isinstance(value, str):
            raise Wrong(f"must be text, not {_kind(value)}")
        if value not in choices:
            raise Wrong("is none of the words known here")
        return value

    return check


def yes_no(value: Any) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise Wrong(f"must be true or false, not {_kind(value)}")
    return value


def list_of(element: Check) -> Check:
    """A list, each element checked by ``element``."""

    def check(value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list):
            raise Wrong(f"must be a list, not {_kind(value)}")
        out = []
        for i, item in enumerate(value):
            try:
                out.append(element(item))
            except Wrong as wrong:
                raise Wrong(wrong.what, (i, *wrong.path)) from wrong
        return tuple(out)

    return check


def point(value: Any) -> tuple[float, float, float]:
    """Three finite numbers."""
    out = list_of(number(-LARGEST, LARGEST))(value)
    if len(out) != 3:
        raise Wrong(f"must be three numbers, not {len(out)}")
    return out


def direction(value: Any) -> tuple[float, float, float]:
    """Three finite numbers that aren't all zero, scaled to length one."""
    x, y, z = point(value)
    length = math.hypot(x, y, z)
    if length < 1e-9:
        raise Wrong("points nowhere")
    return (x / length, y / length, z / length)


def table(value: Any) -> dict[str, Any]:
    """A table."""
    if not isinstance(value, dict):
        raise Wrong(f"must be a table, not {_kind(value)}")
    return value


def mesh_name(value: Any) -> str:
    """Name of a mesh file of a kind that can be read."""
    suffix = PurePath(text(value)).suffix.lower()
    if suffix in (".step", ".stp"):
        raise Wrong(f"STEP: {NOT_BUILT}")
    if suffix not in MESH_SUFFIXES:
        raise Wrong("isn't a kind of mesh file that can be read")
    return value


def _format(value: Any) -> int:
    if type(value) is not int or value != 1:
        raise Wrong("is a format this version doesn't know")
    return value


def start_or_auto(value: Any) -> Any:
    """``auto``, or a point."""
    return value if value == "auto" else point(value)


def _lap_half(value: Any) -> str | dict[str, str]:
    if not isinstance(value, dict):
        return text(value)
    if not value:
        raise Wrong("names no run")
    for run, half in value.items():
        if isinstance(half, dict):  # A-B.1 = "lower" is a table A-B with a key 1
            raise Wrong('is a table: write a name that has a dot in quotes, "A-B.1"', (run,))
        try:
            text(half)
        except Wrong as wrong:
            raise Wrong(wrong.what, (run,)) from wrong
    return dict(value)


def _allowance(value: Any) -> Allowance:
    if isinstance(value, list):
        return _stations(value)
    if isinstance(value, dict):  # A-B.1 = 5 is a table A-B with a key 1
        raise Wrong('is a table: write a name that has a dot in quotes, "A-B.1" = 5')
    return number(-1000, 1000)(value)


def _stations(value: list[Any]) -> Stations:
    """[[place, allowance], ...] in mm, the places in order."""
    if len(value) < 2:
        raise Wrong("needs two stations or more")
    for i, pair in enumerate(value):
        if not isinstance(pair, list) or len(pair) != 2:
            raise Wrong("must be a station, [mm along the edge, mm of allowance]", (i,))
    checks = number(0, LARGEST), number(-1000, 1000)
    places, values = list[float](), list[float]()
    for i, pair in enumerate(value):
        for k, (check, out) in enumerate(zip(checks, (places, values), strict=True)):
            try:
                out.append(check(pair[k]))
            except Wrong as wrong:
                raise Wrong(wrong.what, (i, k)) from wrong
        if i and places[i] <= places[i - 1]:
            raise Wrong("doesn't lie past the station before it", (i, 0))
    return Stations(tuple(places), tuple(values))


def _date(value: Any) -> datetime.date:
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        try:
            return datetime.date.fromisoformat(value)
        except ValueError as error:
            raise Wrong("is no day of the calendar") from error
    if type(value) is not datetime.date:
        raise Wrong("isn't a date")
    return value


def _later(value: Any) -> Any:
    raise Wrong(NOT_BUILT)


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return "true or false"
    kinds = {str: "text", list: "a list", dict: "a table", int: "a number", float: "a number"}
    return kinds.get(type(value), "a date or time")


def _fabric_number(key: str) -> Key:
    below = key in BELOW
    unit = {
        "areal_mass": "g/m2 of fibre",
        "prepreg_areal_mass": "g/m2 of fibre and resin",
        "locking_angle": "degrees",
        "show_limit": "degrees",
        "fibre_density": "g/cm3",
        "resin_density": "g/cm3",
        "resin_content": "percent by mass",
        "fibre_fraction": "fibre volume fraction",
    }.get(key, "mm")
    end = "less than" if below else "at most"
    allowed = f"{unit}, more than 0, {end} {LIMITS[key]:g}"
    return Key(number(0, LIMITS[key], above=True, below=below), allowed)


LATER = Key(_later, "leave it out for now")
LAPS = Key(list_of(number(0, 1000)), "a list of mm, each 0 to 1000")
POINT = "three numbers in mm, [x, y, z]"
DIRECTION = "three numbers, not all 0, [x, y, z]"
TABLE = "a table"

TOP: Mapping[str, Key] = {
    "format": Key(_format, "1", required=True),
    "title": Key(text, "text"),
    "units": Key(one_of(*UNITS), ", ".join(UNITS)),
    "seen_from": Key(one_of("inside", "mould"), "inside, mould"),
    "mould": Key(table, TABLE, required=True),
    "fabrics": Key(table, "a table of fabrics", required=True),
    "joint": Key(table, TABLE),
    "plies": Key(list_of(table), "[[plies]] tables, one a ply", required=True),
    "report": Key(table, TABLE),
    "bench": Key(table, TABLE),
    "bag": Key(table, TABLE),
    "kit": LATER,
}
MOULD: Mapping[str, Key] = {
    "closing": Key(direction, DIRECTION),
    "halves": Key(table, "one or two tables, [mould.halves.<name>]", required=True),
    "parting": Key(table, "a table with one of: plane, polyline, height"),
    "trim": Key(table, "tables [mould.trim.<mouth>]"),
    "mouths": Key(table, 'new names by letter, A = "root"'),
}
HALF: Mapping[str, Key] = {
    "mesh": Key(mesh_name, f"a file, {', '.join(MESH_SUFFIXES)}", required=True),
    "zero": Key(direction, DIRECTION),
}
TRIM: Mapping[str, Key] = {
    "point": Key(point, POINT, required=True),
    "normal": Key(direction, f"{DIRECTION}, pointing out of the part", required=True),
}
FABRIC: Mapping[str, Key] = {
    "take": Key(text, "the name of a fabric that ships"),
    "weave": Key(text, "text"),
    "source": Key(text, "text"),
    "kind": Key(one_of(*KINDS), ", ".join(KINDS)),
    "bleed": Key(yes_no, "true, false"),
    **{key: _fabric_number(key) for key in LIMITS},
}
JOINT: Mapping[str, Key] = {
    "lap_half": Key(_lap_half, 'the name of a half, or { "A-B.1" = name, ... }'),
    "laps": LAPS,
    "set_backs": LAPS,
    "run_off": Key(number(0, 1000), "mm, 0 to 1000"),
    "greatest_build_up": Key(number(0, 100, above=True), "mm, more than 0, at most 100"),
    "least_overlap": Key(number(0, 1000), "mm, 0 to 1000"),
    "strips": Key(list_of(table), "[[joint.strips]] tables, one a strip"),
    "wraps": Key(list_of(table), "[[joint.wraps]] tables, one a wrapped ply"),
    "yarns": Key(one_of("running-through", "mirrored"), "running-through, mirrored"),
    "yarns_search": Key(yes_no, "true, false"),
}
PLY: Mapping[str, Key] = {
    "name": Key(name, NAME),
    "half": Key(text, "the name of a half", required=True),
    "fabric": Key(text, "the name of a fabric", required=True),
    "angle": Key(number(-360, 360), "degrees, -360 to 360", required=True),
    "start": Key(start_or_auto, f'"auto", or {POINT}'),
    "first_yarns": Key(one_of("straight", later={"steered": "steered first yarns"}), "straight"),
    "spacing": Key(number(0.05, 100), "mm, 0.05 to 100"),
    "allowances": Key(table, "a table of mm by edge"),
    "trim_in_mould": Key(list_of(text), 'a list of edge names, ["A-B.1"]'),
    "goal": LATER,
    "region": LATER,
    "splits": LATER,
    "cuts": LATER,
}
ALLOWANCE = Key(
    _allowance,
    "mm, -1000 to 1000: + past the edge, - short of it; or stations [[0, 12], [80, 6]], mm along "
    "the edge and allowance, in order",
)
REPORT: Mapping[str, Key] = {
    "fail_on": Key(list_of(one_of("note", "warning", "risk")), "a list of: note, warning, risk"),
    "date": Key(_date, "a date, 2026-01-31"),
}
BENCH: Mapping[str, Key] = {
    "page": Key(one_of(*PAGES), ", ".join(PAGES)),
    "placement": Key(number(0, 100), "mm, 0 to 100: how far off a ply may lie, in any direction"),
    "angle": Key(number(0, 45), "degrees, 0 to 45: how far a ply may be turned, either way"),
    "least_overlap": Key(number(0, 1000), "mm, 0 to 1000"),
    "proud": Key(number(0, 100, above=True), "mm, more than 0, at most 100"),
    "bulk": Key(number(1, 3), "uncured over cured thickness, 1 to 3"),
    "tack_clearance": Key(number(0, 10), "mm, 0 to 10"),
    "tuck_limit": Key(number(0, 90, above=True), "degrees, more than 0, at most 90"),
    "bag_width": Key(number(0, 10_000, above=True), "mm, more than 0, at most 10000"),
}
