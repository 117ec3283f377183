"""The lines that the command line prints; made here, printed in ``cli.py``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from drape.errors import Finding, InputErrors, PlywrightError, merged

CAUTION = (
    "Caution: this predicts fit, not strength; parts that carry people or loads are for a "
    "qualified engineer. Read the material's safety data sheet."
)
# The file to open first, and what to know about it
OPEN_FIRST = {
    "layup-sheets.pdf": "the pages for the bench",
    "patterns.pdf": "print it at 100 % and measure the 100 mm square before you cut",
    "view.html": "the plies in the mould",
    "summary.json": "all figures",
}
UNIT_ENDINGS = {"_mm2": " mm²", "_mm": " mm", "_deg": "°", "_g": " g"}

# for terminals that can't show these
_PLAIN = str.maketrans({"°": " deg", "²": "2", "−": "-", "×": "x", "…": "...", "γ": "gamma"})


def for_stream(text: str, encoding: str | None) -> str:
    """The text as a stream can show it: plain spellings, then '?', for what it can't.

    Control characters, which a file's name may bring along, never reach the terminal.
    """
    text = re.sub(r"[\x00-\x08\x0b-\x1f\x7f-\x9f]", "?", text)
    encoding = encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(_PLAIN).encode(encoding, "replace").decode(encoding)
    return text


def errors_of(error: PlywrightError) -> tuple[PlywrightError, ...]:
    """The single errors in an error."""
    return error.errors if isinstance(error, InputErrors) else (error,)


def finding_object(finding: Finding) -> dict[str, Any]:
    """A finding for programs to read."""
    return {
        "level": finding.level,
        "where": finding.where,
        "about": finding.about,
        "message": finding.text,
        "remedy": finding.remedy,
        "place_mm": finding.place,
    }


def error_object(error: PlywrightError) -> dict[str, str]:
    """An error for programs to read."""
    value = "" if error.value is None else str(error.value)
    return {
        "where": error.where,
        "what": error.what,
        "value": value,
        "limit": error.limit,
        "remedy": error.remedy,
        "line": error.line(),
    }


def ply_table(summary: Any) -> list[str]:
    """One line per ply: greatest shear against its locking angle, cloth, checks."""
    head = ("ply", "half", "greatest shear", "in laps", "locks at", "cloth", "checks")
    rows: list[tuple[str, ...]] = [head]
    rows += [_ply_row(ply) for ply in summary.plies]
    return aligned(rows)


def _ply_row(ply: Any) -> tuple[str, ...]:
    areas = [piece.cloth_area_mm2 for piece in ply.pieces]
    area = None if None in areas or not areas else sum(areas) / 100.0
    bad = [piece.name for piece in ply.pieces if not piece.valid]
    if len(bad) == len(ply.pieces):
        checks = "NOT OK"
    else:
        checks = f"NOT OK: {', '.join(bad)}" if bad else "ok"
    return (
        ply.name,
        ply.half,
        _figure(ply.max_shear_deg, "°"),
        _figure(ply.max_shear_in_laps_deg, "°"),
        _figure(ply.locking_angle_deg, "°"),
        _figure(area, " cm²"),
        checks,
    )


def _figure(value: float | None, unit: str) -> str:
    return "-" if value is None else f"{value:.1f}{unit}"


def aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Columns two blanks apart; those of figures to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    right = [all(re.match(r"[\d.-]", c) for c in col[1:]) for col in zip(*rows, strict=True)]
    return [
        "  ".join(
            cell.rjust(w) if r else cell.ljust(w)
            for cell, w, r in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in rows
    ]


def finding_lines(findings: Iterable[Finding]) -> list[str]:
    """One line per finding, the worst first, else in the order given; one line where several
    plies have the same finding."""
    rank = {"error": 0, "risk": 1, "warning": 2, "note": 3}
    return [f.line() for f in sorted(merged(findings), key=lambda f: rank[f.level])]


def open_first(folder: Path, files: Sequence[str]) -> str:
    """The file to open first, and why; empty if the folder has none of these files."""
    name = next((n for n in OPEN_FIRST if n in files), None)
    return f"Open first: {folder / name} ({OPEN_FIRST[name]})" if name else ""


def value_lines(values: Mapping[str, Any], indent: str = "") -> list[str]:
    """Nested figures, one per line; a key's unit ending becomes the unit."""
    out = []
    for key, value in values.items():
        ending = next((e for e in UNIT_ENDINGS if key.endswith(e)), "")
        label = f"{indent}{key.removesuffix(ending).replace('_', ' ')}:"
        if isinstance(value, Mapping):
            out += [label, *value_lines(value, f"{indent}  ")]
        elif isinstance(value, list | tuple) and any(isinstance(v, Mapping) for v in value):
            out.append(label)
            for item in value:
                lines = value_lines(item, f"{indent}    ")
                out += [f"{indent}  - {lines[0].lstrip()}", *lines[1:]] if lines else []
        else:
            unit = "" if value is None else UNIT_ENDINGS.get(ending, "")
            out.append(f"{label} {_plain_value(value)}{unit}")
    return out


def _plain_value(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(_plain_value(v) for v in value) or "none"
    if isinstance(value, float):
        return f"{value:.6g}"
    return "not known" if value is None else str(value)
