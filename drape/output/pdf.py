"""PDF of all pieces at 1:1: vector pages to print, glue and cut along.

Every page is drawn in mm (one scaling at its start). What goes round the drawing
(crosses, scale square, map of the tiles, hints) is in ``page_marks``.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from math import degrees

import shapely
from reportlab.lib.units import mm as MM
from reportlab.pdfgen.canvas import Canvas
from shapely.geometry.base import BaseGeometry

from drape.errors import InputError
from drape.output.page_marks import (
    FONT,
    binary_streams,
    draw_corner_crosses,
    draw_frame,
    draw_hints,
    draw_labels,
    draw_scale_square,
    draw_tile_map,
    font_size,
    polyline,
    printable,
)
from drape.output.paths import Drawing, Layer, Path, Text
from drape.output.placement import Room
from drape.output.tiling import (
    MARGIN,
    OVERLAP,
    PAGES,
    PageSize,
    Tile,
    fewest,
    roll_page,
    tile,
    used,
)

WIDTHS: dict[Layer, float] = {"cut": 0.35, "edge": 0.2, "mark": 0.25}  # mm
BLANK = 2.0  # mm kept between the drawing and the live area's rim


def to_pdf(
    drawings: Sequence[Drawing],
    page: str | PageSize = "A4",
    *,
    roll_width: float | None = None,
    margin: float = MARGIN,
    overlap: float = OVERLAP,
    heading: str = "",
) -> bytes:
    """All drawings in one PDF, each on as many pages as it needs.

    Parameters
    ----------
    drawings : sequence of Drawing
    page : str or PageSize
        ``A4``, ``A3``, ``Letter`` or paper of another size.
    roll_width : float, optional
        mm; one page across the roll for each drawing, in place of ``page``.
    margin, overlap : float, mm
    heading : str
        Job, date and the like, under every page.

    Returns
    -------
    bytes
        The same for the same drawings.

    Raises
    ------
    InputError
        No drawings, an unknown page, or sizes that can't be used.
    """
    if not drawings:
        raise InputError("there is no piece to print")
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1, pageCompression=1, initialFontName=FONT)
    canvas.setTitle("Cut patterns 1:1")
    tilings = [drawing_tiles(d, page, roll_width, margin, overlap) for d in drawings]
    total, first = sum(map(len, tilings)), 1
    with binary_streams():
        for drawing, tiles in zip(drawings, tilings, strict=True):
            _draw_piece(canvas, drawing, tiles, first, total, heading)
            first += len(tiles)
        canvas.save()
    return stream.getvalue()


def drawing_tiles(
    drawing: Drawing,
    page: str | PageSize = "A4",
    roll_width: float | None = None,
    margin: float = MARGIN,
    overlap: float = OVERLAP,
) -> tuple[Tile, ...]:
    """The tiles of a drawing that are printed, in the order of the pages."""
    content = _content(drawing)
    if roll_width is not None:
        size = roll_page(content.bounds, roll_width, margin)
        return used(tile(content.bounds, size, margin, overlap), content)
    return fewest(content, _page_size(page), margin, overlap)


def _page_size(page: str | PageSize) -> PageSize:
    if isinstance(page, PageSize):
        return page
    if page not in PAGES:
        raise InputError("unknown page size", value=page, limit=", ".join(PAGES))
    return PAGES[page]


def _content(drawing: Drawing) -> BaseGeometry:
    """Everything that must be on paper, with a little blank round it."""
    lines = [shapely.LineString(p.points) for p in drawing.paths if len(p.points) > 1]
    boxes = [text.box for text in drawing.texts]
    every = shapely.union_all([drawing.cloth, *lines, *boxes])
    return shapely.simplify(every, 0.1).buffer(BLANK + 0.1, quad_segs=2)


def _draw_piece(
    canvas: Canvas,
    drawing: Drawing,
    tiles: tuple[Tile, ...],
    first: int,
    total: int,
    heading: str,
) -> None:
    name = printable(drawing.name)
    lines = [(p, shapely.LineString(_closed(p))) for p in drawing.paths]
    boxes = [text.box for text in drawing.texts]
    taken = shapely.union_all([*(line for _, line in lines), *boxes])
    pages = {(t.row, t.column): first + i for i, t in enumerate(tiles)}
    for number, this in enumerate(tiles, start=first):
        canvas.setPageSize((this.page.width * MM, this.page.height * MM))
        if number == first:
            canvas.bookmarkPage(f"piece-{first}")
            canvas.addOutlineEntry(name, f"piece-{first}")
        canvas.scale(MM, MM)
        canvas.setLineCap(1)
        canvas.setLineJoin(1)
        draw_frame(canvas, this)
        for path, line in lines:
            _draw_path(canvas, this, path, line)
        _draw_texts(canvas, this, drawing.texts)
        draw_corner_crosses(canvas, this)
        here = shapely.intersection(taken, this.area)
        room = Room(this.area.buffer(-BLANK))
        room.take(shapely.simplify(here, 0.1), BLANK + 0.1)
        must = this in (tiles[0], tiles[-1])
        draw_scale_square(canvas, this, here, room, must)
        if len(tiles) > 1:
            draw_tile_map(canvas, this, tiles, drawing, room)
        draw_labels(canvas, this, name, number, total, heading)
        draw_hints(canvas, this, pages)
        canvas.showPage()


def _draw_path(canvas: Canvas, tile: Tile, path: Path, line: shapely.LineString) -> None:
    """The part of ``path`` that lies on the tile: clipped here, not by the reader."""
    canvas.setLineWidth(WIDTHS[path.layer])
    canvas.setDash([4, 2] if path.layer == "edge" else [])
    for part in shapely.get_parts(shapely.intersection(line, tile.area)):
        if part.geom_type == "LineString" and not part.is_empty:
            polyline(canvas, tile.to_page(part.coords), closed=False)
    canvas.setDash([])


def _draw_texts(canvas: Canvas, tile: Tile, texts: Sequence[Text]) -> None:
    canvas.saveState()
    (x0, y0), (x1, y1) = tile.to_page([tile.live[:2], tile.live[2:]]).tolist()
    window = canvas.beginPath()
    window.rect(x0, y0, x1 - x0, y1 - y0)
    canvas.clipPath(window, stroke=0, fill=0)
    for text in texts:
        if not shapely.intersects(text.box, tile.area):
            continue
        canvas.saveState()
        canvas.translate(*tile.to_page(text.position).tolist())
        canvas.rotate(degrees(text.rotation))
        canvas.setFont(FONT, font_size(text.height))
        canvas.drawCentredString(0, -text.height / 2, printable(text.content))
        canvas.restoreState()
    canvas.restoreState()


def _closed(path: Path) -> list[list[float]]:
    points = path.points.tolist()
    return [*points, points[0]] if path.closed else points
