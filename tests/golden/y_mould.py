"""A smooth Y: three arms of elliptical section at 120°, parted in the plane z = 0. Invented.

In plan the rim is a level line of a soft minimum of the squared distances from the three arms'
middle lines, so that the crotches are round; each section's depth is an ellipse's over that. The
surface is smooth but for the parting line, and its nets are valid, unlike those of a Y of flat
walls, whose corners of three faces cloth can't follow. Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from exact.shapes import grid

ARMS = np.radians([0.0, 120.0, 240.0])
HALVINGS = 60


@dataclass(frozen=True)
class YMould:
    """Length of the arms from the fork's middle, half their width, depth at their middle line.

    ``soft`` is the soft minimum's width in mm²: more of it makes rounder crotches.
    """

    arm: float = 70.0
    half_width: float = 16.0
    depth: float = 16.0
    soft: float = 120.0

    def mesh(self, half, along, across):
        """Vertices and faces of a half, normals towards the hollow; not welded."""
        side = 1.0 if half == "lower" else -1.0
        a = np.linspace(0.0, 1.0, along + 1)
        b = np.sin(np.linspace(0.0, np.pi / 2, across + 1))  # closer beside the steep rim
        b[-1] = 1.0
        vertices, faces, count = [], [], 0
        for turn in ARMS:
            for flip in (1.0, -1.0):
                v, f = grid(lambda a, b, t=turn, s=flip: self._point(a, b, t, s), a, b)
                vertices.append(v * [1.0, 1.0, side])
                faces.append((f if flip * side > 0 else f[:, ::-1]) + count)
                count += len(v)
        return np.vstack(vertices), np.vstack(faces)

    def _point(self, a, b, turn, flip):
        """Half an arm: ``a`` from the fork's bisector to the mouth, ``b`` from middle to rim."""
        crotch = self._to_rim(np.zeros(1), np.array([0.5]), np.array([np.sqrt(0.75)]))[0]
        first = 0.5 * crotch
        rim_x = first + a * (self.arm - first)
        rim_y = np.where(
            a == 0.0, np.sqrt(0.75) * crotch, self._to_rim(rim_x, 0.0 * rim_x, 1.0 + 0.0 * rim_x)
        )
        x, y = a * self.arm * (1.0 - b) + rim_x * b, rim_y * b
        rest = np.maximum(1.0 - self._squared(x, y) / self.half_width**2, 0.0)
        z = -self.depth * np.where(b == 1.0, 0.0, np.sqrt(rest))
        y = flip * y
        c, s = np.cos(turn), np.sin(turn)
        return np.stack([c * x - s * y, s * x + c * y, z], -1)

    def _squared(self, x, y):
        """Soft minimum of the squared distances from the arms' middle lines, mm²."""
        all_arms = []
        for turn in ARMS:
            along = np.cos(turn) * x + np.sin(turn) * y
            across = np.cos(turn) * y - np.sin(turn) * x
            all_arms.append(across**2 + np.minimum(along, 0.0) ** 2)
        least = np.min(all_arms, axis=0)
        rest = np.exp(-(np.array(all_arms) - least) / self.soft).sum(axis=0)
        return least - self.soft * np.log(rest)

    def _to_rim(self, x, along_x, along_y):
        """Distance from (x, 0) to the rim in a direction, by halving, mm."""
        low, high = np.zeros_like(x), np.full_like(x, 4.0 * self.half_width)
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            within = self._squared(x + middle * along_x, middle * along_y) < self.half_width**2
            low, high = np.where(within, middle, low), np.where(within, high, middle)
        return 0.5 * (low + high)
