"""Closing: how far each lap must be tucked in so that the other half doesn't trap it.

All of it happens in the plane through a station of the run that holds the closing direction
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
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import Finding, InputError
from drape.geometry.polyline import arc_positions
from drape.geometry.surface import Floats, readonly, unit
from drape.job.bench_settings import BULK, LEAN_LIMIT, TACK_CLEARANCE

STEPS = 4000  # samples of the wall
SAME_POINT = 1e-4  # mm
SAME_LENGTH = 1e-9  # mm, either side of a vertex or a ply's edge
MITRE_LIMIT = 3.0  # cloths' thicknesses from a vertex
SAMPLES = 16  # places of a lap's line from root to tip


class Cover(NamedTuple):
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
    layers : tuple of Cover
        On the other half's wall under the lap: that half's plies and the earlier laps.
    """

    name: str
    lap: float
    thickness: float
    below: float = 0.0
    layers: tuple[Cover, ...] = ()


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


@dataclass(frozen=True, eq=False)
class Standing:
    """A lap at a station with its lines: (k, 2), (inward, height), from root to tip.

    ``tucked`` just clears the other half's travel, ``closed`` lies in the closed, uncured stack.
    """

    tuck: Tuck
    tucked: Floats
    closed: Floats


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
    return standing(wall, ply, station=station, bulk=bulk, clearance=clearance).tuck


def standing(
    wall: ArrayLike,
    ply: LapPly,
    *,
    station: float = 0.0,
    bulk: float = BULK,
    clearance: float = TACK_CLEARANCE,
    samples: int = SAMPLES,
) -> Standing:
    """The least tuck, see ``tuck``, with the lap's lines tucked and closed.

    Both lines have ``samples`` places, evenly spread over the lap's length.
    """
    wall = _checked(wall, ply)
    root = np.array([bulk * (ply.below + 0.5 * ply.thickness), 0.0])
    own = 0.5 * bulk * ply.thickness
    covered = _covered(wall, ply.layers, bulk, own)
    over = _envelope(_covered(wall, ply.layers, bulk, own + clearance))
    tucked = _walk(_standing(root, over), ply, samples)
    closed = _walk(_joined(root, covered), ply, samples)
    tip, end = tucked[-1], closed[-1]
    inward = float(tip[0] - root[0])
    found = Tuck(
        ply.name,
        station,
        inward,
        float(np.degrees(np.arctan2(inward, tip[1]))),
        (float(tip[0]), float(tip[1])),
        (float(end[0]), float(end[1])),
        float(np.linalg.norm(tip - end)),
    )
    return Standing(found, readonly(tucked), readonly(closed))


def folded_out(
    flange: ArrayLike, ply: LapPly, below: float, *, bulk: float = BULK, samples: int = SAMPLES
) -> Floats:
    """(samples, 2) the lap's line while it lies folded out on its own half's flange.

    From the place where it leaves its half it turns round the edge, on an arc as far from the
    edge as the cloth under it is thick, and goes on along the flange.

    Parameters
    ----------
    flange : (k, 2), mm
        The flange from the cavity's edge outward, (inward, height); goes on straight past its
        end.
    below : mm
        Cured thickness of the laps under it on the flange.
    """
    line = np.asarray(flange, float)
    line = np.vstack([line, line[-1] + ply.lap * unit(line[-1] - line[-2])])
    at = np.linspace(0.0, arc_positions(line)[-1], samples)
    line = np.stack([np.interp(at, arc_positions(line), line[:, k]) for k in range(2)], axis=1)
    along = unit(np.gradient(line, axis=0))
    height = bulk * (below + 0.5 * ply.thickness)
    over = line + height * np.stack([along[:, 1], -along[:, 0]], axis=1)
    root = bulk * (ply.below + 0.5 * ply.thickness)
    lean = np.arctan2(over[0, 1], over[0, 0])
    turn = np.linspace(0.0, lean, samples)
    reach = np.linspace(root, np.hypot(*over[0]), samples)
    arc = reach[:, None] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    return readonly(_walk(np.vstack([arc, over[1:]]), ply, samples))


def _checked(wall: ArrayLike, ply: LapPly) -> Floats:
    out = np.asarray(wall, dtype=float)
    if out.ndim != 2 or out.shape[1] != 2 or len(out) < 2 or not np.isfinite(out).all():
        raise InputError("a wall is a polyline of two points or more", value=f"shape {out.shape}")
    if not ply.lap > 0.0:
        raise InputError("only a lap can be tucked", value=f"{ply.lap:g} mm", limit="> 0 mm")
    # points that are nearly the same have no direction between them
    out = out[np.append(True, np.linalg.norm(np.diff(out, axis=0), axis=1) > SAME_POINT)] - out[0]
    if len(out) < 2:
        raise InputError("a wall is a polyline of two points or more", value="all in one place")
    top = int(np.flatnonzero(out[:, 1] >= out[:, 1].max() - 1e-9)[-1])
    return out[: top + 1] if top else out  # past its top begins the wall of another run


def _covered(wall: Floats, layers: Sequence[Cover], bulk: float, more: float) -> Floats:
    """(STEPS, 2) points of the wall moved towards the hollow by its uncured cloth and ``more``.

    Lengths past the line are counted along the bare wall.
    """
    length = arc_positions(wall)
    ends = np.array([[layer.from_mm, layer.to_mm] for layer in layers]).reshape(-1)
    vertices = np.concatenate([length + k * SAME_LENGTH for k in (-1.0, 0.0, 1.0)])
    steps = np.concatenate(
        [ends - SAME_LENGTH, ends + SAME_LENGTH, vertices, np.linspace(0, length[-1], STEPS)]
    )
    at = np.unique(np.clip(steps, 0.0, length[-1]))
    points = np.stack([np.interp(at, length, wall[:, k]) for k in range(2)], axis=1)
    knots, ways = _ways_in(wall, length)
    normal = np.stack([np.interp(at, knots, ways[:, k]) for k in range(2)], axis=1)
    height = np.full(len(at), more)
    for layer in layers:
        on = (at >= layer.from_mm) & (at <= layer.to_mm)
        height[on] += bulk * layer.thickness_mm
    return points + height[:, None] * normal


def _ways_in(wall: Floats, length: Floats) -> tuple[Floats, Floats]:
    """Ways (j, 2) that cloth 1 mm thick adds to the wall, at lengths (j,); linear between.

    At a vertex that turns towards the hollow neighbouring facets' cloth meets in a mitre, so
    that the covered wall is the parallel polygon: facets get shorter as the circle does. One
    that turns away is gone round.
    """
    along = unit(np.diff(wall, axis=0))
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    before, after, at = normal[:-1], normal[1:], length[1:-1]
    bisector = unit(before + after + 1e-12 * after)
    cosine = np.maximum(np.einsum("ki,ki->k", bisector, after), 1.0 / MITRE_LIMIT)
    away = along[:-1, 0] * after[:, 0] + along[:-1, 1] * after[:, 1] > 0.0
    middle = np.where(away[:, None], bisector, bisector / cosine[:, None])
    sides = [np.where(away[:, None], n, middle) for n in (before, after)]
    knots = np.stack([at - SAME_LENGTH, at, at + SAME_LENGTH], axis=1).ravel()
    ways = np.stack([sides[0], middle, sides[1]], axis=1).reshape(-1, 2)
    return (
        np.concatenate([length[:1], knots, length[-1:]]),
        np.concatenate([normal[:1], ways, normal[-1:]]),
    )


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
    """From the root to the covered wall, which begins at the parting surface."""
    return np.vstack([root, np.stack([points[:, 0], np.maximum(points[:, 1], 0.0)], axis=1)])


def _walk(path: Floats, ply: LapPly, samples: int) -> Floats:
    """(samples, 2) places along a path up to a lap's length."""
    where = arc_positions(path)
    if ply.lap > where[-1]:
        raise InputError(
            "the lap is longer than the other half's wall",
            value=f"{ply.lap:g} mm",
            limit=f"up to {where[-1]:.1f} mm",
            remedy="shorten the lap",
            where=ply.name,
        )
    at = np.linspace(0.0, ply.lap, samples)
    return np.stack([np.interp(at, where, path[:, k]) for k in range(2)], axis=1)


def tuck_findings(
    tucks: Sequence[Tuck],
    about: tuple[str, ...],
    *,
    lean_limit: float = LEAN_LIMIT,
    room: float | None = None,
    flange: float | None = None,
    laps: Sequence[float] = (),
    flange_at: float = 0.0,
) -> tuple[Finding, ...]:
    """Risks at a run: laps that lean past the limit, meet the bag, or don't fit the flange.

    Parameters
    ----------
    lean_limit : radians
    room : mm
        Free width inward of the parting line, beside the bag; None: not known.
    flange : mm
        Width of the flange that laps lie on, folded out; None: not known.
    flange_at : mm along the run
    """
    out = []
    leaning = [t for t in tucks if np.radians(t.tuck_deg) > lean_limit]
    blocked = [t for t in tucks if room is not None and t.tip_mm[0] > room]
    if leaning:
        worst = max(leaning, key=lambda t: t.tuck_deg)
        text = (
            f"the lap must be tucked in by {worst.tuck_deg:.0f}° "
            f"(limit {np.degrees(lean_limit):.0f}°), {_place(worst)}"
        )
        out.append(Finding("risk", about, text, "shorten the lap"))
    if blocked:
        worst = max(blocked, key=lambda t: t.tip_mm[0])
        text = (
            f"the bag is in the way of the tucked lap, which reaches {worst.tip_mm[0]:.1f} mm in "
            f"(room {room:.1f} mm), {_place(worst)}"
        )
        out.append(Finding("risk", about, text, "use a smaller bag or a shorter lap"))
    if flange is not None and laps and max(laps) > flange:
        text = (
            f"the flange is narrower than the lap folded out on it: {flange:.1f} mm against "
            f"{max(laps):g} mm at {flange_at:.0f} mm along the run"
        )
        out.append(Finding("risk", about, text, "support the lap's edge"))
    return tuple(out)


def _place(t: Tuck) -> str:
    return f"{t.ply} at {t.station_mm:.0f} mm along the run"
