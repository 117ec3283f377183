"""Drawing of a pattern: what goes to the bench, as paths and texts in mm.

Flat coordinates: mm, origin at the start point, x along the warp, y along the weft, seen
from inside the hollow: the face that is drawn up is the one towards the bag.
"""

from __future__ import annotations

import shapely

from drape.errors import plain
from drape.layup.pattern import Pattern
from drape.output.marks import (
    CLEARANCE,
    SMALLEST_TEXT,
    Marks,
    angle_picture,
    block_texts,
    edge_names,
    start_mark,
    title,
    warp_arrow,
)
from drape.output.paths import LAYERS, LINE_SPACING, Drawing, Layer, Path, Text, path
from drape.output.placement import Room

__all__ = ["LAYERS", "Drawing", "Layer", "Path", "Text", "pattern_drawing"]


def pattern_drawing(pattern: Pattern) -> Drawing:
    """Draw a pattern: the cut line, where the edges lie, marks and writing.

    Writing stays inside the outline where it fits at 2.5 mm or more, clear of the cut
    line; what doesn't fit is written below the outline.

    Parameters
    ----------
    pattern : Pattern

    Returns
    -------
    Drawing
        mm; its name is the piece's.
    """
    cuts = [path("cut", ring, closed=True) for ring in (pattern.outline, *pattern.holes)]
    edges = [path("edge", points) for _, points in pattern.edge_lines]
    cloth = shapely.make_valid(shapely.Polygon(pattern.outline, pattern.holes))
    room = Room(shapely.simplify(cloth.buffer(-CLEARANCE), 0.05))
    marks = Marks()
    start_mark(marks, room, cloth)
    for line in edges:
        room.take(shapely.LineString(line.points), 0.6)
    snips = [path("mark", points) for points in pattern.snips]
    for line in snips:
        room.take(shapely.LineString(line.points), 0.6)
    warp_arrow(marks, room)
    title(marks, room, pattern)
    edge_names(marks, room, pattern)
    angle_picture(marks, room, pattern)
    if snips:
        often = "1 snip" if len(snips) == 1 else f"{len(snips)} snips"
        marks.homeless.append(f"short lines at the cut line: {often} into the laps")
    below = _below(marks.homeless, cloth.bounds)
    return Drawing(
        plain(pattern.piece), (*cuts, *edges, *snips, *marks.paths), (*marks.texts, *below)
    )


def _below(lines: list[str], bounds: tuple[float, float, float, float]) -> list[Text]:
    """Lines of writing under the outline."""
    depth = LINE_SPACING * SMALLEST_TEXT * len(lines)
    centre = (bounds[0] + bounds[2]) / 2, bounds[1] - 9.0 - depth / 2
    return block_texts(lines, centre, SMALLEST_TEXT, 0.0)
