"""DXF of all pieces: release R2010 in millimetres, one layer for each kind of line."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from math import degrees

import ezdxf
from ezdxf import options, units
from ezdxf.document import Drawing as Document
from ezdxf.enums import TextEntityAlignment
from ezdxf.layouts import Modelspace

from drape.output.paths import LAYERS, Drawing, Layer

Offset = tuple[float, float]

STYLE = "writing"
# colour numbers of the DXF palette: 1 red, 3 green, 5 blue, 7 black or white
COLOURS: dict[Layer, int] = {"cut": 1, "edge": 5, "mark": 3, "text": 7}


def side_by_side(drawings: Sequence[Drawing], gap: float = 20.0) -> list[Offset]:
    """Shifts in mm that put drawings in a row, ``gap`` mm apart, their lower ends on y = 0."""
    offsets, x = [], 0.0
    for drawing in drawings:
        x0, y0, x1, _ = drawing.bounds
        offsets.append((x - x0, -y0))
        x += x1 - x0 + gap
    return offsets


def to_dxf(
    drawings: Sequence[Drawing], offsets: Sequence[Offset] | None = None, gap: float = 20.0
) -> bytes:
    """All drawings in one DXF file (R2010, $INSUNITS = 4: mm).

    Parameters
    ----------
    drawings : sequence of Drawing
    offsets : sequence of (x, y) mm, optional
        Where each drawing's origin goes; side by side, ``gap`` mm apart, if not given.
    """
    places = side_by_side(drawings, gap) if offsets is None else offsets
    with _fixed_metadata():
        document = _document()
        space = document.modelspace()
        for drawing, offset in zip(drawings, places, strict=True):
            _add(space, drawing, offset)
        _sort_classes(document)
        stream = io.StringIO()
        document.write(stream)
    return stream.getvalue().encode("utf-8")


def _document() -> Document:
    document = ezdxf.new("R2010", units=units.MM)
    document.header["$MEASUREMENT"] = 1
    document.header["$LTSCALE"] = 1.0
    document.linetypes.add("EDGE_DASHES", pattern=[6.0, 4.0, -2.0], description="4 mm, 2 mm gap")
    document.styles.add(STYLE, font="arial.ttf")
    for layer in LAYERS:
        document.layers.add(layer, color=COLOURS[layer])
    document.layers.get("edge").dxf.linetype = "EDGE_DASHES"
    return document


def _sort_classes(document: Document) -> None:
    """Same drawings, same bytes: the library lists kinds of objects in the order of a set."""
    document.classes.add_required_classes(document.dxfversion)
    document.classes.classes = dict(sorted(document.classes.classes.items()))


def _add(space: Modelspace, drawing: Drawing, offset: Offset) -> None:
    dx, dy = offset
    for path in drawing.paths:
        points = [(x + dx, y + dy) for x, y in path.points.tolist()]
        space.add_lwpolyline(points, close=path.closed, dxfattribs={"layer": path.layer})
    for text in drawing.texts:
        attributes = {
            "layer": text.layer,
            "height": text.height,
            "rotation": degrees(text.rotation),
            "style": STYLE,
        }
        at = (text.position[0] + dx, text.position[1] + dy)
        entity = space.add_text(_safe(text.content), dxfattribs=attributes)
        entity.set_placement(at, align=TextEntityAlignment.MIDDLE_CENTER)


def _safe(content: str) -> str:
    r"""``content`` without what DXF reads as a code: %%u, \U+0041, ^J."""
    return content.replace("%", "%%%").replace("\\", "/").replace("^", "'")


@contextmanager
def _fixed_metadata() -> Iterator[None]:
    """Same drawings, same bytes: neither clock nor random ids go into the file."""
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before
