"""How well the yarns of two plies match across the parting line.

Two goals, each with its own measure:

running-through  a yarn goes on straight across the line: it makes the same angle with the
                 run on both sides, counted about the inward normals
mirrored         the halves are mirror images of each other in the surface square to both
                 sides along the run: the angles are opposite

Each half has its own normals, so a crease along the line unfolds. Angles in radians, positive
counter-clockwise against the inward normal; directions count modulo 180°, or 90° where the
cloth's faces and its two yarn families are alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import InputError
from drape.geometry.surface import Floats
from drape.job.joint_settings import Goal
from drape.joint.stations import nearest_on
from drape.layup.edges import EdgeStretch
from drape.mould.run_line import RunLine
from drape.net.net import Net

HALF_STEP = 0.5  # cells along the warp either way: the chord's direction is of second order
# at the net's rim too, where cells are bilinear
NEARLY_NORMAL = 1e-3  # length left in the tangent plane below which a direction means nothing


@dataclass(frozen=True)
class YarnMatch:
    """Match at one run.

    Attributes
    ----------
    goal : "running-through" or "mirrored"
    greatest, mean : float, radians
        Largest and mean magnitude of the difference along the run.
    best_turn : float, radians
        Add this to the second ply's angle (first ply unchanged) to serve the goal best, as
        far as its yarns turn alike along the run; exact where the surface unrolls.
    after_turn : float, radians
        Largest magnitude that would be left.
    """

    goal: Goal
    greatest: float
    mean: float
    best_turn: float
    after_turn: float


def run_angles(warps: ArrayLike, normals: ArrayLike, tangents: ArrayLike) -> Floats:
    """(k,) angle from the run's tangent to the warp about the inward normal.

    Parameters
    ----------
    warps, normals, tangents : (k, 3)
        At the same places of the run; warps and tangents needn't be unit or exactly in the
        tangent plane. One row may stand for all.

    Raises
    ------
    InputError
        A warp or tangent that is square to the surface, or not a number.
    """
    d, n, t = np.broadcast_arrays(*(np.asarray(x, float) for x in (warps, normals, tangents)))
    n = n / np.linalg.norm(n, axis=-1, keepdims=True)
    flat = [x - np.einsum("...i,...i->...", x, n)[..., None] * n for x in (d, t)]
    for what, x, whole in zip(("warp", "run"), flat, (d, t), strict=True):
        share = np.linalg.norm(x, axis=-1) / np.linalg.norm(whole, axis=-1)
        if not (share > NEARLY_NORMAL).all():
            raise InputError(f"the {what} has no direction on the surface at the parting line")
    along = np.einsum("...i,...i->...", flat[0], flat[1])
    across = np.einsum("...i,...i->...", np.cross(flat[1], flat[0]), n)
    return np.arctan2(across, along)


def angles_along(net: Net, parts: Sequence[EdgeStretch], line: RunLine, spacing: float) -> Floats:
    """(s,) angle from a run to a net's warp about the inward normal; NaN where the net isn't.

    Parameters
    ----------
    net : Net
    parts : the ply's edge at the run, mapped to that net
    line : RunLine with s stations
    spacing : mm, of the net
    """
    base = np.concatenate([p.base for p in parts])
    flat = np.concatenate([p.flat_base for p in parts])
    index = np.append(np.arange(len(base)), 0) if parts[0].closed else np.arange(len(base))
    first, share = nearest_on(base[index, :3], line.points)
    a, b, w = index[first], index[first + 1], share[:, None]
    place, normal = ((1.0 - w) * v[a] + w * v[b] for v in (flat, base[:, 3:6]))
    step = np.array([HALF_STEP * spacing, 0.0])
    ahead, behind = (net.to_surface(place + s) for s in (step, -step))
    warp = ahead - behind
    out = np.full(len(place), np.nan)
    good = np.isfinite(warp).all(axis=1)
    if good.any():
        out[good] = run_angles(warp[good], normal[good], line.tangents[good])
    return out


def differences(first: Floats, second: Floats, goal: Goal, alike: bool = False) -> Floats:
    """(k,) first ply's angle less the second's that serves the goal, nearest to 0.

    ``first`` and ``second`` are angles from the same tangent, each about its own half's
    inward normal (``run_angles``). ``alike`` cloth looks the same after a quarter turn.
    """
    sign = -1.0 if goal == "mirrored" else 1.0
    return wrapped(first - sign * second, period(alike))


def match(first: Floats, second: Floats, goal: Goal, alike: bool = False) -> YarnMatch:
    """Summary of the differences along a run, and the turn that mends them best."""
    gap = differences(first, second, goal, alike)
    turn = mean_turn(gap, alike)
    left = np.abs(wrapped(gap - turn, period(alike)))
    sign = -1.0 if goal == "mirrored" else 1.0
    size = np.abs(gap)
    return YarnMatch(
        goal, float(size.max()), float(size.mean()), sign * turn + 0.0, float(left.max())
    )


def mean_turn(gap: Floats, alike: bool = False) -> float:
    """Mean of differences that count modulo a period, radians: the mean on the circle."""
    factor = 2.0 * np.pi / period(alike)
    return float(np.angle(np.exp(1j * factor * np.asarray(gap)).sum()) / factor)


def period(alike: bool) -> float:
    """After which turn a cloth looks the same, radians."""
    return 0.5 * np.pi if alike else np.pi


def wrapped(angle: Floats, whole: float) -> Floats:
    """The same angle modulo ``whole``, in (−whole/2, whole/2]."""
    return 0.5 * whole - np.mod(0.5 * whole - angle, whole)
