"""Exact sheets whose cavity runs out into a flange over a rounded brim, without a crease.

Own frame: closing direction +z, the flange at z = 0. Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np


def brim_profile(radius, depth, brim, flange, step):
    """(n, 2) x, z of a circle's arc from its lowest place, rounded over into a level flange.

    The circle, ``radius`` round (0, radius − depth), is touched by one of ``brim`` from below
    the level: at ``brim_start``.
    """
    rise, angle = _rounding(radius, depth, brim)
    on_arc = np.linspace(0.0, angle, max(3, round(radius * angle / step)))
    wall = np.stack([radius * np.sin(on_arc), rise - radius * np.cos(on_arc)], 1)
    middle = np.array([(radius + brim) * np.sin(angle), -brim])
    turn = np.linspace(angle, 0.0, max(6, round(brim * angle / step)))[1:]
    over = middle + brim * np.stack([-np.sin(turn), np.cos(turn)], 1)
    out = np.linspace(0.0, flange, max(2, round(flange / step)))[1:]
    land = np.stack([middle[0] + out, np.zeros(len(out))], 1)
    return np.vstack([wall, over, land])


def _rounding(radius, depth, brim):
    """Height of the circle's middle, and its angle from below where the rounding begins."""
    rise = radius - depth
    # the rounding's middle, radius + brim from the circle's, lies brim below the level
    return rise, float(np.arccos((rise + brim) / (radius + brim)))


def brim_start(radius, depth, brim):
    """Height (negative) at which the rounding begins."""
    rise, angle = _rounding(radius, depth, brim)
    return rise - radius * float(np.cos(angle))


def turned(profile, around):
    """Bowl: vertices and faces of a profile that begins on the axis, turned round it."""
    turn = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    ring = np.stack([np.cos(turn), np.sin(turn)], 1)
    rows = [np.column_stack([x * ring, np.full(around, z)]) for x, z in profile[1:]]
    vertices = np.vstack([[[0.0, 0.0, profile[0, 1]]], *rows])
    i = np.arange(around)
    j = (i + 1) % around
    faces = [np.stack([np.zeros(around, int), 1 + i, 1 + j], 1)]
    for row in range(len(rows) - 1):
        a, b = 1 + row * around, 1 + (row + 1) * around
        faces += [np.stack([a + i, b + i, b + j], 1), np.stack([a + i, b + j, a + j], 1)]
    return vertices, np.vstack(faces)


def drawn(profile, length, step):
    """Trough along x: a profile and its mirror image, drawn out; vertices and faces."""
    across = np.vstack([profile[:0:-1] * [-1.0, 1.0], profile])
    along = np.linspace(0.0, length, max(2, round(length / step)))
    vertices = np.array([[x, y, z] for x in along for y, z in across])
    count = len(across)
    a = (np.arange(len(along) - 1)[:, None] * count + np.arange(count - 1)).ravel()
    b, c, d = a + count, a + count + 1, a + 1
    return vertices, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
