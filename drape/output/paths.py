"""Paths and texts in mm, on layers: what a drawing is made of, and all that writers see.

Flat coordinates as in a pattern: mm, y upward, seen from inside the hollow.

Layers
------
cut    what the knife follows, closed, counter-clockwise outside and clockwise in holes
edge   where an edge of the mould (the parting line, a trim line) lies on the cloth
mark   everything else that is drawn: start point, arrows, the picture of the angles
text   writing
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from math import cos, sin
from typing import Literal, get_args

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from drape.geometry.arrays import Floats, readonly

Layer = Literal["cut", "edge", "mark", "text"]
LAYERS: tuple[Layer, ...] = get_args(Layer)

LINE_SPACING = 1.6  # of the text height, from line to line


@dataclass(frozen=True, eq=False)
class Path:
    """A polyline, (k, 2) mm; where ``closed`` the first point isn't repeated."""

    layer: Layer
    points: Floats
    closed: bool = False


@dataclass(frozen=True)
class Text:
    """One line of writing.

    Attributes
    ----------
    content : str
    position : (x, y) mm
        Centre of the writing: half its width, half the height of its capitals.
    height : float, mm
        Of a capital letter.
    rotation : float, radians, counter-clockwise
    """

    content: str
    position: tuple[float, float]
    height: float
    rotation: float = 0.0
    layer: Layer = "text"

    @property
    def box(self) -> shapely.Polygon:
        """The rectangle that the writing takes, with its descenders."""
        return turned_box(
            self.position, text_width(self.content, self.height), 1.5 * self.height, self.rotation
        )


@dataclass(frozen=True, eq=False)
class Drawing:
    """Named paths and texts of one piece."""

    name: str
    paths: tuple[Path, ...]
    texts: tuple[Text, ...]

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """(x least, y least, x greatest, y greatest) of all paths and texts, mm."""
        points = [path.points for path in self.paths]
        points += [np.array(text.box.exterior.coords) for text in self.texts]
        every = np.concatenate(points)
        (x0, y0), (x1, y1) = every.min(axis=0), every.max(axis=0)
        return float(x0), float(y0), float(x1), float(y1)

    @property
    def cloth(self) -> BaseGeometry:
        """The area inside the cut line, holes taken out."""
        rings = [p.points for p in self.paths if p.layer == "cut"]
        outer = [shapely.make_valid(shapely.Polygon(r)) for r in rings if turn(r) > 0]
        holes = [shapely.make_valid(shapely.Polygon(r)) for r in rings if turn(r) <= 0]
        return shapely.difference(shapely.union_all(outer), shapely.union_all(holes))


def path(layer: Layer, points: object, closed: bool = False) -> Path:
    """A ``Path`` with read-only points."""
    return Path(layer, readonly(np.array(points, dtype=np.float64).reshape(-1, 2)), closed)


def text_width(content: str, height: float) -> float:
    """Width of ``content`` in mm for capitals of ``height``: an upper estimate.

    No font is known here; the figures are rounded up from common sans-serif faces.
    """
    return height * sum(_advance(c) for c in content)


def turned_box(
    centre: tuple[float, float], width: float, height: float, rotation: float
) -> shapely.Polygon:
    """A rectangle about ``centre``, turned counter-clockwise by ``rotation`` radians."""
    corners = 0.5 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width, height]
    turning = np.array([[cos(rotation), sin(rotation)], [-sin(rotation), cos(rotation)]])
    return shapely.Polygon(corners @ turning + centre)


def turn(ring: Floats) -> float:
    """Signed area of a closed ring, mm²; positive where it runs counter-clockwise."""
    x, y = ring[:, 0], ring[:, 1]
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _advance(character: str) -> float:
    if unicodedata.east_asian_width(character) in "WF" or character in "MWmw@%ÆæŒœ¼½¾":
        return 1.42
    if character.isupper() or character == "&" or not character.isascii():
        return 1.1
    return 0.82
