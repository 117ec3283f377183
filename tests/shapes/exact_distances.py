"""Distances of points from the exact surfaces of ``tessellated.named``, mm, without sign.

By hand from each shape's definition; of ellipses and ellipsoids by Newton's method on the foot's
parameter (common knowledge).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from tessellations import AWAY, ODD

from drape.geometry.surface import Floats


def from_cone(first: float, second: float, length: float) -> Callable[[Floats], Floats]:
    slope = (second - first) / length

    def distance(p):
        return abs(np.hypot(p[:, 1], p[:, 2]) - first - slope * p[:, 0]) / np.hypot(1.0, slope)

    return distance


def from_ellipsoid(axes: Sequence[float]) -> Callable[[Floats], Floats]:
    """Ellipse or ellipsoid: the foot is x a²/(a² + t), with t the root of |x a/(a² + t)| = 1."""
    square = np.asarray(axes, float) ** 2

    def distance(p):
        t = np.zeros(len(p))
        for _ in range(50):
            part = p**2 * square / (square + t[:, None]) ** 2
            value, slope = part.sum(axis=1) - 1.0, -2.0 * (part / (square + t[:, None])).sum(axis=1)
            t -= value / slope
        foot = p * square / (square + t[:, None])
        assert abs(((foot**2) / square).sum(axis=1) - 1.0).max() < 1e-9
        return np.linalg.norm(p - foot, axis=1)

    return distance


def from_path(p: Floats, pieces: Sequence[tuple[float, float]]) -> Floats:
    """Distance of (k, 2) points from a path of (length, turn) pieces, its ends carried on."""
    place, heading, least = np.zeros(2), 0.0, np.full(len(p), np.inf)
    for number, (size, turn) in enumerate(pieces):
        first, last = number == 0, number == len(pieces) - 1
        along, left = (np.array([np.cos(h), np.sin(h)]) for h in (heading, heading + np.pi / 2))
        x, y = (p - place) @ along, (p - place) @ left
        if turn == 0.0:
            off = abs(y)
            there = (x >= 0.0) | first, (x <= size) | last
            place = place + size * along
        else:
            radius = size / turn
            angle = np.arctan2(x, (radius - y) * np.sign(radius))
            off = abs(np.hypot(x, radius - y) - abs(radius))
            there = (angle >= 0.0) | first, (angle <= abs(turn)) | last
            place = place + radius * (np.sin(turn) * along + (1.0 - np.cos(turn)) * left)
            heading += turn
        least = np.where(there[0] & there[1], np.minimum(least, off), least)
    return least


def from_capsule(radius: float, length: float) -> Callable[[Floats], Floats]:
    def distance(p):
        past = p[:, 0] - np.clip(p[:, 0], 0.0, length)
        return abs(np.hypot(past, np.hypot(p[:, 1], p[:, 2])) - radius)

    return distance


def from_tube(pieces: Sequence[tuple[float, float]], radius: float) -> Callable[[Floats], Floats]:
    return lambda p: abs(np.hypot(from_path(p[:, :2], pieces), p[:, 2]) - radius)


def from_fold(pieces: Sequence[tuple[float, float]]) -> Callable[[Floats], Floats]:
    return lambda p: from_path(p[:, 1:], pieces)


def from_ellipse(wide: float, deep: float) -> Callable[[Floats], Floats]:
    return lambda p: from_ellipsoid([wide, deep])(p[:, 1:])


HALF = np.pi / 2
OF_NAMED = {
    "groove": from_cone(25.0, 25.0, 200.0),
    "groove, mouths cut askew": from_cone(25.0, 25.0, 200.0),
    "groove, rows that differ": from_cone(25.0, 25.0, 200.0),
    "half cone": from_cone(35.0, 20.0, 200.0),
    "half cone, rows that differ": from_cone(35.0, 20.0, 200.0),
    "elliptic groove": from_ellipse(32.0, 18.0),
    "hemisphere": from_ellipsoid([60.0, 60.0, 60.0]),
    "ellipsoid": from_ellipsoid([70.0, 40.0, 30.0]),
    "cylinder with sphere ends": from_capsule(25.0, 120.0),
    "pipe bend with straight ends": from_tube([(70.0, 0.0), (88.0, 1.1), (90.0, 0.0)], 22.0),
    "quarter torus": from_tube([(80.0 * HALF, HALF)], 25.0),
    "flat, fillet, wall": from_fold([(60.0, 0.0), (11.2, 1.4), (35.0, 0.0)]),
    "half-round with flat sides": from_fold([(40.0, 0.0), (18.0 * np.pi, 0.9 * np.pi), (40.0, 0)]),
    "S of two arcs": from_fold([(36.0, 1.2), (45.0, -1.0)]),
}


def of_named(name: str, points: Floats) -> Floats:
    """Distance of (k, 3) points from the shape called ``name``, in its general position."""
    return OF_NAMED[name](ODD.inv().apply(points - AWAY))
