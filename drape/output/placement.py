"""Where there is room: boxes placed inside an area, clear of what is there already."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, pi

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry.base import BaseGeometry

from drape.geometry.surface import Bools, Floats
from drape.output.paths import turned_box

Point = tuple[float, float]
Size = tuple[float, float]

GRID = 300  # cells along the longer side of the area that is searched
TRIES = 50  # places that are checked exactly before a size is given up


class Room:
    """An area that fills up: what is placed is taken from it.

    Parameters
    ----------
    area : shapely geometry
        Polygon or polygons, mm.
    """

    def __init__(self, area: BaseGeometry) -> None:
        self._become(area)

    def _become(self, area: BaseGeometry) -> None:
        shapely.prepare(area)
        self.area = area
        self._grids: dict[float, tuple[Floats, float, Bools]] = {}  # by rotation

    def take(self, used: BaseGeometry, clearance: float = 0.0) -> None:
        """Take ``used`` and ``clearance`` mm round it out of the free area."""
        around = used.buffer(clearance, quad_segs=2) if clearance else used
        self._become(shapely.difference(self.area, around))

    def holds(self, box: BaseGeometry) -> bool:
        """Whether ``box`` lies in the free area as a whole."""
        return bool(shapely.covers(self.area, box))

    def place(
        self, sizes: Sequence[Size], near: Point, rotation: float = 0.0
    ) -> tuple[int, Point] | None:
        """Number of the first of ``sizes`` that fits, and its centre closest to ``near``.

        Searched on a grid by counting free cells under the box, then checked exactly.
        """
        if self.area.is_empty:
            return None
        target = _rotated(np.array([near]), -rotation)[0]
        for number, (width, height) in enumerate(sizes):
            if self.holds(turned_box(near, width, height, rotation)):
                return number, near
            for centre in _fits(*self._grid(rotation), (width, height), target):
                at = tuple(float(c) for c in _rotated(centre[None], rotation)[0])
                if self.holds(turned_box((at[0], at[1]), width, height, rotation)):
                    return number, (at[0], at[1])
        return None

    def _grid(self, rotation: float) -> tuple[Floats, float, Bools]:
        """What is free on a grid; most marks need none, and it is what takes time."""
        if rotation not in self._grids:
            level = affinity.rotate(self.area, -rotation, origin=(0, 0), use_radians=True)
            self._grids[rotation] = _grid(level)
        return self._grids[rotation]


def readable(rotation: float) -> float:
    """``rotation`` or its opposite, whichever reads from below or from the right."""
    turned = (rotation + pi / 2) % pi - pi / 2
    return pi / 2 if turned < -pi / 2 + 1e-9 else turned


def _grid(area: BaseGeometry) -> tuple[Floats, float, Bools]:
    x0, y0, x1, y1 = area.bounds
    cell = max(0.5, max(x1 - x0, y1 - y0) / GRID)
    xs = x0 + cell * (np.arange(ceil((x1 - x0) / cell)) + 0.5)
    ys = y0 + cell * (np.arange(ceil((y1 - y0) / cell)) + 0.5)
    shapely.prepare(area)
    free = np.asarray(shapely.contains_xy(area, *np.meshgrid(xs, ys, indexing="ij")))
    return np.array([x0, y0]), cell, free


def _fits(lower: Floats, cell: float, free: Bools, size: Size, target: Floats) -> Floats:
    """(k, 2) centres whose cells are all free, closest to ``target`` first."""
    kx, ky = (max(1, ceil(s / cell)) for s in size)
    if kx > free.shape[0] or ky > free.shape[1]:
        return np.empty((0, 2))
    total = np.zeros((free.shape[0] + 1, free.shape[1] + 1), dtype=np.int64)
    total[1:, 1:] = free.cumsum(axis=0).cumsum(axis=1)
    count = total[kx:, ky:] - total[:-kx, ky:] - total[kx:, :-ky] + total[:-kx, :-ky]
    centres = lower + cell * (np.argwhere(count == kx * ky) + 0.5 * np.array([kx, ky]))
    distance = np.linalg.norm(centres - target, axis=1)
    return centres[np.argsort(distance.round(6), kind="stable")[:TRIES]]


def _rotated(points: Floats, angle: float) -> Floats:
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])
