"""Plane profiles of lines and arcs, and exact flat outlines of developable cavities.

Conventions: own frame of a mould, closing direction +z, the lower half below z = 0. Profiles run
in the plane of a horizontal coordinate and z. ``height`` is that of a ply's mid-surface above the
cavity. Outlines are (n, 2) polygons, in any position. Lengths in mm, angles in radians.

Sources: a developable surface is unrolled without strain (key ``docarmo1976``); a parallel of an
arc of radius r and turn θ is θ·h shorter on its inner side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

ARC_STEP = np.radians(0.5)  # of outlines that are sampled


@dataclass(frozen=True)
class Line:
    """From (2,) to (2,), mm."""

    first: np.ndarray
    last: np.ndarray

    @property
    def length(self) -> float:
        return float(np.linalg.norm(self.last - self.first))


@dataclass(frozen=True)
class Arc:
    """Round ``centre`` from ``first`` to ``last`` over ``middle``, all (2,); ``turn`` is
    positive to the left."""

    first: np.ndarray
    middle: np.ndarray
    last: np.ndarray
    centre: np.ndarray
    turn: float

    @property
    def radius(self) -> float:
        return float(np.linalg.norm(self.first - self.centre))

    @property
    def length(self) -> float:
        return self.radius * abs(self.turn)


def rounded(points: list[tuple[float, float, float]]) -> list[Line | Arc]:
    """A polyline (x, z, radius of its corner) as lines and tangent arcs."""
    xy = np.array([p[:2] for p in points], float)
    corners = [_corner(xy[i - 1], xy[i], xy[i + 1], points[i][2]) for i in range(1, len(xy) - 1)]
    parts: list[Line | Arc] = []
    at = xy[0]
    for arc in corners:
        parts += [Line(at, arc.first), arc] if arc.radius > 0.0 else [Line(at, arc.first)]
        at = arc.last
    parts.append(Line(at, xy[-1]))
    return [p for p in parts if p.length > 1e-9]


def _corner(before, at, after, radius: float) -> Arc:
    into, out = (
        (at - before) / np.linalg.norm(at - before),
        (after - at) / np.linalg.norm(after - at),
    )
    turn = float(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))
    cut = radius * np.tan(abs(turn) / 2.0)
    first, last = at - cut * into, at + cut * out
    centre = first + np.sign(turn) * radius * np.array([-into[1], into[0]])
    way = at - centre
    middle = centre + radius * way / max(np.linalg.norm(way), 1e-300)
    return Arc(first, middle, last, centre, turn)


def sampled(parts: list[Line | Arc]) -> np.ndarray:
    """(n, 2) points on a profile, its corners among them."""
    out = [parts[0].first]
    for part in parts:
        if isinstance(part, Arc):
            count = max(2, int(np.ceil(abs(part.turn) / ARC_STEP)))
            for angle in np.linspace(0.0, part.turn, count + 1)[1:]:
                c, s = np.cos(angle), np.sin(angle)
                out.append(part.centre + np.array([[c, -s], [s, c]]) @ (part.first - part.centre))
        else:
            out.append(part.last)
    return np.array(out)


def profile_width(parts: list[Line | Arc], height: float = 0.0) -> float:
    """Width of a ply on a trough of this profile between its ends at z = 0, unrolled.

    The profile runs from one rim down and up to the other, the hollow on its left. Every arc
    loses height × turn; an end wall that rises at the angle e ends height/tan e earlier, where
    its parallel meets the parting plane.
    """
    total = sum(p.length - (height * p.turn if isinstance(p, Arc) else 0.0) for p in parts)
    for end in (parts[0], parts[-1]):
        across, up = np.abs(end.last - end.first)
        total -= height * across / up
    return total


def rectangle(length: float, width: float) -> np.ndarray:
    """(4, 2) outline of a ply on a trough."""
    x, y = length / 2.0, width / 2.0
    return np.array([[x, y], [-x, y], [-x, -y], [x, -y]])


def arc_width(radius: float, centre: float = 0.0, height: float = 0.0) -> float:
    """Of a ply on a round trough whose axis is ``centre`` above the parting plane."""
    own = radius - height
    return 2.0 * own * float(np.arccos(centre / own))


def half_ellipse_width(half_width: float, depth: float, height: float = 0.0) -> float:
    """Of a ply on half an elliptic tube: the quadrature of its arc, less height × π."""

    def speed(t: float) -> float:
        return float(np.hypot(half_width * np.sin(t), depth * np.cos(t)))

    return quad(speed, 0.0, np.pi, epsabs=1e-10)[0] - np.pi * height


def half_ellipsoid_area(a: float, b: float, c: float) -> float:
    """Of the half of an ellipsoid: ∬ √((bc x)² + (ca y)² + (ab z)²) over the unit half sphere."""
    place, weight = np.polynomial.legendre.leggauss(400)
    z, turn = (place[:, None] + 1.0) / 2.0, np.linspace(0.0, 2.0 * np.pi, 2000, endpoint=False)
    flat = np.sqrt(1.0 - z**2)
    parts = (b * c * flat * np.cos(turn)) ** 2 + (c * a * flat * np.sin(turn)) ** 2
    density = np.sqrt(parts + (a * b * z) ** 2).mean(axis=1)
    return float(np.pi * (weight @ density))


def spindle_area(half_length: float, radius: float) -> float:
    """Of half the surface of an arc turned round its chord: π ∫ r ds."""
    own = (half_length**2 + radius**2) / (2.0 * radius)
    half = float(np.arcsin(half_length / own))
    return np.pi * own * 2.0 * (half_length - (own - radius) * half)


def half_cone_outline(first: float, second: float, length: float, height: float = 0.0):
    """Of a ply on half a cone with end radii ``first`` and ``second``: part of a ring.

    The parallel of a cone of half angle α is the cone of radii less height/cos α.
    """
    alpha = np.arctan((second - first) / length)
    lose = height / np.cos(alpha)
    inner, outer = (first - lose) / np.sin(alpha), (second - lose) / np.sin(alpha)
    angle = np.linspace(-0.5, 0.5, 721) * np.pi * np.sin(alpha)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.vstack([outer * ring, inner * ring[::-1]])


def stepped_outline(step: list[Line | Arc], size, sign: float, height):
    """Of a ply on a half tube up to a parting surface z = step(x), level past the tube's ends.

    ``size``: radius, height of the upright walls above the half round, length. ``sign`` −1: the
    upper half, from above.
    """
    radius, straight, length = size
    x, z = sampled(step).T
    x = np.clip(x, -length / 2.0, length / 2.0)
    side = np.pi * (radius - height) / 2.0 + straight + sign * z
    return np.vstack([np.stack([x, -side], 1), np.stack([x, side], 1)[::-1]])


def sphere_cap(angle: float) -> tuple[float, float]:
    """Largest shear on a cap of the unit sphere, radians, and u = v where it is.

    ``angle``: from the cap's middle, where the first yarns cross as great circles, to its rim.
    The yarns' angle is f(s), s = u·v, with s f″ + f′ + sin f = 0, f(0) = π/2, f′(0) = −1; on the
    diagonal a step du is 2 cos(f/2) du long, and the shear is largest where that meets the rim.
    """

    def slope(u, state):
        s, (f, rate, _) = u * u, state
        bend = -(rate + np.sin(f)) / s if s > 1e-12 else 0.0  # f″(0) = −f′ cos f / 2 = 0
        return [rate * 2.0 * u, bend * 2.0 * u, 2.0 * np.cos(f / 2.0)]

    start = [np.pi / 2.0, -1.0, 0.0]
    way = solve_ivp(slope, (0.0, 1.2), start, rtol=1e-11, atol=1e-12, dense_output=True)
    u = float(brentq(lambda u: way.sol(u)[2] - angle, 1e-6, 1.2))
    return float(np.pi / 2.0 - way.sol(u)[0]), u
