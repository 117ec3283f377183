"""Compiled kernels on triangles laid out in the plane: corners, and the fans round vertices.

Lengths in mm, angles in radians. Corner k of a face has edge k ahead of it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Ints1, Ints2


class Mesh(NamedTuple):
    """Triangles, (m, 3) each: vertices, neighbours across the edges, the shared edge's number
    in each neighbour, and the lengths of the sides, mm."""

    faces: Ints2
    neighbours: Ints2
    match: Ints2
    lengths: Floats2


@kernel
def corner_angle(lengths: Floats2, f: int, k: int) -> float:
    """Angle at a corner of a triangle with sides (m, 3), edge k from corner k."""
    a, b, c = lengths[f, k], lengths[f, (k + 2) % 3], lengths[f, (k + 1) % 3]
    cosine = (a * a + b * b - c * c) / max(2.0 * a * b, 1e-300)
    return np.arccos(min(1.0, max(-1.0, cosine)))


@kernel
def next_round(faces: Ints2, neighbours: Ints2, f: int, k: int) -> tuple[int, int]:
    """The corner (face, k) counter-clockwise of corner (f, k) at the same vertex, or −1."""
    g = neighbours[f, (k + 2) % 3]
    if g >= 0:
        for j in range(3):
            if faces[g, j] == faces[f, k]:
                return g, j
    return -1, k


@entry(writes="first theta total")
def fans(
    faces: Ints2, neighbours: Ints2, lengths: Floats2, first: Ints1, theta: Floats2, total: Floats1
) -> None:
    """Fill ``theta`` (m, 3), direction of the edge ahead of each corner round its vertex.

    Counter-clockwise from the border's edge, or any edge; ``total`` (n,): the sum of a
    vertex's angles; ``first`` (n,): the corner (3·face + k) it starts with, −1 if none.
    """
    for v in range(first.size):
        first[v] = -1
    for f in range(faces.shape[0]):
        for k in range(3):
            v = faces[f, k]
            if first[v] < 0 or neighbours[f, k] < 0:
                first[v] = 3 * f + k
    for v in range(first.size):
        if first[v] < 0:
            continue
        f, k = first[v] // 3, first[v] % 3
        begin = f
        while True:
            theta[f, k] = total[v]
            total[v] += corner_angle(lengths, f, k)
            f, k = next_round(faces, neighbours, f, k)
            if f < 0 or f == begin:
                break


@kernel
def apex(lengths: Floats2, f: int, k: int) -> tuple[float, float]:
    """Place (x, y) of the corner opposite edge k."""
    length, a, b = lengths[f, k], lengths[f, (k + 2) % 3], lengths[f, (k + 1) % 3]
    x = (length * length + a * a - b * b) / (2.0 * length)
    return x, np.sqrt(max(a * a - x * x, 0.0))


@kernel
def hit(x: float, dx: float, dy: float, px: float, py: float, qx: float, qy: float) -> float:
    """Where the ray from (x, 0) along (dx, dy) meets the edge p–q: its share from q."""
    ux, uy = px - qx, py - qy
    det = dx * uy - dy * ux
    if det == 0.0:
        return 0.0
    return (dx * (0.0 - qy) - dy * (x - qx)) / det
