"""What a key of the job file takes, and the error when it is given something else.

A check turns a TOML value into ours, or raises ``Wrong``. The keys themselves are listed in
``tables`` and in the modules of single sections.
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

from drape.job.allowance import Allowance, Stations
from drape.job.toml_lines import KeyPath

Check = Callable[[Any], Any]

UNITS: Mapping[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
PAGES = ("A4", "A3", "Letter", "roll")
MESH_SUFFIXES = (".stl", ".ply", ".obj")
LARGEST = 100_000.0  # mm; no part made by hand is larger
NOT_BUILT = "isn't built yet"
COMMON, OURS, MEMORY = "common practice", "our choice", "from memory"
SOURCES = (COMMON, OURS, MEMORY)
POINT = "three numbers in mm, [x, y, z]"
DIRECTION = "three numbers, not all 0, [x, y, z]"
TABLE = "a table"
CHOSEN_SPACING = "chosen by the size of the piece, finer where its checks need it"


class Wrong(Exception):
    """A value that isn't allowed; ``path`` leads to it below the checked key."""

    def __init__(self, what: str, path: KeyPath = ()) -> None:
        super().__init__(what)
        self.what, self.path = what, path


@dataclass(frozen=True)
class Key:
    """What a key takes, and what ``docs/job-file.md`` says about it.

    Attributes
    ----------
    check : Check
    allowed : str
        Follows 'allowed:' in messages.
    about : str
        What the key does, in one line.
    default : str
        What applies without the key. ``{}`` stands for the value that a job without it gets:
        the reference reads that from such a job, it is never written here.
    source : str
        Where the default comes from: one of ``SOURCES``, or nothing where there is none.
    """

    check: Check
    allowed: str
    about: str = ""
    default: str = "{}"
    source: str = ""
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
    """One of several words; those in ``later`` are known, but not built yet."""

    def check(value: Any) -> str:
        if isinstance(value, str) and value in (later or {}):
            raise Wrong(f"{(later or {})[value]}: {NOT_BUILT}")
        if not isinstance(value, str):
            raise Wrong(f"must be text, not {_kind(value)}")
        if value not in choices:
            raise Wrong("is not one of the allowed words")
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
        raise Wrong("has zero length")
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
        raise Wrong("isn't a mesh file that plywright can read")
    return value


def this_format(value: Any) -> int:
    """The one format that is known."""
    if type(value) is not int or value != 1:
        raise Wrong("is a format this version doesn't know")
    return value


def start_or_auto(value: Any) -> Any:
    """``auto``, or a point."""
    return value if value == "auto" else point(value)


def lap_half(value: Any) -> str | dict[str, str]:
    """A half, or a half for each run."""
    if not isinstance(value, dict):
        return text(value)
    if not value:
        raise Wrong("names no run")
    for run, half in value.items():
        if isinstance(half, dict):  # A-B.1 = "lower" is a table A-B with a key 1
            raise Wrong('is a table: put a name with a dot in quotes, "A-B.1"', (run,))
        try:
            text(half)
        except Wrong as wrong:
            raise Wrong(wrong.what, (run,)) from wrong
    return dict(value)


def allowance(value: Any) -> Allowance:
    """One length, or stations."""
    if isinstance(value, list):
        return _stations(value)
    if isinstance(value, dict):  # A-B.1 = 5 is a table A-B with a key 1
        raise Wrong('is a table: put a name with a dot in quotes, "A-B.1" = 5')
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
            raise Wrong("must lie past the station before it", (i, 0))
    return Stations(tuple(places), tuple(values))


def date(value: Any) -> datetime.date:
    """A day, as TOML has it or as text."""
    if isinstance(value, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        try:
            return datetime.date.fromisoformat(value)
        except ValueError as error:
            raise Wrong("isn't a day of the calendar") from error
    if type(value) is not datetime.date:
        raise Wrong("isn't a date")
    return value


def later_on(value: Any) -> Any:
    """Nothing: the key is known, but not built yet."""
    raise Wrong(NOT_BUILT)


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return "true or false"
    kinds = {str: "text", list: "a list", dict: "a table", int: "a number", float: "a number"}
    return kinds.get(type(value), "a date or time")
