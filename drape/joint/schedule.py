"""Laps and set-backs for a target of greatest build-up and least overlap.

The plies of the lapping half end one after the other past the line, those of the other half
start one after the other. Where the thickness must stay below the target, a ply may only start
once enough laps have ended. All conditions are of the form 'this place at least so far past
that one', so the least places that fulfil them all are found in one pass.

Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drape.errors import InputError
from drape.job.joint_settings import LEAST_OVERLAP

STAGGER = 5.0  # from one ply's edge to the next; common practice
ROUNDING = 1e-9


@dataclass(frozen=True)
class Schedule:
    """Laps and set-backs in order of lay-up, mm, all ≥ 0, and the greatest thickness, mm."""

    laps: tuple[float, ...]
    set_backs: tuple[float, ...]
    greatest_mm: float


def suggested_schedule(
    lapping: Sequence[float],
    other: Sequence[float],
    greatest_thickness: float,
    least_overlap: float = LEAST_OVERLAP,
    stagger: float = STAGGER,
) -> Schedule:
    """The shortest laps that meet the targets.

    Parameters
    ----------
    lapping, other : thicknesses of the plies that reach the run, mm, in order of lay-up
        With 1.0 for each ply the thicknesses are ply counts.
    greatest_thickness : mm
        Of all plies at any place across the joint.
    least_overlap, stagger : mm
        Of a pair of plies; between the edges of plies that follow each other in a half.

    Raises
    ------
    InputError
        The targets contradict each other, or aren't positive lengths.
    """
    a, b = np.asarray(lapping, dtype=float), np.asarray(other, dtype=float)
    _check(a, b, greatest_thickness, least_overlap, stagger)
    ended = _laps_to_end(a, b, greatest_thickness)
    laps: list[float] = []
    starts: list[float] = []
    for i in range(max(len(a), len(b))):
        if i < len(b):
            after_laps = laps[ended[i] - 1] if ended[i] else 0.0
            starts.append(max(after_laps, starts[-1] + stagger if i else 0.0))
        if i < len(a):
            over = starts[i] + least_overlap if i < len(b) else 0.0
            laps.append(max(over, laps[-1] + stagger if i else 0.0))
    greatest = _greatest(np.array(laps), a, np.array(starts), b)
    return Schedule(tuple(laps), tuple(starts), greatest)


def _laps_to_end(a: np.ndarray, b: np.ndarray, limit: float) -> list[int]:
    """How many laps must have ended before each ply of the other half may start."""
    left = np.append(a[::-1].cumsum()[::-1], 0.0)  # thickness of the laps once i have ended
    out = []
    for j, below in enumerate(b.cumsum()):
        fits = np.flatnonzero(left + below <= limit + ROUNDING)
        first = int(fits[0]) if len(fits) else len(a) + 1
        # a ply can't wait for its own partner's lap to end: they overlap
        if first > min(j, len(a)):
            thinnest = _least_possible(a, b)
            raise InputError(
                "no laps and set-backs keep the joint that thin",
                value=f"{limit:g} mm",
                limit=f"{thinnest:g} mm or more for these plies",
                remedy="allow a greater build-up, or use fewer plies at the joint",
            )
        out.append(first)
    return out


def _least_possible(a: np.ndarray, b: np.ndarray) -> float:
    """The least greatest thickness: every ply starts when all earlier laps have ended."""
    left = np.append(a[::-1].cumsum()[::-1], 0.0)
    at_starts = [left[min(j, len(a))] + below for j, below in enumerate(b.cumsum())]
    return float(max(a.sum(), *at_starts))


def _greatest(laps: np.ndarray, a: np.ndarray, starts: np.ndarray, b: np.ndarray) -> float:
    """Greatest thickness of the schedule: it can only rise at a start."""
    at = np.append(starts, -1.0)[:, None]
    return float(((laps > at + ROUNDING) @ a + (starts <= at + ROUNDING) @ b).max())


def _check(a: np.ndarray, b: np.ndarray, greatest: float, overlap: float, stagger: float) -> None:
    if not len(a) or not len(b):
        raise InputError("a joint needs plies on both halves", value=f"{len(a)} and {len(b)}")
    if not (np.isfinite([*a, *b]).all() and min(a.min(), b.min()) > 0.0):
        raise InputError("ply thicknesses must be positive", value=[*a.tolist(), *b.tolist()])
    targets = {"least overlap": overlap, "stagger": stagger, "greatest build-up": greatest}
    for name, value in targets.items():
        if not (0.0 <= value < np.inf):
            raise InputError(
                f"the {name} must be a length", value=f"{value} mm", limit="0 mm or more"
            )
    if a.sum() > greatest + ROUNDING:
        raise InputError(
            "one half alone is thicker than the greatest build-up",
            value=f"{a.sum():g} mm",
            limit=f"up to {greatest:g} mm",
            remedy="allow a greater build-up, or use fewer plies",
        )
