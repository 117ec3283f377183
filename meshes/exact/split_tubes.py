"""Exact surfaces of split tube moulds, with exact answers: for tests and demo meshes.

A hollow is swept along a centreline that lies in the plane z = 0; the halves meet along
z, the lower one first. Where the parting line is stepped it lifts by ``Step``.

Words
-----
station v   place along the hollow, mm: arc length of the centreline, past the body of a
            closed end the angle round its cap times the cap's length
place t     place round the half-section, 0 at the right edge to 1 at the left
side        "right" (t = 0) or "left" (t = 1) seen along the centreline, the lower half below

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import roots_legendre

from drape.errors import InputError
from drape.geometry.surface import Floats, Ints, unit
from exact.tube_sections import Box, Centreline, Oval, Profile, Step, bend, straight

__all__ = [
    "HALVES",
    "Box",
    "Centreline",
    "Form",
    "HalfName",
    "Oval",
    "SplitTube",
    "Step",
    "TubeMesh",
    "bend",
    "straight",
]

HalfName = Literal["lower", "upper"]
Form = Literal["sheet", "solid"]
HALVES: tuple[HalfName, HalfName] = ("lower", "upper")


@dataclass(frozen=True)
class TubeMesh:
    """Vertices (n, 3) in mm, faces (m, 3), and which faces are the cavity's, (m,) bool."""

    vertices: Floats
    faces: Ints
    cavity: np.ndarray


@dataclass(frozen=True)
class SplitTube:
    """A split mould round a tube; see the module's words.

    Attributes
    ----------
    centreline : Centreline
    section : Oval or Box
    half_width, depth, depth_upper : float or callable of arc length
        ``depth_upper`` None: as ``depth``.
    step : Step or None
    level_floor : bool
        The floors stay level while the parting line steps; else the hollow lifts with it.
    flange, wall, ledge : float
        Width of the flange (0: none); material below the deepest floor of a solid half;
        width of a ledge half way down its outer walls.
    caps : (float, float)
        Length of the half-ellipsoid that closes each end; 0 is a mouth. Ovals only.
    """

    centreline: Centreline
    section: Oval | Box
    half_width: float | Profile
    depth: float | Profile
    depth_upper: float | Profile | None = None
    step: Step | None = None
    level_floor: bool = False
    flange: float = 25.0
    wall: float = 12.0
    ledge: float = 0.0
    caps: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        if any(self.caps) and isinstance(self.section, Box):
            raise InputError("only oval sections can have closed ends")

    @cached_property
    def range(self) -> tuple[float, float]:
        """First and last station."""
        first, last = self.caps
        growth = np.pi / 2 - 1.0
        return -first * growth, self.centreline.length + last * growth

    @cached_property
    def breaks(self) -> Floats:
        """Stations between which the surface is smooth."""
        inner = [self.caps[0], self.centreline.length - self.caps[1]]
        inner += list(self.step.kinks) if self.step else []
        first, last = self.range
        return np.unique([first, *(v for v in inner if first < v < last), last])

    def _arc_and_scale(self, v: Floats) -> tuple[Floats, Floats, Floats]:
        """Arc length, scale of the section, and angle into the cap (signed), at ``v``."""
        v = np.asarray(v, dtype=float)
        s, angle = v.copy(), np.zeros_like(v)
        for cap, origin, sign in (
            (self.caps[0], self.caps[0], -1.0),
            (self.caps[1], self.centreline.length - self.caps[1], 1.0),
        ):
            if cap:
                into = np.clip(sign * (v - origin) / cap, 0.0, np.pi / 2)
                s = np.where(into > 0, origin + sign * cap * np.sin(into), s)
                angle = np.where(into > 0, sign * into, angle)
        at_pole = np.abs(np.abs(angle) - np.pi / 2) < 1e-12
        return s, np.where(at_pole, 0.0, np.cos(angle)), angle

    def _lift(self, s: Floats) -> Floats:
        return self.step(s) if self.step else np.zeros_like(s)

    def _depth(self, half: HalfName, s: Floats) -> Floats:
        upper = half == "upper" and self.depth_upper is not None
        depth = _value(self.depth_upper if upper else self.depth, s)
        sign = 1.0 if half == "lower" else -1.0
        return depth + sign * self._lift(s) if self.level_floor else depth

    def cavity_point(self, half: HalfName, v: ArrayLike, t: ArrayLike) -> Floats:
        """(…, 3) point of the cavity at station ``v`` and place ``t`` (broadcast)."""
        v, t = np.broadcast_arrays(np.asarray(v, float), np.asarray(t, float))
        s, scale, _ = self._arc_and_scale(v)
        point, _, lateral = self.centreline.frame(s)
        a, d = scale * _value(self.half_width, s), scale * self._depth(half, s)
        y, z = self.section.curve(t, a, d)
        z = self._lift(s) + (z if half == "lower" else -z)
        return point + y[..., None] * lateral + z[..., None] * np.array([0.0, 0.0, 1.0])

    def flange_point(self, side: str, v: ArrayLike, q: ArrayLike) -> Floats:
        """(…, 3) point of the flange, ``q`` from 0 at the parting line to 1."""
        v, q = np.broadcast_arrays(np.asarray(v, float), np.asarray(q, float))
        s, scale, angle = self._arc_and_scale(v)
        _, tangent, lateral = self.centreline.frame(s)
        sign = -1.0 if side == "right" else 1.0
        cap = np.where(angle < 0, self.caps[0], self.caps[1]) + 1e-300
        along = np.where(angle == 0, 0.0, _value(self.half_width, s) / cap * np.sin(angle))
        out = unit(along[..., None] * tangent + sign * scale[..., None] * lateral)
        line = self.cavity_point("lower", v, 0.0 if side == "right" else 1.0)
        return line + (q * self.flange)[..., None] * out

    def run(self, side: str, count: int = 4001) -> Floats:
        """(count, 3) exact points of the parting line on one side, mm."""
        v = np.union1d(np.linspace(*self.range, count), self.breaks)
        return self.cavity_point("lower", v, 0.0 if side == "right" else 1.0)

    def mouth(self, half: HalfName, end: int, count: int = 2001) -> Floats:
        """(count, 3) exact points of a half's mouth; ``end`` 0 is the centreline's start."""
        t = np.union1d(np.linspace(0.0, 1.0, count), self.section.breaks)
        return self.cavity_point(half, self.range[end], t)

    def cavity_area(self, half: HalfName, nodes: int = 24) -> float:
        """Exact area of a half's cavity, mm²: Gauss–Legendre quadrature piece by piece."""
        x, w = roots_legendre(nodes)
        total = 0.0
        for v0, v1 in pairwise(self.breaks):
            for t0, t1 in pairwise(self.section.breaks):
                v = (v0 + (v1 - v0) * (x + 1) / 2)[:, None]
                t = (t0 + (t1 - t0) * (x + 1) / 2)[None, :]
                density = self._area_density(half, v, t, min(v1 - v0, 1.0) * 1e-5, 1e-6)
                total += (v1 - v0) * (t1 - t0) / 4 * float(w @ density @ w)
        return total

    def _area_density(self, half: HalfName, v: Floats, t: Floats, dv: float, dt: float) -> Floats:
        """|∂P/∂v × ∂P/∂t| by central differences, mm² per unit of v and t."""
        along = self.cavity_point(half, v + dv, t) - self.cavity_point(half, v - dv, t)
        round_ = self.cavity_point(half, v, t + dt) - self.cavity_point(half, v, t - dt)
        return np.linalg.norm(np.cross(along / (2 * dv), round_ / (2 * dt)), axis=-1)

    def mesh(
        self,
        half: HalfName,
        form: Form = "sheet",
        *,
        along: int = 60,
        around: int = 48,
        seed: int | None = None,
    ) -> TubeMesh:
        """Triangles of one half, in the closed position, normals towards the hollow.

        ``along`` and ``around`` are numbers of facets; a ``seed`` makes the triangulation
        irregular and its density uneven. A solid is one closed mesh.
        """
        if form == "solid" and self.flange <= 0:
            raise InputError("a solid half needs a flange", value=self.flange, limit="> 0 mm")
        random = None if seed is None else np.random.default_rng(seed)
        v = _divide(self.breaks, along, random)
        t = _divide(np.asarray(self.section.breaks), around, None)
        grid_v, grid_t = np.meshgrid(v, t, indexing="ij")
        if random is not None:
            fixed = np.concatenate([self.breaks, v[:4] if self.caps[0] else [], v[-4:]])
            _jitter(grid_v, grid_t, fixed, self.section.breaks, random)
        top = self._top(half, grid_v, grid_t)
        faces, cavity = _grid_faces(top, self.flange > 0, random)
        points = top.reshape(-1, 3)
        if form == "solid":
            points, faces, cavity = self._closed(half, top, faces, cavity)
        faces = faces if half == "lower" else faces[:, ::-1]
        return _merged(points, faces, cavity)

    def _top(self, half: HalfName, v: Floats, t: Floats) -> Floats:
        """(rows, columns, 3): the cavity between its two flanges, two facets wide each."""
        cavity = self.cavity_point(half, v, t)
        if self.flange <= 0:
            return cavity
        q = np.array([1.0, 0.5])
        right = self.flange_point("right", v[:, :1], q)
        left = self.flange_point("left", v[:, -1:], q[::-1])
        return np.concatenate([right, cavity, left], axis=1)

    def _outside(self, top: Floats, level: float) -> tuple[list[Floats], list[Floats]]:
        """Lines of a block's outside from the bottom up, (rows, 3) each, right and left."""
        out = []
        for rim, inner in ((top[:, 0], top[:, 1]), (top[:, -1], top[:, -2])):
            foot, lines = rim.copy(), []
            foot[:, 2] = level
            if self.ledge:
                outward = unit((rim - inner) * [1.0, 1.0, 0.0])
                inside = (rim + foot) / 2.0
                beyond = inside + self.ledge * outward
                lines = [beyond, inside]
                foot = foot + self.ledge * outward
            out.append([foot, *lines])
        return out[0], out[1]

    def _closed(
        self, half: HalfName, top: Floats, faces: Ints, cavity: np.ndarray
    ) -> tuple[Floats, Ints, np.ndarray]:
        """Add outer walls, end walls and bottom to the top of a half (turned as the lower)."""
        rows, columns = top.shape[:2]
        sign = 1.0 if half == "lower" else -1.0
        level = sign * (np.min(sign * top[..., 2]) - self.wall)
        right, left = self._outside(top, level)
        first, count = rows * columns, len(right)
        index = np.arange(first).reshape(rows, columns)
        outer = first + np.arange(2 * count * rows).reshape(2, count, rows)
        chain = [*outer[0], *index.T, *outer[1][::-1]]  # from the right bottom corner to the left
        extra = [_strip(a, b) for a, b in pairwise(chain[: count + 1])]
        extra += [_strip(a, b) for a, b in pairwise(chain[-count - 1 :])]
        extra.append(_strip(chain[-1], chain[0]))
        ends = np.array(chain)
        if not self.caps[0]:
            extra.append(_end_wall(ends[1:-1, 0], ends[0, 0], ends[-1, 0]))
        if not self.caps[1]:
            extra.append(_end_wall(ends[1:-1, -1], ends[0, -1], ends[-1, -1])[:, ::-1])
        more = np.vstack(extra)
        points = np.vstack([top.reshape(-1, 3), *right, *left])
        return points, np.vstack([faces, more]), np.append(cavity, np.zeros(len(more), bool))


def _value(profile: float | Profile | None, s: Floats) -> Floats:
    return profile(s) if callable(profile) else np.full_like(s, float(profile or 0.0))


def _divide(breaks: Floats, count: int, random: np.random.Generator | None) -> Floats:
    """Places between ``breaks``, about ``count`` intervals, uneven if ``random`` is given."""
    total = breaks[-1] - breaks[0]
    places = [breaks[:1]]
    for low, high in pairwise(breaks):
        n = max(2, round(count * (high - low) / total))
        x = np.arange(1, n + 1) / n
        if random is not None:
            x = x + 0.6 * np.sin(2 * np.pi * x) / (2 * np.pi)
        places.append(low + (high - low) * x)
        places[-1][-1] = high
    return np.concatenate(places)


def _jitter(
    v: Floats,
    t: Floats,
    v_breaks: Floats,
    t_breaks: tuple[float, ...],
    random: np.random.Generator,
) -> None:
    """Move lattice points within their cells, in place; points on a break stay on it."""
    free_v = ~np.isin(v[:, 0], v_breaks)
    free_t = ~np.isin(t[0], t_breaks)
    room_v = np.minimum(np.diff(v[:-1, 0]), np.diff(v[1:, 0]))[:, None]
    room_t = np.minimum(np.diff(t[0, :-1]), np.diff(t[0, 1:]))[None, :]
    move_v = random.uniform(-0.3, 0.3, v.shape)
    move_t = random.uniform(-0.3, 0.3, t.shape)
    v[1:-1] += np.where(free_v[1:-1, None], room_v * move_v[1:-1], 0.0)
    t[:, 1:-1] += np.where(free_t[None, 1:-1], room_t * move_t[:, 1:-1], 0.0)


def _grid_faces(
    points: Floats, flanged: bool, random: np.random.Generator | None
) -> tuple[Ints, np.ndarray]:
    """Two triangles a cell of (rows, columns, 3) points, and which of them are the cavity's."""
    rows, columns = points.shape[:2]
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b = index[:-1, :-1].ravel(), index[1:, :-1].ravel()
    c, d = index[1:, 1:].ravel(), index[:-1, 1:].ravel()
    other = _other_diagonal(points.reshape(-1, 3), a, b, c, d, random)
    first = np.where(other[:, None], np.stack([a, b, d], 1), np.stack([a, b, c], 1))
    second = np.where(other[:, None], np.stack([b, c, d], 1), np.stack([a, c, d], 1))
    column = np.tile(np.arange(columns - 1), rows - 1)
    edge = 2 if flanged else 0
    cavity = (column >= edge) & (column < columns - 1 - edge)
    return np.vstack([first, second]).astype(np.int64), np.concatenate([cavity, cavity])


def _other_diagonal(
    points: Floats, a: Ints, b: Ints, c: Ints, d: Ints, random: np.random.Generator | None
) -> np.ndarray:
    """Cells cut from ``b`` to ``d``: at random, but never into slivers."""
    if random is None:
        return np.zeros(len(a), bool)
    chosen = random.random(len(a)) < 0.5
    worst = [_smallest_height(points, *t) for t in ((a, b, c), (a, c, d), (a, b, d), (b, c, d))]
    usual, other = np.minimum(worst[0], worst[1]), np.minimum(worst[2], worst[3])
    return np.where(usual < 0.5 * other, True, np.where(other < 0.5 * usual, False, chosen))


def _smallest_height(points: Floats, a: Ints, b: Ints, c: Ints) -> Floats:
    p = points[np.stack([a, b, c], 1)]
    edges = np.roll(p, -1, axis=1) - p
    twice_area = np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1)
    return twice_area / np.maximum(np.linalg.norm(edges, axis=2).max(axis=1), 1e-300)


def _strip(a: Ints, b: Ints) -> Ints:
    """Triangles between two chains of equal length, from ``a`` on the right to ``b``."""
    first = np.stack([a[:-1], a[1:], b[1:]], 1)
    return np.vstack([first, np.stack([a[:-1], b[1:], b[:-1]], 1)]).astype(np.int64)


def _end_wall(chain: Ints, right: int, left: int) -> Ints:
    """Fans from the two bottom corners to the section; turned to look back along the tube."""
    middle = len(chain) // 2
    fan_right = [(right, chain[k], chain[k + 1]) for k in range(middle)]
    fan_left = [(left, chain[k], chain[k + 1]) for k in range(middle, len(chain) - 1)]
    return np.array([*fan_right, *fan_left, (right, chain[middle], left)], dtype=np.int64)


def _merged(points: Floats, faces: Ints, cavity: np.ndarray) -> TubeMesh:
    """Join points that are exactly the same (poles of caps), drop what collapses."""
    points = points + 0.0  # no negative zeros
    _, first, inverse = np.unique(points, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    faces = rank[inverse.ravel()][faces]
    a, b, c = faces.T
    keep = (a != b) & (b != c) & (c != a)
    return TubeMesh(points[first[order]], faces[keep], cavity[keep])
