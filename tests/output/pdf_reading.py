"""An independent reader of drawn lines: pypdf's operators, lengths in mm on the page."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from pypdf import PdfReader
from pypdf.generic import ContentStream

POINT = 25.4 / 72.0  # mm; a PDF's default unit is 1/72 inch (ISO 32000-1, 8.3.2.3)


@dataclass
class Stroke:
    points: np.ndarray
    width: float
    grey: float
    dashed: bool


def read(data: bytes) -> PdfReader:
    return PdfReader(io.BytesIO(data))


def page_size(page) -> tuple[float, float]:
    return float(page.mediabox.width) * POINT, float(page.mediabox.height) * POINT


def strokes(reader: PdfReader, page) -> list[Stroke]:
    """Every stroked polyline of a page, with the state it was stroked in."""
    matrix, width, grey, dashed = np.eye(3), 1.0, 0.0, False
    stack, found, current = [], [], []
    for operands, operator in ContentStream(page.get_contents(), reader).operations:
        v = [float(o) for o in operands if isinstance(o, int | float)]
        if operator == b"q":
            stack.append((matrix, width, grey, dashed))
        elif operator == b"Q":
            matrix, width, grey, dashed = stack.pop()
        elif operator == b"cm":
            matrix = np.array([[v[0], v[1], 0], [v[2], v[3], 0], [v[4], v[5], 1]]) @ matrix
        elif operator == b"w":
            width = v[0]
        elif operator in (b"G", b"RG"):
            grey = v[0]
        elif operator == b"d":
            dashed = len(operands[0]) > 0
        elif operator == b"m":
            current.append([v])
        elif operator == b"l":
            current[-1].append(v)
        elif operator == b"h":
            current[-1].append(current[-1][0])
        elif operator == b"S":
            scale = np.sqrt(abs(np.linalg.det(matrix[:2, :2])))
            for line in current:
                points = (np.c_[np.array(line), np.ones(len(line))] @ matrix)[:, :2] * POINT
                found.append(Stroke(points, width * scale * POINT, grey, dashed))
            current = []
        elif operator in (b"n", b"f", b"f*", b"B"):
            current = []
    return found


def cut_lines(lines: list[Stroke]) -> list[np.ndarray]:
    return [s.points for s in lines if abs(s.width - 0.35) < 1e-4]


def crosses(lines: list[Stroke]) -> np.ndarray:
    """(k, 2) centres of the registration crosses: level and upright arms of 2 x 4 mm."""
    arms = [
        s.points
        for s in lines
        if len(s.points) == 2
        and abs(s.width - 0.15) < 1e-4
        and abs(np.hypot(*np.diff(s.points, axis=0)[0]) - 8.0) < 1e-3
    ]
    level = {tuple(p.mean(axis=0).round(3)) for p in arms if abs(p[0, 1] - p[1, 1]) < 1e-6}
    upright = {tuple(p.mean(axis=0).round(3)) for p in arms if abs(p[0, 0] - p[1, 0]) < 1e-6}
    return np.array(sorted(level & upright))
