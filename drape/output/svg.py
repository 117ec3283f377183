"""SVG of a drawing: one unit = one millimetre, y turned downward as SVG has it."""

from __future__ import annotations

from math import degrees
from xml.sax.saxutils import escape, quoteattr

from drape.output.paths import LAYERS, Drawing, Layer, Path, Text

MARGIN = 5.0  # mm of blank round the drawing
CAPITALS = 0.716  # height of capitals / font size in common sans-serif faces; from memory
STROKES: dict[Layer, str] = {
    "cut": 'stroke-width="0.35"',
    "edge": 'stroke-width="0.2" stroke-dasharray="4 2"',
    "mark": 'stroke-width="0.25"',
}


def to_svg(drawing: Drawing) -> bytes:
    """The drawing as an SVG 1.1 file, UTF-8.

    Width and height are in mm and the view box counts mm, so that every coordinate in
    the file is the drawing's own, with y negated. One group a layer, named by its id.
    """
    x0, y0, x1, y1 = drawing.bounds
    width, height = x1 - x0 + 2 * MARGIN, y1 - y0 + 2 * MARGIN
    view = " ".join(map(_number, (x0 - MARGIN, -y1 - MARGIN, width, height)))
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_number(width)}mm" '
        f'height="{_number(height)}mm" viewBox="{view}">',
        f"<title>{escape(drawing.name)}</title>",
        *(line for layer in LAYERS for line in _group(drawing, layer)),
        "</svg>",
    ]
    return ("\n".join(lines) + "\n").encode()


def _group(drawing: Drawing, layer: Layer) -> list[str]:
    paths = [_path(p) for p in drawing.paths if p.layer == layer]
    texts = [_text(t) for t in drawing.texts if t.layer == layer]
    if not paths and not texts:
        return []
    stroke = f'fill="none" stroke="black" {STROKES[layer]}' if layer in STROKES else ""
    style = stroke or 'fill="black" font-family="sans-serif" text-anchor="middle"'
    return [f"<g id={quoteattr(layer)} {style}>", *paths, *texts, "</g>"]


def _path(path: Path) -> str:
    points = " L ".join(f"{_number(x)} {_number(-y)}" for x, y in path.points)
    return f'<path d="M {points}{" Z" if path.closed else ""}"/>'


def _text(text: Text) -> str:
    x, y = _number(text.position[0]), _number(-text.position[1])
    turned = f" rotate({_number(-degrees(text.rotation))})" if text.rotation else ""
    return (
        f'<text transform="translate({x} {y}){turned}" y="{_number(text.height / 2)}" '
        f'font-size="{_number(text.height / CAPITALS)}">{escape(text.content)}</text>'
    )


def _number(value: float) -> str:
    """Four decimals at most, without trailing zeros and without a negative zero."""
    short = f"{value:.4f}".rstrip("0").rstrip(".")
    return "0" if short == "-0" else short
