"""The cloth on the faces of the user's mesh as a CSV table, for analysis elsewhere.

RFC 4180 without quotes (no field needs them), points for decimals, lines ended by a line feed.
A figure that isn't known is an empty field.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drape.geometry.arrays import Floats, Ints

COLUMNS: tuple[tuple[str, int], ...] = (
    *((f"{axis}_mm", 3) for axis in "xyz"),
    *((f"warp_{axis}", 6) for axis in "xyz"),
    *((f"weft_{axis}", 6) for axis in "xyz"),
    ("angle_deg", 3),
    ("shear_deg", 3),
    ("thickness_mm", 5),
    ("areal_mass_g_m2", 2),
)
HEADER = ",".join(["order", "face", *(name for name, _ in COLUMNS)])
Characters = NDArray[np.uint8]
COMMA, POINT, MINUS, ZERO, LINE_END = (np.uint8(ord(c)) for c in ",.-0\n")
NOTHING = np.uint8(0)  # in a place that is left out


def field_table(plies: Iterable[tuple[int, Ints, Floats]]) -> bytes:
    """The table of a half.

    Parameters
    ----------
    plies : (order, faces (k,), values (k, 13)) of each ply
        Place in the lay-up, from 1; number of the face in the file, from 0; the columns of
        ``COLUMNS``, NaN where unknown.
    """
    parts = [HEADER.encode("ascii") + b"\n"]
    for order, faces, values in plies:
        comma, end = (np.full(len(faces), character) for character in (COMMA, LINE_END))
        columns = [*_decimal(np.full(len(faces), order), 0), comma, *_decimal(faces, 0)]
        for k, (_, digits) in enumerate(COLUMNS):
            columns += [comma, *_decimal(values[:, k], digits)]
        text = np.stack([*columns, end], axis=1)
        parts.append(text[text != NOTHING].tobytes())
    return b"".join(parts)


def _decimal(values: ArrayLike, digits: int) -> list[Characters]:
    """Numbers (k,) with so many digits after the point, as columns (k,) of characters.

    There is ``NOTHING`` before a number and for NaN. A place's digits are found for all numbers
    at once: one number after the other, tables would take most of the writing's time.
    """
    numbers = np.asarray(values, float)
    known = ~np.isnan(numbers)
    scaled = np.rint(np.round(np.where(known, numbers, 0.0), digits) * 10.0**digits)
    left = np.abs(scaled).astype(np.int64)
    columns: list[Characters] = []  # from the last place on
    for place in itertools.count():
        shown = known if place <= digits else known & (left > 0)
        if not shown.any() and place > digits:
            break
        rest = left // 10
        columns.append(np.where(shown, ZERO + (left - 10 * rest), NOTHING).astype(np.uint8))
        if place == digits - 1:
            columns.append(np.where(known, POINT, NOTHING).astype(np.uint8))
        left = rest
    columns.append(np.where(scaled < 0.0, MINUS, NOTHING).astype(np.uint8))
    return columns[::-1]
