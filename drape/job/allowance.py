"""An allowance along an edge: one length, or stations between which it changes.

Signed distance past the edge, mm: + beyond it, − short of it. Places are lengths along the
edge itself, on the cavity, from where the edge starts (``run_line.edge_places``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from drape.geometry.arrays import Floats


@dataclass(frozen=True)
class Stations:
    """An allowance given at places, in order: linear between them, constant beyond."""

    places: tuple[float, ...]
    values: tuple[float, ...]

    def __add__(self, more: float) -> Stations:
        return Stations(self.places, tuple(v + more for v in self.values))

    def __neg__(self) -> Stations:
        return Stations(self.places, tuple(-v for v in self.values))


Allowance = float | Stations


def values_at(allowance: Allowance, places: ArrayLike) -> Floats:
    """The allowance at each place, an array of its shape, mm."""
    where = np.asarray(places, dtype=float)
    if isinstance(allowance, Stations):
        return np.interp(where, allowance.places, allowance.values)
    return np.full(where.shape, float(allowance))


def greatest(allowance: Allowance) -> float:
    """The greatest value, over all stations that are given."""
    return max(allowance.values) if isinstance(allowance, Stations) else float(allowance)


def not_below_zero(allowance: Allowance) -> Allowance:
    """The allowance, zero where it is negative."""
    if isinstance(allowance, Stations):
        return Stations(allowance.places, tuple(max(v, 0.0) for v in allowance.values))
    return max(allowance, 0.0)
