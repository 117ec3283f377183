"""Polylines in the plane and in space: lengths, kinks, joints.

(k, 2) or (k, 3) arrays in mm; angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.geometry.surface import Floats, Ints, unit

KINK = np.radians(15.0)
STANDS_OUT = 2.1  # an even arc turns twice as much at its vertices as where a straight joins it


def arc_positions(points: Floats) -> Floats:
    """(k,) length along an open polyline up to each vertex, mm."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])


def signed_area(points: Floats) -> float:
    """Area of a closed polygon (k, 2), positive when counter-clockwise, mm²."""
    x, y = points[:, 0], points[:, 1]
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def kinks(points: Floats, closed: bool, angle: float = KINK) -> Ints:
    """Vertices where the polyline turns by more than ``angle`` and than its neighbours do.

    A coarse but smooth curve turns about as much at every vertex; a kink stands out.
    """
    if len(points) < 3:
        return np.empty(0, dtype=np.int64)
    steps = unit(np.diff(np.concatenate([points, points[:1]]) if closed else points, axis=0))
    ahead, behind = (steps, np.roll(steps, 1, axis=0)) if closed else (steps[1:], steps[:-1])
    turn = np.arccos(np.clip(np.einsum("ij,ij->i", behind, ahead), -1.0, 1.0))
    padded = np.pad(turn, 1, mode="wrap" if closed else "edge")
    around = np.minimum(padded[:-2], padded[2:])
    found = np.flatnonzero((turn > angle) & ((turn > STANDS_OUT * around) | (turn > 3.0 * angle)))
    return found if closed else found + 1


def crossings(p: Floats, q: Floats) -> list[tuple[float, float, Floats]]:
    """Crossings of two open polylines (k, 2): (place on p, place on q, point).

    A place is segment number + share of the segment.
    """
    out: list[tuple[float, float, Floats]] = []
    d, e = np.diff(p, axis=0), np.diff(q, axis=0)
    cross = d[:, None, 0] * e[None, :, 1] - d[:, None, 1] * e[None, :, 0]
    gap = q[None, :-1] - p[:-1, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (gap[..., 0] * e[None, :, 1] - gap[..., 1] * e[None, :, 0]) / cross
        t = (gap[..., 0] * d[:, None, 1] - gap[..., 1] * d[:, None, 0]) / cross
    tiny = 1e-12
    hit = (np.abs(cross) > 0) & (s >= -tiny) & (s <= 1 + tiny) & (t >= -tiny) & (t <= 1 + tiny)
    for i, j in np.argwhere(hit):
        out.append((i + float(s[i, j]), j + float(t[i, j]), p[i] + s[i, j] * d[i]))
    return out


def cut_at(points: Floats, place: float, keep: str) -> Floats:
    """The polyline up to (``keep`` "start") or from ("end") a place, end point included."""
    i = min(int(place), len(points) - 2)
    x = points[i] + (place - i) * (points[i + 1] - points[i])
    part = (points[: i + 1], x[None]) if keep == "start" else (x[None], points[i + 1 :])
    out = np.concatenate(part)
    steps = np.linalg.norm(np.diff(out, axis=0), axis=1)
    good = np.concatenate([[True], steps > 1e-9])
    if keep == "start" and not good[-1]:  # keep the exact end, drop the vertex before it
        good[-1], good[-2] = True, len(out) == 2
    return out[good]


def join(p: Floats, q: Floats, apex: Floats, limit: float) -> tuple[Floats, Floats]:
    """Make the end of polyline p and the start of q meet: mitre, trim or bevel.

    Parameters
    ----------
    p, q : (k, 2) and (m, 2), mm
    apex : (2,), the corner that both go round
    limit : mm; a mitre longer than this from the apex becomes a bevel

    Returns
    -------
    The two polylines; the last point of the first is the first point of the second.
    """
    if np.linalg.norm(p[-1] - q[0]) < 1e-6:
        return p, np.concatenate([p[-1:], q[1:]])
    far = 2.0 * limit + float(np.linalg.norm(p[-1] - q[0])) + 1.0
    tail = p[-1] + far * unit(p[-1] - p[-2])
    head = q[0] - far * unit(q[1] - q[0])
    long_p, long_q = np.concatenate([p, [tail]]), np.concatenate([[head], q])
    found = crossings(long_p, long_q)
    if found:
        s, t, x = min(found, key=lambda hit: float(np.linalg.norm(hit[2] - apex)))
        if np.linalg.norm(x - apex) <= limit or (s < len(p) - 1 and t > 1.0):
            return cut_at(long_p, s, "start"), cut_at(long_q, t, "end")
    return p, np.concatenate([p[-1:], q])


def walk_back(points: Floats, length: float, end: str) -> float:
    """Place ``length`` mm before the end ("end") or after the start ("start")."""
    where = arc_positions(points)
    at = where[-1] - length if end == "end" else length
    at = float(np.clip(at, 0.0, where[-1]))
    i = int(np.clip(np.searchsorted(where, at, side="right") - 1, 0, len(points) - 2))
    return i + (at - where[i]) / (where[i + 1] - where[i])
