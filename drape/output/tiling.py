"""Tiling: which part of a drawing goes on which page, at 1:1.

All lengths in mm. A tile's *live area* is the part of the page inside the margins; it
shows a rectangle of the drawing of the same size, neither turned nor scaled. Neighbouring
tiles share a strip ``overlap`` wide, so that pages can be glued on each other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import ceil

import networkx
import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry.base import BaseGeometry

from drape.errors import InputError
from drape.geometry.surface import Floats

Bounds = tuple[float, float, float, float]

PRINTER_MARGIN = 8.0  # mm that office printers may leave blank: common practice
MARGIN = 14.0  # mm from the paper's edge to the live area: printer margin + one line of writing
OVERLAP = 10.0
SMALLEST_LIVE = 110.0  # mm, so that the 100 mm square has room on every page
LONGEST_PAGE = 5000.0  # mm; readers stop at 14400 points = 5080 mm (ISO 32000-1, annex C)


@dataclass(frozen=True)
class PageSize:
    """Paper: width and height in mm as the page is read."""

    name: str
    width: float
    height: float

    @property
    def turned(self) -> PageSize:
        """The same paper on its side."""
        return replace(self, width=self.height, height=self.width)


# ISO 216; ANSI/ASME Y14.1 size A
PAGES = {
    "A4": PageSize("A4", 210.0, 297.0),
    "A3": PageSize("A3", 297.0, 420.0),
    "Letter": PageSize("Letter", 215.9, 279.4),
}


@dataclass(frozen=True)
class Tile:
    """One page of a tiled drawing.

    Attributes
    ----------
    row, column : int
        From 1; row 1 is the uppermost, column 1 the leftmost.
    rows, columns : int
        Of the whole grid, pages that are left out included.
    live : (x least, y least, x greatest, y greatest) mm, in the drawing
    page : PageSize
    margin, overlap : float, mm
    """

    row: int
    column: int
    rows: int
    columns: int
    live: Bounds
    page: PageSize
    margin: float
    overlap: float

    def to_page(self, points: ArrayLike) -> Floats:
        """(…, 2) points of the drawing in mm from the page's lower left corner."""
        return np.asarray(points, dtype=float) - self.live[:2] + self.margin

    @property
    def area(self) -> shapely.Polygon:
        """The live area in the drawing."""
        return shapely.box(*self.live)

    @property
    def label(self) -> str:
        """Which tile this is, in words."""
        return f"row {self.row} of {self.rows} · column {self.column} of {self.columns}"


def tile(
    bounds: Bounds, page: PageSize, margin: float = MARGIN, overlap: float = OVERLAP
) -> tuple[Tile, ...]:
    """Cover ``bounds`` with the fewest pages of a regular grid, from its upper left corner.

    What is left over is on the last pages, in one piece: room for the scale square.

    Parameters
    ----------
    bounds : (x least, y least, x greatest, y greatest), mm
    page : PageSize
        As it is to be read: not turned here.
    margin, overlap : float, mm

    Returns
    -------
    tuple of Tile
        Row by row from the top.

    Raises
    ------
    InputError
        Margins below 8 mm, an overlap below 0, or a page too small for the scale square.
    """
    live = page.width - 2 * margin, page.height - 2 * margin
    _check(page, margin, overlap, min(live))
    x, columns = _starts(bounds[2] - bounds[0], live[0], overlap)
    y, rows = _starts(bounds[3] - bounds[1], live[1], overlap)
    left, top = bounds[0], bounds[3]
    return tuple(
        Tile(
            j + 1,
            i + 1,
            rows,
            columns,
            (left + x[i], top - y[j] - live[1], left + x[i] + live[0], top - y[j]),
            page,
            margin,
            overlap,
        )
        for j in range(rows)
        for i in range(columns)
    )


def used(tiles: tuple[Tile, ...], content: BaseGeometry) -> tuple[Tile, ...]:
    """The tiles that are needed for ``content``.

    Left out are those that are blank and those that show only what other pages show as
    well, unless the pages would then no longer hang together.
    """
    shapely.prepare(content)
    kept = [t for t in tiles if shapely.intersects(content, t.area)]
    for candidate in reversed(kept):
        others = [t for t in kept if t is not candidate]
        near = [t.area for t in others if _touch(t, candidate)]
        shown = shapely.intersection(content, candidate.area)
        if shapely.covers(shapely.union_all(near), shown) and _groups(others) <= _groups(kept):
            kept = others
    return tuple(kept)


def fewest(
    content: BaseGeometry, page: PageSize, margin: float = MARGIN, overlap: float = OVERLAP
) -> tuple[Tile, ...]:
    """The tiles of ``content`` upright or on the side, whichever needs fewer pages."""
    ways = [used(tile(content.bounds, p, margin, overlap), content) for p in (page, page.turned)]
    return min(ways, key=len)


def roll_page(bounds: Bounds, roll_width: float, margin: float = MARGIN) -> PageSize:
    """A page across the whole roll and as long as the drawing needs.

    The roll runs up the page, or along it where the drawing fits across only that way.
    Longer than 5 m, or wider than the roll, the drawing takes several pages.
    """
    width, height = bounds[2] - bounds[0] + 2 * margin, bounds[3] - bounds[1] + 2 * margin
    if width > roll_width >= height or (min(width, height) > roll_width and width > height):
        return PageSize("roll", _length(width, margin), roll_width)
    return PageSize("roll", roll_width, _length(height, margin))


def _length(needed: float, margin: float) -> float:
    return min(max(ceil(needed), SMALLEST_LIVE + 2 * margin), LONGEST_PAGE)


def _touch(one: Tile, other: Tile) -> bool:
    return max(abs(one.row - other.row), abs(one.column - other.column)) <= 1


def _groups(tiles: list[Tile]) -> int:
    """Into how many parts the pages fall when neighbours by a side are glued."""
    places = [(t.row, t.column) for t in tiles]
    grid = networkx.Graph()
    grid.add_nodes_from(places)
    right_and_down = ((1, 0), (0, 1))
    sides = (((r, c), (r + i, c + j)) for r, c in places for i, j in right_and_down)
    grid.add_edges_from(side for side in sides if side[1] in grid)
    return networkx.number_connected_components(grid) if places else 0


def _starts(length: float, live: float, overlap: float) -> tuple[list[float], int]:
    """Where equal stretches ``live`` long start that cover ``length``, and their number."""
    step = live - overlap
    count = max(1, ceil((length - overlap) / step))
    return [i * step for i in range(count)], count


def _check(page: PageSize, margin: float, overlap: float, live: float) -> None:
    if not margin >= PRINTER_MARGIN:
        raise InputError("the page margin is too small", value=f"{margin} mm", limit="8 mm or more")
    if not live >= SMALLEST_LIVE:
        raise InputError(
            "the page is too small",
            value=f"{page.width} x {page.height} mm",
            limit=f"{SMALLEST_LIVE + 2 * margin:g} mm or more both ways",
            remedy="use larger paper",
        )
    if not 0 <= overlap <= live / 2:
        raise InputError(
            "the overlap of the pages can't be used",
            value=f"{overlap} mm",
            limit=f"0 to {live / 2:g} mm",
        )
