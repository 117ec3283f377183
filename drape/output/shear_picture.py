"""What a measurement of shear leaves: a picture of its curves, a fabric entry to paste."""

from __future__ import annotations

import json
import re
from math import degrees

import numpy as np

from drape.errors import InputError, plain
from drape.fabric.fabric import shipped
from drape.fabric.shear_test import METHODS, Measurement
from drape.output.paths import Drawing
from drape.output.plot import Line, plot

LABELS = "shear, degrees", "shear force, N/mm"
LONGEST_TITLE = 70  # characters


def picture(found: Measurement) -> Drawing:
    """The curves with their tangents and the locking angle."""
    lines = []
    for each in found.specimens:
        if each.curve is None:
            continue
        lines.append(Line(np.degrees(each.curve.shear), each.curve.force))
        if each.locking is not None:
            ends = np.array([0.0, float(each.curve.shear[-1])])
            for tangent in (each.locking.easy, each.locking.stiff):
                force = tangent.intercept + tangent.slope * ends
                lines.append(Line(np.degrees(ends), force, dashed=True))
    angle = degrees(found.locking_angle)
    title = f"{METHODS[found.method]}: {', '.join(found.files)}"
    if len(title) > LONGEST_TITLE:
        title = f"{title[: LONGEST_TITLE - 3]}..."
    return plot(title, lines, LABELS, [(angle, f"locking angle {angle:.1f}°, {found.rule}")])


def fabric_entry(found: Measurement, name: str = "measured", take: str | None = None) -> str:
    """A fabric's table for a job file, TOML, with the locking angle and where it is from.

    Parameters
    ----------
    found : Measurement
    name : str
        Of the fabric.
    take : str, optional
        The fabric that ships which gives the other values; without it they are to be filled in.

    Raises
    ------
    InputError
        No fabric of the name ``take`` ships.
    """
    if take is not None and take not in shipped():
        raise InputError("no built-in fabric has that name", value=take, limit=", ".join(shipped()))
    key = name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)
    lines = [f"[fabrics.{key}]"]
    if take is None:
        lines += ['# weave = "..."             # give yours: plain, 2x2 twill, ...',
                  "# areal_mass = ...          # g/m2 of fibre"]  # fmt: skip
    else:
        lines.append(f"take = {_quoted(take)}")
    source = ", ".join(["measured", f"{METHODS[found.method]} ({found.rule})", *found.files])
    if take is not None:
        source = f"{source}; all but the locking angle as {take}, {shipped()[take]['source']}"
    angles = [degrees(s.shear) for s in found.specimens]
    spread = f", mean of {len(angles)}: {min(angles):.1f} to {max(angles):.1f}"
    lines.append(f"locking_angle = {degrees(found.locking_angle):.1f}"
                 f"        # degrees{spread if len(angles) > 1 else ''}")  # fmt: skip
    lines.append(f"source = {_quoted(source)}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # JSON's escapes are TOML's too; control characters were taken out before, DEL among them
    return json.dumps(plain(text), ensure_ascii=False)
