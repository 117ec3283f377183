"""Closing: how far each lap must be tucked in so that the other half doesn't trap it.

Everything happens in the plane through a station of the run that holds the closing direction
and the direction inward, square to the run. Coordinates there are (inward, height): inward
from the parting line towards the hollow, height along the closing direction into the other
half; the origin is the cavity's edge.

The other half comes down along the height. A point of its wall at height y in the closed mould
passes all heights above y on its way, so at height h a lap must stay inward of the greatest
inward reach of all that lies at or below h: the *envelope*. A lap tucked no more than needed
lies against it. Where the wall has no undercut that is the lap's closed place.

Lengths in mm, angles in radians, thicknesses cured unless called uncured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import Finding, InputError
from drape.geometry.polyline import arc_positions
from drape.geometry.surface import Floats

BULK = 1.15  # uncured over cured thickness; from memory: measure yours
TACK_CLEARANCE = 0.5  # mm, so that plies that stick don't touch; from memory
STEPS = 4000  # samples of the wall
LEAN_LIMIT = np.radians(45.0)  # of our own: past it a lap lies more than it stands


@dataclass(frozen=True)
class Layer:
    """Cloth on the other half's wall between two lengths past the line; cured thickness, mm."""

    from_mm: float
    to_mm: float
    thickness_mm: float


@dataclass(frozen=True)
class LapPly:
    """A lap at a station: length past the line, own thickness, and what it lies on.

    Attributes
    ----------
    name : str
    lap, thickness : float, mm
    below : float, mm
        Cured thickness of the plies under it in its own half.
    layers : tuple of Layer
        On the other half's wall under the lap: that half's plies and the earlier laps.
    """

    name: str
    lap: float
    thickness: float
    below: float = 0.0
    layers: tuple[Layer, ...] = ()


@dataclass(frozen=True)
class Tuck:
    """How a lap must stand at a station to clear the closing half.

    Attributes
    ----------
    ply : str
    station_mm : float
        Along the run.
    tuck_mm : float
        How far inward of the place where the lap's mid-surface leaves its half its tip stands.
    tuck_deg : float
        Lean of the line from there to the tip, from the closing direction.
    tip_mm : (inward, height)
        Of the tip, tucked.
    closed_tip_mm : (inward, height)
        Of the tip in the closed, still uncured stack.
    press_back_mm : float
        From the one to the other: what the bag must press the lap back; 0 without undercut
        and clearance.
    """

    ply: str
    station_mm: float
    tuck_mm: float
    tuck_deg: float
    tip_mm: tuple[float, float]
    closed_tip_mm: tuple[float, float]
    press_back_mm: float


def in_station_plane(
    points: ArrayLike, origin: ArrayLike, inward: ArrayLike, closing: ArrayLike
) -> Floats:
    """(k, 2) coordinates (inward, height) of points (k, 3) near a station.

    ``closing`` points into the other half; ``inward`` needn't be unit or square to it.
    """
    up = np.asarray(closing, float) / np.linalg.norm(closing)
    across = np.asarray(inward, float) - (np.asarray(inward, float) @ up) * up
    across = across / np.linalg.norm(across)
    gap = np.asarray(points, float) - np.asarray(origin, float)
    return np.stack([gap @ across, gap @ up], axis=-1)


def tuck(
    wall: ArrayLike,
    ply: LapPly,
    *,
    station: float = 0.0,
    bulk: float = BULK,
    clearance: float = TACK_CLEARANCE,
) -> Tuck:
    """Least tuck of a lap that clears the other half through all of its travel.

    Parameters
    ----------
    wall : (k, 2), mm
        The other half's wall from its edge inward, (inward, height).
    bulk : uncured over cured thickness of every ply
    clearance : mm, kept from the wall's cloth and from its edge

    Raises
    ------
    InputError
        A wall of fewer than two points, or a lap longer than the wall is.
    """
    wall = _checked(wall, ply)
    root = np.array([bulk * (ply.below + 0.5 * ply.thickness), 0.0])
    own = 0.5 * bulk * ply.thickness
    covered = _covered(wall, ply.layers, bulk, own)
    tip = _walk(_standing(root, _envelope(_covered(wall, ply.layers, bulk, own + clearance))), ply)
    closed = _walk(_joined(root, covered), ply)
    inward = float(tip[0] - root[0])
    return Tuck(
        ply.name,
        station,
        inward,
        float(np.degrees(np.arctan2(inward, tip[1]))),
        (float(tip[0]), float(tip[1])),
        (float(closed[0]), float(closed[1])),
        float(np.linalg.norm(tip - closed)),
    )


def _checked(wall: ArrayLike, ply: LapPly) -> Floats:
    out = np.asarray(wall, dtype=float)
    if out.ndim != 2 or out.shape[1] != 2 or len(out) < 2 or not np.isfinite(out).all():
        raise InputError("a wall is a polyline of two points or more", value=f"shape {out.shape}")
    if not ply.lap > 0.0:
        raise InputError("only a lap can be tucked", value=f"{ply.lap:g} mm", limit="> 0 mm")
    out = out - out[0]
    top = int(np.flatnonzero(out[:, 1] >= out[:, 1].max() - 1e-9)[-1])
    return out[: top + 1] if top else out  # past its top begins the wall of another run


def _covered(wall: Floats, layers: Sequence[Layer], bulk: float, more: float) -> Floats:
    """(STEPS, 2) points of the wall moved towards the hollow by its uncured cloth and ``more``.

    Lengths past the line are counted along the bare wall.
    """
    length = arc_positions(wall)
    ends = np.array([[layer.from_mm, layer.to_mm] for layer in layers]).reshape(-1)
    steps = np.concatenate([ends - 1e-9, ends + 1e-9, length, np.linspace(0, length[-1], STEPS)])
    at = np.unique(np.clip(steps, 0.0, length[-1]))
    points = np.stack([np.interp(at, length, wall[:, k]) for k in range(2)], axis=1)
    tangent = np.gradient(points, at, axis=0, edge_order=2)
    normal = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    height = np.full(len(at), more)
    for layer in layers:
        on = (at >= layer.from_mm) & (at <= layer.to_mm)
        height[on] += bulk * layer.thickness_mm
    return points + height[:, None] * normal


def _envelope(points: Floats) -> Floats:
    """(j, 2) greatest inward reach at or below each height, from below to above.

    Heights below the line count as the line: what lies there has passed it.
    """
    raised = np.stack([points[:, 0], np.maximum(points[:, 1], 0.0)], 1)
    raised[0, 1] = 0.0  # cloth at the edge reaches down to the parting surface
    raised = raised[np.lexsort((raised[:, 0], raised[:, 1]))]
    reach = np.maximum.accumulate(raised[:, 0])
    record = np.flatnonzero(np.append(True, np.diff(reach) > 0.0))
    # between records that lie apart, nothing sticks in farther: upright up to the next one
    apart = 3.0 * np.linalg.norm(np.diff(points, axis=0), axis=1).mean()
    late = record[1:][np.diff(raised[record, 1]) > apart]
    upright = np.stack([reach[late - 1], raised[late - 1, 1]], 1)
    whole = np.vstack([raised[record], upright, [reach[-1], raised[-1, 1]]])
    return whole[np.lexsort((whole[:, 0], whole[:, 1]))]


def _standing(root: Floats, envelope: Floats) -> Floats:
    """From the root along the envelope where it is farther in, straight up where it isn't."""
    farther = envelope[:, 0] > root[0]
    if not farther.any():
        return np.stack([root, [root[0], envelope[-1, 1]]])
    first = int(np.argmax(farther))
    level = envelope[first, 1]
    if first:  # the height at which the envelope passes the root
        a, b = envelope[first - 1], envelope[first]
        level = a[1] + (b[1] - a[1]) * (root[0] - a[0]) / (b[0] - a[0])
    return np.vstack([root, [root[0], level], envelope[first:]])


def _joined(root: Floats, points: Floats) -> Floats:
    """From the root to the covered wall."""
    return np.vstack([root, points])


def _walk(path: Floats, ply: LapPly) -> Floats:
    """(2,) the place a lap's length along a path."""
    where = arc_positions(path)
    if ply.lap > where[-1]:
        raise InputError(
            "the lap is longer than the other half's wall is deep",
            value=f"{ply.lap:g} mm",
            limit=f"up to {where[-1]:.1f} mm",
            remedy="shorten the lap",
            where=ply.name,
        )
    return np.array([np.interp(ply.lap, where, path[:, k]) for k in range(2)])


def tuck_findings(
    tucks: Sequence[Tuck],
    where: str,
    *,
    lean_limit: float = LEAN_LIMIT,
    room: float | None = None,
    flange: float | None = None,
    laps: Sequence[float] = (),
) -> tuple[Finding, ...]:
    """Risks at a run: laps that lean past the limit, meet the bag, or don't fit the flange.

    Parameters
    ----------
    lean_limit : radians
    room : mm
        Free width inward of the parting line, beside the bag; None: not known.
    flange : mm
        Width of the flange that laps lie on, folded out; None: not known.
    """
    out = []
    leaning = [t for t in tucks if np.radians(t.tuck_deg) > lean_limit]
    blocked = [t for t in tucks if room is not None and t.tip_mm[0] > room]
    if leaning:
        worst = max(leaning, key=lambda t: t.tuck_deg)
        text = f"a lap must lean in {worst.tuck_deg:.0f}°, {_place(worst)}"
        out.append(Finding("risk", where, text, f"limit {np.degrees(lean_limit):.0f}°; shorten it"))
    if blocked:
        worst = max(blocked, key=lambda t: t.tip_mm[0])
        text = f"the bag is in the way of a lap tucked to {worst.tip_mm[0]:.1f} mm, {_place(worst)}"
        out.append(Finding("risk", where, text, f"room {room:.1f} mm; use a smaller bag or lap"))
    if flange is not None and laps and max(laps) > flange:
        text = f"the flange, {flange:.1f} mm, is narrower than the lap folded out on it"
        out.append(Finding("risk", where, text, f"lap {max(laps):g} mm; support its edge"))
    return tuple(out)


def _place(t: Tuck) -> str:
    return f"{t.ply} at {t.station_mm:.0f} mm"
