"""Meshes that can't be the two halves of a mould: units, one half twice, halves end for end.

Checked before anything else, since later messages would mislead the user. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.spatial import cKDTree

from drape.errors import InputError
from drape.geometry.surface import Floats, Surface, unit

SMALLEST = 30.0  # mm, of a mould: less leaves no room for a bag and a hand
LARGEST = 30_000.0
UNLIKE = 3.0  # times as large as the other half: another unit
SAME_PLACE = 1e-3  # of the size: vertices of one and the same half, exported twice
SAME_SHARE = 0.98  # of them
LEAST_SHIFT = 0.1  # mm
MEETS = 0.02  # of the size: how near a turned half's line has to come
TOO_SMALL = 'give the unit of the files: units = "in" in the job, or --units in (or cm, m)'
TOO_LARGE = 'give the unit of the files: units = "mm" in the job, or --units mm'


def refuse_sizes(surfaces: Mapping[str, Surface]) -> None:
    """Raise InputError where the meshes' sizes show a wrong unit."""
    sizes = {name: s.size for name, s in surfaces.items()}
    small, large = min(sizes, key=sizes.__getitem__), max(sizes, key=sizes.__getitem__)
    if sizes[large] > UNLIKE * sizes[small]:
        raise InputError(
            "one half is far larger than the other: their units most likely differ",
            value=f"{large} {sizes[large]:.4g} mm, {small} {sizes[small]:.4g} mm",
            limit=f"up to {UNLIKE:g} times as large",
            remedy="export both halves in the same unit",
        )
    for name, size in sizes.items():
        if not SMALLEST <= size <= LARGEST:
            raise InputError(
                "the mould's size can't be right: the units are most likely wrong",
                value=f"{size:.3g} mm in all",
                limit=f"{SMALLEST:g} mm to {LARGEST / 1000:g} m",
                remedy=TOO_SMALL if size < SMALLEST else TOO_LARGE,
                where=name,
            )


def refuse_twice(surfaces: Mapping[str, Surface]) -> None:
    """Raise InputError where the two meshes are the same half in the same place."""
    if len(surfaces) != 2:
        return
    first, second = surfaces.values()
    near = SAME_PLACE * max(first.size, second.size)
    shares = [
        np.mean(cKDTree(a.vertices).query(b.vertices, distance_upper_bound=near)[0] < near)
        for a, b in ((first, second), (second, first))
    ]
    if min(shares) >= SAME_SHARE:
        raise InputError(
            "both meshes are the same half of the mould",
            value=" and ".join(surfaces),
            limit="two different halves",
            remedy="give the file of the other half in place of one",
        )


def how_apart(first: Floats, second: Floats, closing: Floats) -> str:
    """What would bring the second half's parting line (k, 3) onto the first's (j, 3), or nothing.

    Places of the lines lie much closer than ``MEETS``. Tried: a shift, half a turn about the
    closing direction.
    """
    axis = unit(closing)
    near = MEETS * float(np.linalg.norm(np.ptp(first, axis=0)))
    middle, other = (0.5 * (p.min(axis=0) + p.max(axis=0)) for p in (first, second))
    tree, gap = cKDTree(first), second - other

    def meets(moved: Floats) -> bool:
        return bool(np.quantile(tree.query(moved + middle)[0], 0.9) < near)

    shift = other - middle
    if np.linalg.norm(shift) >= LEAST_SHIFT and meets(gap):
        return f"move the second half back: it lies {_shift(shift)} beside the first"
    if meets(2.0 * np.outer(gap @ axis, axis) - gap):
        return "turn one half by 180° about the closing direction: the halves lie end for end"
    return "give both halves in the closed position, in the same coordinates"


def _shift(step: Floats) -> str:
    x, y, z = np.round(step, 2) + 0.0
    return f"({x:g}, {y:g}, {z:g}) mm"
