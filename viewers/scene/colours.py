"""Colours of the shear map, and the range they stand for.

The map is even to the eye in lightness and reads the same with red–green blindness
(``cividis``, Nuñez, Anderton and Renslow 2018, as matplotlib has it). It is continuous: the
locking angle is a line on the part and a mark on the bar, no class of colours.
"""

from __future__ import annotations

import math

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import Colormap

from drape.geometry.arrays import Floats, Ints

NAME = "cividis"
LEAST_RANGE = 5.0  # degrees: a ply without shear shouldn't look as if it had some


def colour_map() -> Colormap:
    """The map, as matplotlib has it."""
    return colormaps[NAME]


def colour_table() -> Ints:
    """(256, 3) int, 0 to 255."""
    return np.round(255.0 * np.asarray(colour_map()(np.arange(256)))[:, :3]).astype(int)


def shear_range(greatest_deg: float, locking_deg: float) -> float:
    """Upper end of the bar, degrees: past the limit and the greatest, a multiple of 5."""
    return 5.0 * math.ceil(max(greatest_deg, 1.1 * locking_deg, LEAST_RANGE) / 5.0 - 1e-9)


def colours_of(shear_deg: Floats, top: float) -> Ints:
    """(n, 3) colours of magnitudes of shear, of a bar from 0 to ``top`` degrees."""
    place = np.clip(np.abs(shear_deg) / top, 0.0, 1.0)
    return colour_table()[np.round(255.0 * place).astype(int)]
