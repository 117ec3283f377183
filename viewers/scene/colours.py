"""Every colour that is drawn, and the range and ticks of the shear map.

The map is even to the eye in lightness and reads the same with red–green blindness
(``cividis``, Nuñez, Anderton and Renslow 2018, as matplotlib has it). It is continuous: the
locking angle is a line on the part and a mark on the bar, no class of colours.
"""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import Colormap

from drape.geometry.arrays import Floats, Ints

NAME = "cividis"
LEAST_RANGE = 5.0  # degrees: a ply without shear shouldn't look as if it had some


class Colour(StrEnum):
    """Of all but the map; the page has them as variables of its style: ``--ink`` and so on."""

    PAPER = "#f6f3ec"
    CARD = "#fffdf8"
    INK = "#22303a"
    SOFT = "#63707a"  # ink of what matters less
    RULE = "#d3ccbe"
    MARK = "#c8502a"
    DEEP = "#1d4d5c"
    WHITE = "#ffffff"  # yarns, and letters on dark
    MOULD = "#d6d0c4"
    PARTING = "#7a3b1d"  # the parting line, and edges on the cloth
    CLOTH = "#e9e4d8"
    BAR = "#b9c4c6"  # of a ply across the joint
    OWN = "#6f8d95"  # the lap half's


def style_variables() -> str:
    """The colours as CSS."""
    return ":root { " + " ".join(f"--{c.name.lower()}: {c};" for c in Colour) + " }\n"


def colour_map() -> Colormap:
    """The map, as matplotlib has it."""
    return colormaps[NAME]


def colour_table() -> Ints:
    """(256, 3) int, 0 to 255."""
    return np.round(255.0 * np.asarray(colour_map()(np.arange(256)))[:, :3]).astype(int)


def shear_range(greatest_deg: float, locking_deg: float) -> float:
    """Upper end of the bar, degrees: past the limit and the greatest, a multiple of 5."""
    return 5.0 * math.ceil(max(greatest_deg, 1.1 * locking_deg, LEAST_RANGE) / 5.0 - 1e-9)


def bar_ticks(top: float) -> list[float]:
    """What is written below a bar from 0 to ``top`` degrees."""
    return np.arange(0.0, top + 0.1, 10.0 if top > 30.0 else 5.0).tolist()


def colours_of(shear_deg: Floats, top: float) -> Ints:
    """(n, 3) colours of magnitudes of shear, of a bar from 0 to ``top`` degrees."""
    place = np.clip(np.abs(shear_deg) / top, 0.0, 1.0)
    return colour_table()[np.round(255.0 * place).astype(int)]
