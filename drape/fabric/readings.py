"""Readings from a CSV file, as spreadsheets and testing machines write them.

Columns are found by their headings, or by order where there are none. Separators are
semicolons, tabs, commas or blanks; decimal points or commas. Units stand in the heading,
``force [kN]``, or in a row of their own below. Where a file is ambiguous nothing is guessed.
"""

from __future__ import annotations

import csv
import math
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from drape.errors import InputError
from drape.geometry.arrays import Floats, readonly

LARGEST_FILE = 10_000_000  # bytes
LARGEST = 1e6  # mm and N: a larger value means a wrong unit
LENGTHS: Mapping[str, float] = MappingProxyType(
    {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4, "µm": 1e-3, "um": 1e-3}
)
FORCES: Mapping[str, float] = MappingProxyType(
    {"N": 1.0, "kN": 1000.0, "cN": 0.01, "mN": 0.001, "daN": 10.0, "kgf": 9.80665, "lbf": 4.448222}
)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)*|[.,]\d+)(?:[eE][+-]?\d+)?|[+-]?(?:nan|inf)", re.I)
_IN_BRACKETS = re.compile(r"[\[(<]\s*([^\])>]*?)\s*[\])>]")


@dataclass(frozen=True)
class Column:
    """A column that is wanted.

    Attributes
    ----------
    name : str
        As messages call it.
    words : tuple of str
        A heading with one of these words, in small letters, is this column's.
    units : mapping of unit to factor
        To mm or N.
    unit : str
        That counts where the file names none.
    """

    name: str
    words: tuple[str, ...]
    units: Mapping[str, float]
    unit: str


@dataclass(frozen=True, eq=False)
class Readings:
    """Columns by name, (k,) each, in mm and N; ``assumed`` says what the file doesn't."""

    columns: Mapping[str, Floats]
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class _Row:
    line: int
    fields: tuple[str, ...]


def read_columns(path: Path | str, wanted: Sequence[Column]) -> Readings:
    """Read the wanted columns of a CSV file.

    Parameters
    ----------
    path : Path or str
    wanted : sequence of Column
        In the order that counts where there are no headings.

    Raises
    ------
    InputError
        No such file, not text, no numbers, a column that isn't there or twice, an unknown
        unit, a field that is no number; with file and line.
    """
    path = Path(path)
    text = _text_of(path)
    rows, separator = _rows(text, path.name)
    first = next((i for i, r in enumerate(rows) if all(map(_is_number, r.fields))), None)
    if first is None:
        raise InputError("no row of numbers", where=path.name, remedy="give one reading per row")
    headings, units = _headings(rows[:first], wanted)
    body = rows[first:]
    above = rows[first - 1].line if first else None
    places, ordered = _places(path.name, wanted, headings, above, body[0], separator)
    count = len(headings) or len(body[0].fields)
    fields = [[_field(path.name, r, at, count) for r in body] for at in places]
    point = _decimal(path.name, body, [f for column in fields for f in column])
    columns, assumed = {}, []
    if ordered:
        assumed.append(f"columns in the order {', '.join(c.name for c in wanted)}")
    for column, at, texts in zip(wanted, places, fields, strict=True):
        unit = _unit(path.name, column, headings[at] if headings else "", units.get(at, ""))
        if not unit:
            assumed.append(f"{column.name} in {column.unit}")
        scale = column.units[unit or column.unit]
        values = [_value(path.name, r, t, point, scale) for r, t in zip(body, texts, strict=True)]
        columns[column.name] = readonly(np.array(values))
    return Readings(MappingProxyType(columns), tuple(assumed))


def _text_of(path: Path) -> str:
    if not os.path.exists(path):  # unlike Path.exists, never raises
        raise InputError("no such file", where=str(path), remedy="check the name")
    if not os.path.isfile(path):
        raise InputError("not a file", where=str(path), remedy="give the CSV file itself")
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise InputError("too big for readings", where=path.name, limit="at most 10 MB")
        raw = path.read_bytes()
    except OSError as error:
        what = "the file can't be read"
        raise InputError(what, where=str(path), value=error.strerror or error) from error
    text = _decoded(raw)
    if text is None or re.search(r"[\x00-\x08\x0b\x0e-\x1f\x7f]", text):
        remedy = "save the readings as CSV, not as a spreadsheet's own file"
        raise InputError("not a text file", where=path.name, remedy=remedy)
    if not text.strip():
        raise InputError("the file is empty", where=path.name)
    return text


def _decoded(raw: bytes) -> str | None:
    marked = raw[:2] in (b"\xff\xfe", b"\xfe\xff")
    # spreadsheets write either of the latter two
    for encoding in ["utf-16"] if marked else ["utf-8-sig", "cp1252"]:
        try:
            return raw.decode(encoding)
        except UnicodeDecodeError:
            continue
    return None


def _rows(text: str, file: str) -> tuple[list[_Row], str]:
    """The rows that hold anything, and what separates their fields; " " for blanks."""
    lines = re.split(r"\r\n|\r|\n", text.replace("\u00a0", " ").replace("\u2212", "-"))
    named = re.fullmatch(r"sep=(.)", lines[0].strip().strip('"'))
    if named:
        lines[0] = ""
    lines = ["" if line.lstrip().startswith("#") else line for line in lines]
    separator = named[1] if named else _separator([line for line in lines if line.strip()])
    if separator == " ":
        rows = [_Row(i + 1, tuple(line.split())) for i, line in enumerate(lines)]
        return [r for r in rows if r.fields], separator
    out = []
    for i, line in enumerate(lines):  # line by line: a quote left open can't swallow the rest
        try:
            fields = next(csv.reader([line], delimiter=separator, strict=True), [])
        except csv.Error as error:
            raise InputError(f"not CSV: {error}", where=f"{file}, line {i + 1}") from error
        stripped = [f.strip() for f in fields]
        while stripped and not stripped[-1]:
            stripped.pop()
        if stripped:
            out.append(_Row(i + 1, tuple(stripped)))
    return out, separator


def _separator(lines: Sequence[str]) -> str:
    """The first of ; tab , blank that most lines have."""

    def most(test: list[bool]) -> bool:
        return 2 * sum(test) > len(test)

    for mark in (";", "\t"):
        if most([mark in line for line in lines]):
            return mark
    # "0,5 1,2" is two decimal commas, "0.5, 1.2" isn't
    blanks = [len(p) > 1 and all(map(_is_number, p)) for p in map(str.split, lines)]
    if not most(blanks) and most(["," in line for line in lines]):
        return ","
    return " "


def _is_number(field: str) -> bool:
    return _NUMBER.fullmatch(field) is not None and not field.endswith(",")


def _headings(rows: Sequence[_Row], wanted: Sequence[Column]) -> tuple[list[str], dict[int, str]]:
    """The last row of words above the numbers, and the units in a row below or alone."""
    if not rows:
        return [], {}
    last = rows[-1].fields
    bare = [_IN_BRACKETS.sub(r"\1", f) for f in last]
    named = any(_is_heading(f, column) for f in last for column in wanted)
    if not named and any(map(_known, bare)):
        return list(rows[-2].fields) if len(rows) > 1 else [], dict(enumerate(bare))
    return list(last), {}


def _known(unit: str) -> str | None:
    """The unit as it stands in the tables; capitals count only where they must."""
    tables = {**LENGTHS, **FORCES}
    unit = unit.replace("\u03bc", "µ")  # the Greek letter for the sign
    if unit in tables:
        return unit
    folded = {u.casefold(): u for u in tables if u != "mN"}  # MN would be another unit
    return folded.get(unit.casefold())


def _places(
    file: str,
    wanted: Sequence[Column],
    headings: Sequence[str],
    above: int | None,
    first: _Row,
    separator: str,
) -> tuple[list[int], bool]:
    """The column of each that is wanted, and whether that goes by order."""
    found = {c.name: [i for i, h in enumerate(headings) if _is_heading(h, c)] for c in wanted}
    names = ", ".join(c.name for c in wanted)
    if not any(found.values()):
        if headings or len(first.fields) != len(wanted):
            value = ", ".join(headings) if headings else f"{len(first.fields)} columns"
            raise InputError(
                "it isn't clear which columns are meant",
                where=f"{file}, line {above or first.line}",
                value=value,
                limit=f"headings with {names}, or only these {len(wanted)} columns in this order "
                "without headings",
            )
        whole = not any("." in f for f in first.fields)
        if separator == "," and whole:
            raise InputError(
                "the commas may separate columns or be decimal commas",
                where=f"{file}, line {first.line}",
                value=",".join(first.fields),
                remedy=f"add a line of headings ({names}), or separate columns by semicolons",
            )
        return list(range(len(wanted))), True
    for column in wanted:
        if len(found[column.name]) != 1:
            what = f"{'two columns' if found[column.name] else 'no column'} of {column.name}"
            limit = f"one heading with one of the words {', '.join(column.words)}"
            raise InputError(what, where=file, value=", ".join(headings), limit=limit)
    places = [found[c.name][0] for c in wanted]
    if len(set(places)) < len(places):
        limit = f"one heading each for {names}"
        raise InputError("one heading for two columns", where=file, value=headings[0], limit=limit)
    return places, False


def _is_heading(heading: str, column: Column) -> bool:
    words = re.findall(r"[^\W\d_]+", _IN_BRACKETS.sub(" ", heading.casefold()))
    return any(word in words for word in column.words)


def _field(file: str, row: _Row, at: int, count: int) -> str:
    if len(row.fields) > count:
        raise InputError(
            "more fields than columns",
            where=f"{file}, line {row.line}",
            value=len(row.fields),
            limit=str(count),
            remedy="with decimal commas, separate columns by semicolons",
        )
    if at >= len(row.fields) or not row.fields[at]:
        raise InputError(f"column {at + 1} is empty", where=f"{file}, line {row.line}")
    if not _is_number(row.fields[at]):
        field = ascii(row.fields[at][:40])
        raise InputError("isn't a number", where=f"{file}, line {row.line}", value=field)
    return row.fields[at]


def _decimal(file: str, rows: Sequence[_Row], fields: Sequence[str]) -> str:
    """The decimal mark of the file; InputError where both marks stand in it."""
    comma = next((f for f in fields if "," in f), None)
    dot = next((f for f in fields if "." in f), None)
    twice = next((f for f in fields if f.count(",") + f.count(".") > 1), None)
    if twice is not None or (comma is not None and dot is not None):
        value = twice if twice is not None else f"{comma} and {dot}"
        line = next(r.line for r in rows if (twice or comma) in r.fields)
        raise InputError(
            "the numbers have both points and commas",
            where=f"{file}, line {line}",
            value=value,
            limit="one decimal mark in the whole file, no marks for thousands",
        )
    return "," if comma is not None else "."


def _unit(file: str, column: Column, heading: str, below: str) -> str:
    """The unit named for a column, as ``column.units`` has it; empty where none is."""
    found = _IN_BRACKETS.findall(heading)
    last = re.split(r"[\s,/_]+", heading.strip())
    given = below or (found[-1] if found else "")
    if not given and len(last) > 1 and _known(last[-1]):
        given = last[-1]
    if not given:
        return ""
    unit = _known(given)
    if unit is None or unit not in column.units:
        limit = ", ".join(column.units)
        what = f"not a unit of {column.name}"
        raise InputError(what, where=file, value=ascii(given[:40]), limit=limit)
    return unit


def _value(file: str, row: _Row, field: str, point: str, scale: float) -> float:
    value = float(field.replace(point, ".")) * scale
    if not math.isfinite(value) or abs(value) > LARGEST:
        what = "isn't a number that can be measured"
        limit = f"at most {LARGEST:g} mm or N"
        raise InputError(what, where=f"{file}, line {row.line}", value=field[:40], limit=limit)
    return value
