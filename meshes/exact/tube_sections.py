"""Centrelines, half-sections and steps of the parting line, for ``split_tubes``.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import CubicHermiteSpline
from scipy.special import roots_legendre

from drape.geometry.surface import Floats

Profile = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Centreline:
    """Plane curve of a given ``length``; ``heading`` is its direction against arc length."""

    length: float
    heading: Profile

    @cached_property
    def _spline(self) -> CubicHermiteSpline:
        """Places by Gauss quadrature of the heading on a dense grid, mm."""
        s = np.linspace(-1.0, self.length + 1.0, 4001)
        nodes, weights = roots_legendre(4)
        step = s[1] - s[0]
        angle = self.heading(s[:-1, None] + step * (nodes + 1.0) / 2.0)
        parts = np.stack([np.cos(angle) @ weights, np.sin(angle) @ weights], 1) * step / 2.0
        places = np.vstack([np.zeros(2), np.cumsum(parts, axis=0)])
        slopes = np.stack([np.cos(self.heading(s)), np.sin(self.heading(s))], 1)
        places -= CubicHermiteSpline(s, places, slopes)(0.0)
        return CubicHermiteSpline(s, places, slopes)

    def frame(self, s: Floats) -> tuple[Floats, Floats, Floats]:
        """Point, tangent and lateral (left) direction at arc length ``s``, (…, 3) each."""
        s = np.asarray(s, dtype=float)
        zero = np.zeros((*s.shape, 1))
        angle = self.heading(s)
        cosine, sine = np.cos(angle)[..., None], np.sin(angle)[..., None]
        point = np.concatenate([self._spline(s), zero], axis=-1)
        tangent = np.concatenate([cosine, sine, zero], axis=-1)
        return point, tangent, np.concatenate([-sine, cosine, zero], axis=-1)


def straight(length: float) -> Centreline:
    """A straight centreline along x."""
    return Centreline(length, lambda s: 0.0 * np.asarray(s))


def bend(length: float, angle: float) -> Centreline:
    """A circular bend through ``angle`` radians."""
    return Centreline(length, lambda s: np.asarray(s) * (angle / length))


@dataclass(frozen=True)
class Step:
    """Rise of the parting line by ``height`` over ``length``, from station ``start``.

    ``sharp``: a straight ramp with two kinks; else half a cosine wave.
    """

    height: float
    start: float
    length: float
    sharp: bool = False

    def __call__(self, s: Floats) -> Floats:
        x = np.clip((np.asarray(s) - self.start) / self.length, 0.0, 1.0)
        return self.height * (x if self.sharp else 0.5 - 0.5 * np.cos(np.pi * x))

    @property
    def kinks(self) -> tuple[float, ...]:
        """Stations where the ramp isn't smooth enough to integrate across."""
        return (self.start, self.start + self.length)


@dataclass(frozen=True)
class Oval:
    """Half a superellipse |y/a|ᵉ + |z/d|ᵉ = 1; exponent 2 is an ellipse."""

    exponent: float = 2.0
    breaks: tuple[float, ...] = (0.0, 0.5, 1.0)

    def curve(self, t: Floats, a: Floats, d: Floats) -> tuple[Floats, Floats]:
        """Lateral place and depth (≤ 0) at ``t`` for half-width ``a`` and depth ``d``."""
        cosine, sine = np.cos(np.pi * t), np.sin(np.pi * t)
        cosine, sine = np.where(t == 0.5, 0.0, cosine), np.where((t == 0) | (t == 1), 0.0, sine)
        power = np.abs(cosine) ** self.exponent + np.abs(sine) ** self.exponent
        scale = power ** (-1.0 / self.exponent)
        return -a * scale * cosine, -d * scale * sine


@dataclass(frozen=True)
class Box:
    """A flat floor between two walls leaning out by ``draft``; floor corners of radius ``fillet``.

    With ``fillet`` 0 the corners are sharp.
    """

    draft: float
    fillet: float = 0.0

    @property
    def breaks(self) -> tuple[float, ...]:
        """Places where the pieces of the section meet."""
        return (0.0, 0.3, 0.4, 0.6, 0.7, 1.0) if self.fillet else (0.0, 0.35, 0.65, 1.0)

    def curve(self, t: Floats, a: Floats, d: Floats) -> tuple[Floats, Floats]:
        """Lateral place and depth (≤ 0) at ``t`` for half-width ``a`` and depth ``d``."""
        half = np.minimum(t, 1.0 - t)
        y, z = self._right_half(half, a, d)
        return np.where(t <= 0.5, y, -y), z

    def _right_half(self, t: Floats, a: Floats, d: Floats) -> tuple[Floats, Floats]:
        r, lean = self.fillet, self.draft
        reach = r * np.tan((np.pi / 2 - lean) / 2)  # from the sharp corner to the tangent points
        corner = -(a - d * np.tan(lean))
        top, floor = (0.3, 0.4) if r else (0.35, 0.35)
        down = np.clip(t / top, 0.0, 1.0)
        wall = d / np.cos(lean) - reach
        y = -a + down * wall * np.sin(lean)
        z = -down * wall * np.cos(lean)
        if r:
            turn = np.clip((t - top) / (floor - top), 0.0, 1.0) * (np.pi / 2 - lean)
            angle = lean + turn  # of the direction of travel, from straight down
            y_arc = corner + reach - r * np.cos(angle)
            z_arc = -d + r - r * np.sin(angle)
            y, z = np.where(t > top, y_arc, y), np.where(t > top, z_arc, z)
        across = np.clip((t - floor) / (0.5 - floor), 0.0, 1.0)
        on_floor = t > floor
        y = np.where(on_floor, (corner + reach) * (1.0 - across), y)
        return y, np.where(on_floor, -d, z)
