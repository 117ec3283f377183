"""The marks on a pattern: start point, warp arrow, picture of the angles, edge names.

Flat coordinates: mm, origin at the start point, x along the warp, seen from inside the
hollow. Every function returns paths and texts and takes their place out of the room.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from math import atan2, ceil, cos, hypot, pi, radians, sin

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from drape.errors import place_text, plain
from drape.geometry.surface import Floats
from drape.layup.pattern import Pattern, PatternEdge
from drape.output.paths import LINE_SPACING, Path, Text, path, text_width, turned_box
from drape.output.placement import Point, Room, Size, readable

SMALLEST_TEXT = 2.5  # mm, legible at arm's length: common practice
CLEARANCE = 1.5  # mm from any writing to the cut line
LABEL_EVERY = 300.0  # mm along an edge, so that about every page shows its name


@dataclass
class Marks:
    """Paths and texts gathered so far; ``homeless`` is writing that found no room."""

    paths: list[Path] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    homeless: list[str] = field(default_factory=list)


def start_mark(marks: Marks, room: Room, cloth: BaseGeometry) -> None:
    """A small cross in a circle at the origin, if it is on the cloth; and its name."""
    origin = shapely.Point(0.0, 0.0)
    if not shapely.covers(cloth, origin):
        return
    radius = float(np.clip(0.6 * shapely.distance(cloth.boundary, origin), 1.0, 4.0))
    arm = 1.5 * radius
    marks.paths += [
        path("mark", _arc((0.0, 0.0), radius, 0.0, 2 * pi)[:-1], closed=True),
        path("mark", [[-arm, 0.0], [arm, 0.0]]),
        path("mark", [[0.0, -arm], [0.0, arm]]),
    ]
    room.take(origin.buffer(arm), 0.5)
    _place_text(marks, room, "start", (0.0, -arm - 3.0), (3.0, SMALLEST_TEXT))


def warp_arrow(marks: Marks, room: Room) -> None:
    """An arrow along the warp, on the first yarn where there is room, with its name."""
    lengths = (80.0, 60.0, 40.0, 25.0, 15.0, 10.0)
    for length in lengths:
        centre = (8.0 + length / 2, 0.0)
        if room.holds(turned_box(centre, length, 4.0, 0.0)):
            break
    else:
        found = room.place([(length, 4.0) for length in lengths], (8.0, 0.0))
        if found is None:
            marks.homeless.append(
                "the warp runs left to right on this sheet (no room for its arrow)"
            )
            return
        length, centre = lengths[found[0]], found[1]
    tail, tip = (centre[0] - length / 2, centre[1]), (centre[0] + length / 2, centre[1])
    marks.paths += _arrow(tail, tip)
    room.take(turned_box(centre, length, 4.0, 0.0), 0.5)
    _place_text(marks, room, "warp", (centre[0], centre[1] + 4.5), (4.0, 3.0, SMALLEST_TEXT))


def title(marks: Marks, room: Room, pattern: Pattern) -> None:
    """What this piece is and which face is up, as large as there is room for."""
    lines = [plain(line) for line in title_lines(pattern)]
    blocks = [lines, _joined(lines), [part for line in lines for part in _halved(line)]]
    heights = (5.0, 4.5, 4.0, 3.5, 3.0, SMALLEST_TEXT)
    angle = readable(_long_axis(room.area))
    short = [
        lines[0],
        f"{pattern.order} of {pattern.of}, {_degrees(pattern.angle_deg)}",
        "this face up",
    ]
    least = [[lines[0], "this face up"], [f"{lines[0]}, this face up"], [lines[0]]]
    if _place_block(marks, room, blocks, heights, angle):
        return
    marks.homeless += lines  # below the outline, and what can be on the cloth itself:
    for choice in ([short], least):
        if _place_block(marks, room, choice, heights, angle):
            return


def title_lines(pattern: Pattern) -> list[str]:
    """The title's lines."""
    side = "inside" if pattern.seen_from == "inside" else "the mould side"
    start = pattern.start_mm
    laid = [pattern.laid] if pattern.laid else []
    place = [] if start is None else [f"start at {place_text(start, 1)} mm"]
    return [
        pattern.piece,
        f"ply {pattern.ply}, half {pattern.half}",
        f"ply {pattern.order} of {pattern.of}, from the mould inward",
        *laid,
        f"angle {angle_words(pattern)}, seen from {side}",
        f"fabric {pattern.fabric}",
        *place,
        "this face up = inside, towards the bag",
    ]


def angle_words(pattern: Pattern) -> str:
    """The angle, and from which run it counts if it doesn't from the zero direction."""
    run = f" from {pattern.angle_from}" if pattern.angle_from else ""
    return f"{_degrees(pattern.angle_deg)}{run}"


def angle_picture(marks: Marks, room: Room, pattern: Pattern) -> None:
    """The zero direction and the warp as they lie here, and which way is positive.

    Positive angles run counter-clockwise seen from inside, as the sheet is seen; where
    the job's angles are seen from the mould side they run clockwise on the sheet.
    """
    sense = 1.0 if pattern.seen_from == "inside" else -1.0
    zero = -sense * radians(pattern.angle_deg)  # the warp is at 0 on this sheet
    side = "inside" if sense > 0 else "the mould side"
    caption = ["+ turns with the arrow", f"(angles seen from {side})"]
    for radius, height in ((15.0, 3.0), (12.0, 3.0), (10.0, SMALLEST_TEXT), (7.0, SMALLEST_TEXT)):
        words = _block_size(caption, height)
        reach, rise = radius + 4.0 * height, radius + 2.0 * height
        size = max(words[0], 2 * reach), 2 * rise + words[1]
        found = room.place([size], (0.0, 0.0))
        if found:
            x, y = found[1]
            middle = (x, y + words[1] / 2)
            _angle_rays(marks, middle, radius, height, zero, sense)
            marks.texts += block_texts(caption, (x, y - rise), height, 0.0)
            room.take(turned_box(found[1], *size, 0.0), 1.0)
            return
    marks.homeless += [f"positive angles turn {_sense_word(sense)} on this sheet"]


def edge_names(marks: Marks, room: Room, pattern: Pattern) -> None:
    """Name and allowance along every edge of the outline, inside it where there is room."""
    outside = Room(shapely.box(-1e6, -1e6, 1e6, 1e6))
    outside.take(shapely.Polygon(pattern.outline), CLEARANCE)
    for edge in pattern.edges:
        words = plain(edge_label(edge, allowance_words(edge)))
        line = shapely.LineString(edge_points(pattern.outline, edge))
        count = max(1, round(line.length / LABEL_EVERY))
        placed = [_along(marks, room, line, words, (i + 0.5) / count, 1) for i in range(count)]
        if not any(placed) and not _along(marks, outside, line, words, 0.5, -1):
            marks.homeless.append(words)


def edge_label(edge: PatternEdge, allowance: str) -> str:
    """An edge's name and its allowance in words; edges of cloth across the line have none."""
    bare = edge.kind == "border" and edge.allowance_mm == 0.0 and edge.greatest_mm is None
    return edge.name if bare else f"{edge.name} {allowance}"


def allowance_words(edge: PatternEdge) -> str:
    """The allowance in the trade's words, with its size in mm."""
    if edge.trim_to_mm is not None:
        proud = edge.allowance_mm - edge.trim_to_mm
        most = None if edge.greatest_mm is None else edge.greatest_mm - proud
        own = replace(edge, allowance_mm=edge.trim_to_mm, trim_to_mm=None, greatest_mm=most)
        return f"cut {proud:.4g} proud, trim in mould: {allowance_words(own)}"
    least = _one_allowance(edge.kind, edge.allowance_mm)
    if edge.greatest_mm is None:
        return least
    most_words = _one_allowance(edge.kind, edge.greatest_mm)
    same, _, size = most_words.partition(" ")
    return f"{least} to {size if size and least.startswith(same) else most_words}"


def _one_allowance(kind: str, allowance: float) -> str:
    size = f"{abs(allowance):.4g}"
    if float(size) == 0.0:
        return "flush"
    if allowance < 0:
        return f"set-back {size}"
    return f"lap {size}" if kind == "parting" else f"run-off {size}"


def edge_points(outline: Floats, edge: PatternEdge) -> Floats:
    """(k, 2) the outline from the edge's first vertex to its last, wrapping at the end."""
    n = len(outline)
    steps = (edge.last - edge.first) % n or n
    return outline[(edge.first + np.arange(steps + 1)) % n]


def block_texts(lines: list[str], centre: Point, height: float, rotation: float) -> list[Text]:
    """Lines of writing one under the other about ``centre``."""
    down = np.array([sin(rotation), -cos(rotation)]) * LINE_SPACING * height
    first = np.array(centre) - down * (len(lines) - 1) / 2
    places = [first + i * down for i in range(len(lines))]
    return [
        Text(line, (float(p[0]), float(p[1])), height, rotation)
        for line, p in zip(lines, places, strict=True)
    ]


def _along(
    marks: Marks, room: Room, line: shapely.LineString, words: str, at: float, side: int
) -> bool:
    """Write ``words`` beside ``line`` close to the fraction ``at``; whether there was room."""
    for height in (4.0, 3.5, 3.0, SMALLEST_TEXT):
        width = text_width(words, height)
        for centre, rotation in _beside(line, width, height, at, side):
            box = turned_box(centre, width, 1.5 * height, rotation)
            if room.holds(box):
                marks.texts.append(Text(words, centre, height, rotation))
                room.take(box, 0.5)
                return True
    return False


def _beside(
    line: shapely.LineString, width: float, height: float, at: float, side: int
) -> Iterator[tuple[Point, float]]:
    """Places for a box beside a line: close to it first, then further along and away."""
    for gap in (0.3, 1.0, 2.5, 5.0, 9.0, 14.0):
        for shift in (0.0, 0.1, -0.1, 0.2, -0.2, 0.3, -0.3, 0.4, -0.4):
            middle = (at + shift) * line.length
            if not 0.0 <= middle <= line.length:
                continue
            reach = min(width / 2, middle, line.length - middle)
            a, m, b = (np.array(line.interpolate(middle + s * reach).coords[0]) for s in (-1, 0, 1))
            along = (b - a) / max(hypot(*(b - a)), 1e-9)
            across = side * np.array([-along[1], along[0]])
            # off the chord or off the middle of the arc, whichever lies further in
            foot = m if across @ (m - a) > 0 else a + along * (along @ (m - a))
            centre = foot + across * (CLEARANCE + gap + 0.75 * height)
            yield (float(centre[0]), float(centre[1])), readable(atan2(along[1], along[0]))


def _place_block(
    marks: Marks, room: Room, blocks: list[list[str]], heights: tuple[float, ...], angle: float
) -> bool:
    """Write the block that can be written largest; whether there was room for any."""
    for height in heights:
        for block in blocks:
            for rotation in dict.fromkeys((0.0, angle)):
                size = _block_size(block, height)
                found = room.place([size], (0.0, 0.0), rotation)
                if found:
                    marks.texts += block_texts(block, found[1], height, rotation)
                    room.take(turned_box(found[1], *size, rotation), 1.0)
                    return True
    return False


def _place_text(
    marks: Marks, room: Room, words: str, near: Point, heights: tuple[float, ...]
) -> None:
    sizes: list[Size] = [(text_width(words, h), 1.5 * h) for h in heights]
    found = room.place(sizes, near)
    if found is None:
        return
    number, centre = found
    marks.texts.append(Text(words, centre, heights[number]))
    room.take(turned_box(centre, *sizes[number], 0.0), 0.5)


def _angle_rays(
    marks: Marks, middle: Point, radius: float, height: float, zero: float, sense: float
) -> None:
    def polar(length: float, angle: float) -> Point:
        return middle[0] + length * cos(angle), middle[1] + length * sin(angle)

    end = zero + sense * radians(80.0)
    arc = _arc(middle, 0.55 * radius, zero, end)
    marks.paths += [
        path("mark", [middle, polar(radius, zero)]),
        path("mark", arc),
        path("mark", _head(arc[-3], arc[-1], 2.5)),
        *_arrow(middle, polar(radius, 0.0)),
    ]
    sign = polar(0.55 * radius + 1.4 * height, zero + sense * radians(60.0))
    marks.texts.append(Text("+", sign, height))
    aligned = abs(sin(zero)) < 0.5 and cos(zero) > 0
    if aligned:  # the two rays are too close for two words at their ends
        marks.texts.append(Text("0°", polar(0.6 * radius, zero - sense * 0.45), height))
    else:
        marks.texts.append(Text("0°", polar(radius + 1.5 * height, zero), height))
    marks.texts.append(Text("warp", polar(radius + 2.0 * height, 0.0), height))


def _arrow(tail: Point, tip: Point) -> list[Path]:
    return [path("mark", [tail, tip]), path("mark", _head(np.array(tail), np.array(tip), 4.0))]


def _head(before: Floats, tip: Floats, size: float) -> Floats:
    """(3, 2) an open arrow head at ``tip``."""
    along = (tip - before) / max(hypot(*(tip - before)), 1e-9)
    across = np.array([-along[1], along[0]])
    back = tip - size * along
    return np.array([back + 0.35 * size * across, tip, back - 0.35 * size * across])


def _arc(centre: Point, radius: float, start: float, end: float) -> Floats:
    count = max(8, ceil(abs(end - start) / radians(7.5)))
    angles = np.linspace(start, end, count + 1)
    return np.array(centre) + radius * np.stack([np.cos(angles), np.sin(angles)], axis=1)


def _block_size(lines: list[str], height: float) -> Size:
    width = max(text_width(line, height) for line in lines)
    return width, height * (LINE_SPACING * (len(lines) - 1) + 1.5)


def _joined(lines: list[str]) -> list[str]:
    """Every two lines on one."""
    return [" · ".join(lines[i : i + 2]) for i in range(0, len(lines), 2)]


def _halved(line: str) -> list[str]:
    """A line broken at the blank nearest to its middle."""
    blanks = [i for i, c in enumerate(line) if c == " "]
    if len(line) < 16 or not blanks:
        return [line]
    at = min(blanks, key=lambda i: (abs(i - len(line) / 2), i))
    return [line[:at], line[at + 1 :]]


def _long_axis(area: BaseGeometry) -> float:
    """Direction of the longer side of the smallest rectangle round ``area``, radians."""
    if area.is_empty:
        return 0.0
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(area))
    sides = np.diff(corners[:3], axis=0)
    longest = sides[int(np.argmax(np.hypot(*sides.T).round(6)))]
    return round(atan2(longest[1], longest[0]), 9)


def _degrees(angle_deg: float) -> str:
    return f"{angle_deg:+.4g}°" if angle_deg else "0°"


def _sense_word(sense: float) -> str:
    return "counter-clockwise" if sense > 0 else "clockwise"
