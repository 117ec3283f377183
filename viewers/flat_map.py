"""A ply's shear on its flat pattern, with the numbered marks and smoothing strokes.

For the sheets: also where no picture can be drawn, since this needs no GL. It is drawn with
matplotlib's renderer alone: its figures and axes take ten times as long to lay out. Lengths in
mm, flat coordinates; in pixels from the lower left corner where it is said.
"""

from __future__ import annotations

import io
from collections.abc import Sequence

import numpy as np
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.colors import to_rgb
from matplotlib.path import Path
from matplotlib.transforms import IdentityTransform
from numpy.typing import ArrayLike
from PIL import Image, ImageDraw

from drape.geometry.arrays import Floats
from viewers.scene.colours import Colour, bar_ticks, colours_of
from viewers.scene.schema import DrapedPly, SmoothingStroke
from viewers.scene.sheet import contour
from viewers.solid.bar import font

SIZE = (1200, 800)  # pixels
FRAME = ((30.0, 150.0), (1170.0, 770.0))  # pixels, of the map; the bar is below
BAR = ((184.0, 72.0), (1016.0, 94.0))  # pixels
ROUND = 12.0  # pixels, radius of a number's circle
QUICK = 1  # of zlib: the sheets pack it anew


def flat_map(ply: DrapedPly, top: float) -> bytes:
    """PNG of a ply that has a pattern; ``top`` is the upper end of the bar, degrees."""
    pattern = ply["pattern"]
    if pattern is None:
        raise ValueError("a ply without a pattern has no flat map")
    sheet, limit = ply["sheet"], ply["locking_angle_deg"]
    flat, shear = np.asarray(sheet["flat"]), np.abs(sheet["shear_deg"])
    reach = 0.1 * float(np.ptp(flat[:, 0]))
    strokes = [_Stroke(s, 0.7 * reach) for s in ply["strokes"]]
    place = _Place(np.vstack([flat, [[reach, 0.0]], *(s.tip for s in strokes)]))
    pen = _Pen()
    pen.triangles(place(flat)[sheet["triangles"]], colours_of(shear, top)[sheet["triangles"]])
    for segment in contour(flat, shear, sheet["triangles"], limit):
        pen.line(place(segment), Colour.INK, 3.3)
    for ring in (pattern["outline"], *pattern["holes"]):
        pen.line(place(np.append(ring, ring[:1], axis=0)), Colour.INK, 2.5)
    for stroke in strokes:
        pen.line(place(stroke.line), Colour.WHITE, 5.0)
        pen.line(place(stroke.line), Colour.MARK, 2.9)
        pen.arrow(place(stroke.line[-1]), place(stroke.tip), 2.9, 12.0)
    pen.arrow(place((0.0, 0.0)), place((reach, 0.0)), 5.0, 26.0)
    pen.dot(place((0.0, 0.0)), 6.0, Colour.MARK, Colour.MARK)
    for mark in pattern["marks"]:
        pen.number(place(mark["flat"]), mark["number"], Colour.INK)
    for stroke in strokes:
        pen.number(place(stroke.line[-1]), stroke.number, Colour.MARK)
    _bar(pen, top, limit)
    return pen.png()


class _Stroke:
    """A smoothing stroke: its line (k, 2), its number, and where its arrow ends (2,), mm."""

    def __init__(self, stroke: SmoothingStroke, reach: float) -> None:
        self.line, self.number = np.asarray(stroke["flat"]), stroke["number"]
        pull = stroke["pull_flat"]
        self.tip = self.line[-1] + reach * (np.zeros(2) if pull is None else np.asarray(pull))


class _Place:
    """Where flat coordinates come to lie, so that points (k, 2) fill FRAME."""

    def __init__(self, points: Floats) -> None:
        low, high = points.min(axis=0), points.max(axis=0)
        frame = np.array(FRAME)
        self.scale = float((np.diff(frame, axis=0)[0] / np.maximum(high - low, 1e-9)).min())
        self.middle, self.centre = 0.5 * (low + high), frame.mean(axis=0)

    def __call__(self, flat: ArrayLike) -> Floats:
        """(…, 2) pixels."""
        return self.centre + self.scale * (np.asarray(flat, float) - self.middle)


class _Pen:
    """Draws on a white picture; places, widths and sizes in pixels."""

    def __init__(self) -> None:
        self.renderer = RendererAgg(*SIZE, dpi=72)  # a point is a pixel
        self.texts: list[tuple[Floats, str, int, str]] = []
        corners = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * SIZE
        self._path(corners, None, 0.0, fill=Colour.WHITE)

    def _path(
        self, points: ArrayLike | Path, color: str | None, width: float, fill: str | None = None
    ) -> None:
        context = self.renderer.new_gc()
        context.set_linewidth(width)
        context.set_joinstyle("round")
        context.set_foreground(color or Colour.WHITE)
        path = points if isinstance(points, Path) else Path(np.asarray(points, float))
        face = None if fill is None else to_rgb(fill)
        self.renderer.draw_path(context, path, IdentityTransform(), face)

    def triangles(self, corners: Floats, colours: ArrayLike) -> None:
        """(m, 3, 2), their colours (m, 3, 3) from 0 to 255 blended between corners."""
        shades = np.ones((*corners.shape[:2], 4))
        shades[..., :3] = np.asarray(colours) / 255.0
        context = self.renderer.new_gc()
        self.renderer.draw_gouraud_triangles(context, corners, shades, IdentityTransform())

    def line(self, points: Floats, color: str, width: float) -> None:
        self._path(points, color, width)

    def dot(self, at: Floats, radius: float, color: str, fill: str) -> None:
        self._path(Path.circle(tuple(at), radius), color, 1.8, fill)

    def number(self, at: Floats, number: int, color: str) -> None:
        self.dot(at, ROUND if number < 10 else ROUND + 2.0, color, Colour.WHITE)
        self.words(at, str(number), 16, color)

    def arrow(self, tail: Floats, tip: Floats, width: float, head: float) -> None:
        """With a filled head of that length; nothing where it leads nowhere."""
        length = float(np.linalg.norm(tip - tail))
        if length == 0.0:
            return
        along = (tip - tail) / length
        back, across = tip - head * along, 0.5 * head * np.array([-along[1], along[0]])
        self.line(np.array([tail, back]), Colour.MARK, width)
        corners = [tip, back + across, back - across, tip]
        self._path(corners, Colour.MARK, 0.5, fill=Colour.MARK)

    def words(self, at: ArrayLike, text: str, size: int, color: str) -> None:
        """About a place; written over all that is drawn."""
        self.texts.append((np.asarray(at, float), text, size, color))

    def png(self) -> bytes:
        image = Image.fromarray(np.asarray(self.renderer.buffer_rgba())).convert("RGB")
        draw = ImageDraw.Draw(image)
        for (x, y), text, size, color in self.texts:
            draw.text((x, SIZE[1] - y), text, fill=color, font=font(size), anchor="mm")
        out = io.BytesIO()
        image.save(out, format="png", compress_level=QUICK)
        return out.getvalue()


def _bar(pen: _Pen, top: float, limit: float) -> None:
    """What the colours mean, with the limit marked."""
    (left, below), (right, above) = BAR
    x = np.linspace(left, right, 257)
    low, high = (np.column_stack([x, np.full(257, y)]) for y in (below, above))
    corners = [[low[:-1], low[1:], high[1:]], [low[:-1], high[1:], high[:-1]]]
    shades = colours_of(top * (x - left) / (right - left), top)
    a, b = shades[:-1], shades[1:]
    for part, colours in zip(corners, ([a, b, b], [a, b, a]), strict=True):
        pen.triangles(np.stack(part, axis=1), np.stack(colours, axis=1))
    frame = [(left, below), (right, below), (right, above), (left, above), (left, below)]
    pen.line(np.array(frame), Colour.INK, 1.6)

    def upright(angle: float, ends: Sequence[float], width: float) -> float:
        at = left + (right - left) * angle / top
        pen.line(np.array([(at, y) for y in ends]), Colour.INK, width)
        return at

    for angle in bar_ticks(top):
        at = upright(angle, (below, below - 7.0), 1.6)
        pen.words((at, below - 22.0), f"{angle:g}", 20, Colour.INK)
    upright(limit, (below, above), 6.0)
    text = f"shear, degrees; the limit is at {limit:g}; the arrow is the warp at the start"
    pen.words((0.5 * SIZE[0], below - 52.0), text, 20, Colour.INK)
