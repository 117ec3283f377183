"""The job file's ``[mould.parting]``: its keys, its parting line, lines read from files.

Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from drape.errors import InputError
from drape.fabric.readings import Column, read_columns
from drape.geometry.arrays import Floats, readonly
from drape.job.file import JobFile
from drape.job.keys import LARGEST, Key, Wrong, direction, list_of, number, point, table, text
from drape.job.toml_lines import KeyPath
from drape.mould.parting_line import PartingLine

CSV_SUFFIXES = (".csv", ".txt")
_MM: Mapping[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
Values = dict[str, Any]
_COLUMNS = tuple(Column(axis, (axis,), _MM, "mm") for axis in "xyz")


def _line(value: Any) -> Any:
    """A line: a file of points, or the points themselves."""
    if isinstance(value, str):
        if PurePath(text(value)).suffix.lower() not in CSV_SUFFIXES:
            raise Wrong("isn't a file that plywright reads points from")
        return value
    points = list_of(point)(value)
    if len(points) < 2:
        raise Wrong("needs two points or more")
    return points


def _lines(value: Any) -> tuple[Any, ...]:
    """One line or a list of them."""
    if not isinstance(value, list):
        return (_line(value),)
    several = value and isinstance(value[0], str | list)
    if several and (isinstance(value[0], str) or (value[0] and isinstance(value[0][0], list))):
        return list_of(_line)(value)
    return (_line(value),)


def _plane(value: Any) -> dict[str, Any]:
    plane = table(value)
    out: dict[str, Any] = {}
    for word in ("point", "normal"):
        if word not in plane:
            raise Wrong(f"has no {word}")
        try:
            out[word] = (point if word == "point" else direction)(plane[word])
        except Wrong as wrong:
            raise Wrong(wrong.what, (word, *wrong.path)) from wrong
    unknown = [word for word in plane if word not in out]
    if unknown:
        raise Wrong("unknown key", (unknown[0],))
    return out


PARTING: Mapping[str, Key] = {
    "plane": Key(
        _plane,
        "{ point = [x, y, z], normal = [x, y, z] }",
        "The plane of the parting line.",
        "exactly one of the three",
    ),
    "polyline": Key(
        _lines,
        f"points [[x, y, z], ...] in mm, a file of them ({', '.join(CSV_SUFFIXES)}), or a "
        "list of such lines",
        "Lines on the mould, at most 2 mm off it.",
        "exactly one of the three",
    ),
    "height": Key(
        number(-LARGEST, LARGEST),
        "mm along the closing direction",
        "The height of a level parting line.",
        "exactly one of the three",
    ),
}


def problems(
    raw: Mapping[str, Any], values: Values, folder: Path
) -> Iterator[tuple[KeyPath, str, dict[str, Any]]]:
    """What is wrong with the table ``raw`` as a whole: key below it, what, details.

    Lines in ``values``, the good ones of its keys, become points (k, 3); those of files are
    read.
    """
    given = [word for word in raw if word in PARTING]
    limit = f"one of: {', '.join(PARTING)}"
    if len(given) > 1:
        details = {"value": ", ".join(given), "limit": limit, "remedy": "keep one of them"}
        yield (given[1],), "more than one parting line", details
    elif not raw:
        remedy = "give one of them, or leave the table out"
        yield (), "no parting line", {"limit": limit, "remedy": remedy}
    lines = []
    for i, line in enumerate(values.get("polyline", ())):
        try:
            lines.append(line_from(folder, line))
        except InputError as error:
            path = ("polyline", i) if isinstance(raw["polyline"], list) else ("polyline",)
            remedy = error.remedy or "the path starts at the job file's folder"
            details = {"value": error.value, "limit": error.limit, "remedy": remedy}
            yield path, f"{error.where}: {error.what}", details
    if "polyline" in values:
        values["polyline"] = tuple(lines)


def line_from(folder: Path, line: str | Sequence[Sequence[float]]) -> Floats:
    """(k, 3) points of a line, given or in a CSV file of x, y, z in ``folder``; InputError."""
    if not isinstance(line, str):
        return readonly(np.array(line, float))
    found = read_columns(folder / line, _COLUMNS).columns
    points = np.stack([found[axis] for axis in "xyz"], axis=1)
    if len(points) < 2:
        raise InputError("needs two points or more", where=line, value=len(points))
    return readonly(points)


def parting_from(values: Mapping[str, Any], file: JobFile) -> PartingLine:
    """The parting line of a checked table, its lines read; errors in it name the file's line."""
    (kind,) = values
    where = file.where(("mould", "parting", kind))
    plane = values.get("plane")
    if plane is not None:
        point, normal = (readonly(np.array(plane[word], float)) for word in ("point", "normal"))
        return PartingLine(plane=(point, normal), where=where)
    return PartingLine(lines=values.get("polyline"), height=values.get("height"), where=where)
