"""The cloth on the faces of the user's mesh as a CSV table, for analysis elsewhere.

RFC 4180 without quotes (no field needs them), points for decimals, lines ended by a line feed.
A figure that isn't known is an empty field.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from drape.geometry.surface import Floats, Ints

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
ROW = ",".join(["%d", "%d", *(f"%.{digits}f" for _, digits in COLUMNS)])  # at once: a row is 5 µs


def field_table(plies: Iterable[tuple[int, Ints, Floats]]) -> bytes:
    """The table of a half.

    Parameters
    ----------
    plies : (order, faces (k,), values (k, 13)) of each ply
        Place in the lay-up, from 1; number of the face in the file, from 0; the columns of
        ``COLUMNS``, NaN where unknown.
    """
    lines = [HEADER]
    for order, faces, values in plies:
        rounded = np.column_stack(
            [np.round(values[:, k], digits) + 0.0 for k, (_, digits) in enumerate(COLUMNS)]
        )
        rows = zip(faces.tolist(), rounded.tolist(), strict=True)
        lines += [ROW % (order, face, *row) for face, row in rows]
    return ("\n".join(lines) + "\n").replace("nan", "").encode("ascii")
