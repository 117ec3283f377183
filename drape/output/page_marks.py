"""What a page shows round the drawing, for printing, checking and gluing.

The left and the upper rim of a page are cut off where a neighbour lies there, and the
page is laid over that neighbour so that the crosses of both meet.
All lengths in mm; a page's origin is its lower left corner.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from itertools import product
from unicodedata import normalize

import numpy as np
import shapely
from numpy.typing import ArrayLike
from reportlab import rl_config
from reportlab.pdfbase.pdfmetrics import stringWidth
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry.base import BaseGeometry

from drape.geometry.surface import Floats
from drape.output.paths import LINE_SPACING, Drawing
from drape.output.placement import Room
from drape.output.tiling import Bounds, Tile

FONT = "Helvetica"
CAPITALS = 0.718  # height of capitals / font size (Adobe font metrics of Helvetica)
HAIRLINE, THIN = 0.1, 0.15
GREY, SQUARE_GREY = 0.55, 0.3
SQUARE = 100.0  # mm
SQUARE_WORDS = (
    "measure: must be 100 mm both ways;",
    "print at 100 %, no fit-to-page",
    "not a cut line",
)
CROSS = 4.0  # mm, arm
MAP = 32.0  # mm, longer side of the map of the tiles
WORDS = 2.6  # mm, capitals of the writing in the margins


@contextmanager
def binary_streams() -> Iterator[None]:
    """PDFs made within hold their streams as bytes: as letters they are a quarter larger, and
    pictures take seconds to spell out."""
    before, rl_config.useA85 = rl_config.useA85, 0
    try:
        yield
    finally:
        rl_config.useA85 = before


def polyline(canvas: Canvas, points: ArrayLike, closed: bool) -> None:
    """Stroke a polyline of (k, 2) points on the page."""
    (x, y), *others = np.asarray(points, dtype=float).tolist()
    path = canvas.beginPath()
    path.moveTo(x, y)
    for px, py in others:
        path.lineTo(px, py)
    if closed:
        path.close()
    canvas.drawPath(path)


def font_size(height: float) -> float:
    """Font size for capitals of ``height``."""
    return height / CAPITALS


def printable(content: str) -> str:
    """``content`` in the characters that the standard PDF fonts have; others as ``?``."""
    return "".join(_in_font(c) for c in content)


def draw_frame(canvas: Canvas, tile: Tile) -> None:
    """The live area's rim, and dotted where the neighbours' rims come to lie."""
    grey(canvas, GREY)
    canvas.setLineWidth(HAIRLINE)
    x0, y0, x1, y1 = tile.live
    polyline(canvas, tile.to_page([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]), closed=True)
    canvas.setDash([0.1, 1.2])
    for x in (x1 - tile.overlap,) if tile.column < tile.columns else ():
        polyline(canvas, tile.to_page([(x, y0), (x, y1)]), closed=False)
    for y in (y0 + tile.overlap,) if tile.row < tile.rows else ():
        polyline(canvas, tile.to_page([(x0, y), (x1, y)]), closed=False)
    canvas.setDash([])
    grey(canvas, 0.0)


def cross_points(tile: Tile) -> Floats:
    """(k, 2) corners of this tile's live area and of its neighbours' that lie on it, mm."""
    x0, y0, x1, y1 = tile.live
    xs, ys = {x0, x1}, {y0, y1}
    xs |= {x0 + tile.overlap} if tile.column > 1 else set()
    xs |= {x1 - tile.overlap} if tile.column < tile.columns else set()
    ys |= {y0 + tile.overlap} if tile.row < tile.rows else set()
    ys |= {y1 - tile.overlap} if tile.row > 1 else set()
    return np.array(list(product(sorted(xs), sorted(ys))))


def draw_corner_crosses(canvas: Canvas, tile: Tile) -> None:
    """Crosses by which neighbouring pages are laid on each other."""
    canvas.setLineWidth(THIN)
    for x, y in tile.to_page(cross_points(tile)).tolist():
        polyline(canvas, [(x - CROSS, y), (x + CROSS, y)], closed=False)
        polyline(canvas, [(x, y - CROSS), (x, y + CROSS)], closed=False)


def draw_scale_square(
    canvas: Canvas, tile: Tile, here: BaseGeometry, room: Room, must: bool
) -> None:
    """A square of 100 mm with a tick every 10 mm, where it is clear of the drawing.

    Where it isn't clear anywhere it is left out, unless it ``must`` be there: then it
    stands where it crosses the least of the drawing.
    """
    place = square_place(tile, here, must)
    if place is None:
        return
    x, y = place
    corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * SQUARE + (x, y)
    canvas.setLineWidth(THIN)
    grey(canvas, SQUARE_GREY)
    polyline(canvas, tile.to_page(corners), closed=True)
    for tick in np.arange(10.0, SQUARE, 10.0):
        polyline(canvas, tile.to_page([(x + tick, y), (x + tick, y + 2)]), closed=False)
        polyline(canvas, tile.to_page([(x, y + tick), (x + 2, y + tick)]), closed=False)
    grey(canvas, 0.0)
    square = shapely.box(x, y, x + SQUARE, y + SQUARE)
    inside = Room(shapely.intersection(room.area, square.buffer(-3.0)))
    size = _words_size(SQUARE_WORDS, WORDS)
    found = inside.place([size], (x + SQUARE / 2, y + 12.0))
    middle = found[1] if found else (x + SQUARE / 2, y + 12.0)
    _write_block(canvas, tile, SQUARE_WORDS, middle, WORDS)
    room.take(square.exterior, 1.5)
    room.take(shapely.box(*_about(middle, *size)), 1.0)


def square_place(tile: Tile, here: BaseGeometry, must: bool) -> tuple[float, float] | None:
    """Lower left corner of the scale square in the drawing, or None.

    Best is a place where the square is wholly clear, then one where its four sides are.
    """
    x0, y0, x1, y1 = tile.live
    xs = np.linspace(x0 + 3.0, x1 - 3.0 - SQUARE, 12)
    ys = np.linspace(y0 + 3.0, y1 - 3.0 - SQUARE, 16)
    corners = np.array([(x, y) for y in ys for x in xs])
    squares = shapely.box(*corners.T, *(corners + SQUARE).T)
    sides = shapely.boundary(squares)
    shapely.prepare(here)
    for shapes in (squares, sides):
        clear = ~shapely.dwithin(shapes, here, 2.0)
        if clear.any():
            x, y = corners[int(np.argmax(clear))]
            return float(x), float(y)
    if not must:
        return None
    crossed = shapely.length(shapely.intersection(sides, here.buffer(1.0)))
    x, y = corners[int(np.argmin(crossed.round(6)))]
    return float(x), float(y)


def draw_tile_map(
    canvas: Canvas, tile: Tile, tiles: tuple[Tile, ...], drawing: Drawing, room: Room
) -> None:
    """A small picture of all pages of the piece, this one grey; only where there is room."""
    whole = _whole(tiles)
    scale = MAP / max(whole[2] - whole[0], whole[3] - whole[1])
    size = (whole[2] - whole[0]) * scale, (whole[3] - whole[1]) * scale
    found = room.place([(size[0] + 2, size[1] + 2)], (tile.live[0], tile.live[3]))
    if found is None:
        return
    room.take(shapely.box(*_about(found[1], *size)), 2.0)
    corner = tile.to_page(found[1]) - np.array(size) / 2

    def small(points: ArrayLike) -> Floats:
        return corner + scale * (np.asarray(points, dtype=float) - whole[:2])

    canvas.setFillGray(0.85)
    (x0, y0), (x1, y1) = small([tile.live[:2], tile.live[2:]]).tolist()
    canvas.rect(x0, y0, x1 - x0, y1 - y0, stroke=0, fill=1)
    canvas.setFillGray(0.0)
    canvas.setLineWidth(HAIRLINE)
    for other in tiles:
        polyline(canvas, small(other.area.exterior.coords[:-1]), closed=True)
    canvas.setLineWidth(0.2)
    for path in drawing.paths:
        if path.layer == "cut":
            ring = shapely.simplify(shapely.LinearRing(path.points), 0.1 / scale)
            polyline(canvas, small(ring.coords), closed=False)


def draw_labels(
    canvas: Canvas, tile: Tile, name: str, number: int, total: int, heading: str
) -> None:
    """Piece, row and column on the left, page of pages on the right; above and below.

    A ``heading`` takes the place of the upper left one.
    """
    left, right = tile.margin, tile.page.width - tile.margin
    canvas.setFont(FONT, font_size(WORDS))
    inset = tile.overlap + CROSS + 1.0  # clear of the neighbours' crosses
    room = (right - left) / 3
    label = f"{_shortened(name, room / 2)} · {tile.label}"
    above, below = tile.page.height - tile.margin + 2.0, tile.margin - 2.0 - WORDS
    top = _shortened(printable(heading), 2.0 * room - inset) if heading else label
    for y, words in ((above, top), (below, label)):
        canvas.drawString(left + inset, y, words)
        canvas.drawRightString(right - inset, y, f"page {number} of {total}")


def draw_hints(canvas: Canvas, tile: Tile, pages: Mapping[tuple[int, int], int]) -> None:
    """What to do at each rim that has a neighbour."""
    w, h, m = tile.page.width, tile.page.height, tile.margin
    middle = 2.0 + WORDS / 2  # of the writing, from the rim outward
    row, column = tile.row, tile.column
    rims = (
        ((row, column - 1), "cut along this line, lay over page {}", (m - middle, h / 2), 90.0),
        ((row, column + 1), "page {} goes over this strip", (w - m + middle, h / 2), 90.0),
        ((row - 1, column), "cut along this line, lay over page {}", (w * 0.57, h - m + middle), 0),
        ((row + 1, column), "page {} goes over this strip", (w * 0.57, m - middle), 0.0),
    )
    for neighbour, words, (x, y), angle in rims:
        if neighbour in pages:
            canvas.saveState()
            canvas.translate(x, y)
            canvas.rotate(angle)
            canvas.setFont(FONT, font_size(WORDS))
            canvas.drawCentredString(0, -WORDS / 2, words.format(pages[neighbour]))
            canvas.restoreState()


def grey(canvas: Canvas, level: float) -> None:
    """Lines and writing in grey, 0 black to 1 white."""
    canvas.setStrokeGray(level)
    canvas.setFillGray(level)


def _write_block(
    canvas: Canvas, tile: Tile, lines: tuple[str, ...], middle: tuple[float, float], height: float
) -> None:
    canvas.setFont(FONT, font_size(height))
    x, y = tile.to_page(middle).tolist()
    top = y + LINE_SPACING * height * (len(lines) - 1) / 2 - height / 2
    for i, line in enumerate(lines):
        canvas.drawCentredString(x, top - i * LINE_SPACING * height, line)


def _words_size(lines: tuple[str, ...], height: float) -> tuple[float, float]:
    width = max(stringWidth(line, FONT, font_size(height)) for line in lines)
    return width + 2.0, height * (LINE_SPACING * (len(lines) - 1) + 1.5)


def _shortened(words: str, width: float) -> str:
    """``words`` cut at its end to ``width`` mm in the margins' writing."""
    size = font_size(WORDS)
    if stringWidth(words, FONT, size) <= width:
        return words
    while words and stringWidth(words + "…", FONT, size) > width:
        words = words[:-1]
    return words + "…"


def _about(centre: tuple[float, float], width: float, height: float) -> Bounds:
    x, y = centre
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _whole(tiles: tuple[Tile, ...]) -> Bounds:
    lives = np.array([t.live for t in tiles])
    (x0, y0), (x1, y1) = lives[:, :2].min(axis=0), lives[:, 2:].max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _in_font(character: str) -> str:
    """The character if Windows-1252 has it, else its base letter, else a question mark."""
    for form in (character, normalize("NFKD", character)[:1]):
        try:
            form.encode("cp1252")
        except UnicodeEncodeError:
            continue
        return form
    return "?"
