"""Lap ease: how much longer or shorter a lap's free edge is than the line it starts from.

Round the inside of a bend the free edge has to stretch, round the outside it has too much
cloth. Cloth takes it up by shear, or not at all where yarns run along the edge; then it is
snipped. Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import InputError
from drape.geometry.surface import Floats

ROOT = 2.0  # mm a snip stops short of the line; common practice
OPENING = 3.0  # mm that one snip may open or overlap; common practice
YARN_EASE = 0.002  # what crimp gives along a yarn; from memory


@dataclass(frozen=True)
class Snips:
    """Snips into a lap: how many along the run, how deep from the free edge, and why."""

    count: int
    depth_mm: float
    opening_mm: float
    reason: str


def local_ease(run: ArrayLike, moved: ArrayLike, closed: bool = False) -> Floats:
    """Relative length difference of each step of the free edge, (k − 1,) or (k,) if closed.

    ``run``, ``moved`` : (k, 3) places of the parting run, and of the free edge over each.
    """
    here, there = (_steps(p, closed) for p in (run, moved))
    if len(here) != len(there) or not len(here) or not (here > 0.0).all():
        raise InputError("run and free edge need as many places each, two or more, all apart")
    return there / here - 1.0


def lap_ease(run: ArrayLike, moved: ArrayLike, closed: bool = False) -> float:
    """Relative length difference of the whole free edge; + must stretch, − has too much."""
    here = _steps(run, closed)
    return float(((local_ease(run, moved, closed) + 1.0) * here).sum() / here.sum() - 1.0)


def _steps(points: ArrayLike, closed: bool) -> Floats:
    p = np.asarray(points, dtype=float)
    return np.linalg.norm(np.diff(np.vstack([p, p[:1]]) if closed else p, axis=0), axis=1)


def greatest_change(angle: ArrayLike, locking: float) -> Floats:
    """What shear up to the locking angle can change of a squared relative length, at least 0.

    A unit length at ``angle`` from the warp has (cos φ, sin φ) along the two yarns; with the
    yarns at 90° − γ its square is 1 + sin 2φ sin γ (law of cosines). An edge can take up an
    ease e where |(1 + e)² − 1| ≤ |sin 2φ| sin γ_locking: nothing along a yarn.

    Parameters
    ----------
    angle : radians, from the edge to the warp, in the flat cloth
    """
    return np.abs(np.sin(2.0 * np.asarray(angle, float))) * np.sin(locking)


def snips(
    ease: float, lap: float, length: float, *, shear: float, locking: float, along: bool = False
) -> Snips | None:
    """Snips for a lap along a stretch of a run, or None where the cloth takes its ease up.

    Parameters
    ----------
    ease : relative, of the stretch
    lap, length : mm, of the lap and of the stretch
    shear : greatest magnitude of the net's shear in the lap there, radians
    locking : the fabric's locking angle, radians
    along : whether yarns run along the edge, so that shear can't take the ease up

    Notes
    -----
    Number and depth follow common practice: each snip opens (or overlaps) by at most 3 mm
    and stops 2 mm short of the line.
    """
    if along and abs(ease) > YARN_EASE:
        reason = "yarns run along the edge"
    elif abs(shear) > locking:
        reason = "the shear passes the locking angle"
    else:
        return None
    change = abs(ease) * length
    count = max(1, int(np.ceil(change / OPENING - 1e-9)))
    return Snips(count, max(lap - ROOT, 0.0), change / count, reason)
