"""A measured curve as a drawing: axes, curves, tangents and the locking angle.

160 mm × 100 mm on paper, for the bench's folder; the drawing's layers are those of a pattern:
``mark`` for axes and curves, ``edge`` (dashed) for tangents and limit, ``text``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drape.errors import plain
from drape.geometry.arrays import Floats
from drape.output.paths import Drawing, Path, Text, path, text_width

WIDTH, HEIGHT = 160.0, 100.0  # mm, of the field between the axes
TEXT, TICK = 2.5, 1.5  # mm
MOST_POINTS = 2000  # of a curve: finer can't be seen
TICKS = 8  # about as many an axis


@dataclass(frozen=True, eq=False)
class Line:
    """What is drawn: (k,) places in the axes' units; ``dashed`` for what isn't measured."""

    x: Floats
    y: Floats
    dashed: bool = False


def plot(
    name: str,
    lines: Sequence[Line],
    labels: tuple[str, str],
    marked: Sequence[tuple[float, str]] = (),
) -> Drawing:
    """Draw lines over axes that start at 0.

    Parameters
    ----------
    name : str
        Title, above the field.
    lines : sequence of Line
        Solid ones make the axes' ends; dashed ones are cut off at the field's border.
    labels : (str, str)
        Of the axes, with units.
    marked : sequence of (place, text)
        Dashed lines across the field at places on the x axis, with what they are.

    Returns
    -------
    Drawing
        mm, y upward.
    """
    solid = [line for line in lines if not line.dashed]
    ends = tuple(_end([getattr(line, a) for line in solid]) for a in "xy")
    scale = np.array([WIDTH / ends[0], HEIGHT / ends[1]])
    paths, texts = _axes(ends, labels)
    for line in lines:
        points = _clipped(np.column_stack([line.x, line.y]) * scale)
        if len(points) > 1:
            paths.append(path("edge" if line.dashed else "mark", _thinned(points)))
    for i, (place, said) in enumerate(marked):
        x = place * scale[0]
        if 0.0 <= x <= WIDTH:
            paths.append(path("edge", [[x, 0.0], [x, HEIGHT]]))
        said = plain(said)
        centre = TEXT + 0.5 * text_width(said, TEXT), HEIGHT - (1.5 + 2 * i) * TEXT
        texts.append(Text(said, centre, TEXT))
    texts.append(Text(plain(name), (0.5 * WIDTH, HEIGHT + 3 * TEXT), 1.2 * TEXT))
    return Drawing(plain(name), tuple(paths), tuple(texts))


def _axes(ends: tuple[float, ...], labels: tuple[str, str]) -> tuple[list[Path], list[Text]]:
    box = [[0.0, 0.0], [WIDTH, 0.0], [WIDTH, HEIGHT], [0.0, HEIGHT]]
    paths, texts = [path("mark", box, closed=True)], []
    for value in _ticks(ends[0]):
        x = value / ends[0] * WIDTH
        paths.append(path("mark", [[x, 0.0], [x, -TICK]]))
        texts.append(Text(f"{value:.6g}", (x, -TICK - TEXT), TEXT))
    for value in _ticks(ends[1]):
        y = value / ends[1] * HEIGHT
        paths.append(path("mark", [[0.0, y], [-TICK, y]]))
        texts.append(Text(f"{value:.6g}", (-TICK - 3 * TEXT, y), TEXT))
    texts.append(Text(labels[0], (0.5 * WIDTH, -TICK - 4 * TEXT), TEXT))
    left = -TICK - 7.5 * TEXT
    texts.append(Text(labels[1], (left, 0.5 * HEIGHT), TEXT, rotation=0.5 * math.pi))
    return paths, texts


def _step(reach: float) -> float:
    """The 1, 2 or 5 times a power of ten that makes about ``TICKS`` ticks."""
    rough = reach / TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    return power * next(f for f in (1.0, 2.0, 5.0, 10.0) if rough <= f * power * 1.0000001)


def _end(values: Sequence[Floats]) -> float:
    """The first tick at or past all values."""
    reach = max((float(v.max()) for v in values), default=0.0)
    reach = reach if reach > 0.0 else 1.0
    step = _step(reach)
    return step * math.ceil(reach / step - 1e-9)


def _ticks(end: float) -> Floats:
    step = _step(end)
    return np.asarray(step * np.arange(round(end / step) + 1), dtype=np.float64)


def _thinned(points: Floats) -> Floats:
    keep = np.linspace(0, len(points) - 1, min(len(points), MOST_POINTS)).round().astype(int)
    return points[keep]


def _clipped(points: Floats) -> Floats:
    """The polyline inside the field: points beside it are moved along it to the border."""
    out = list[Floats]()
    for a, b in pairwise(points):
        low, high = 0.0, 1.0
        for k, most in ((0, WIDTH), (1, HEIGHT)):
            step = b[k] - a[k]
            if step == 0.0:
                low, high = (low, high) if 0.0 <= a[k] <= most else (1.0, 0.0)
                continue
            enter, leave = sorted((-a[k] / step, (most - a[k]) / step))
            low, high = max(low, enter), min(high, leave)
        if low < high:
            ends = [a + low * (b - a), a + high * (b - a)]
            out += ends if not out or np.abs(out[-1] - ends[0]).max() > 1e-9 else ends[1:]
    return np.array(out).reshape(-1, 2)
