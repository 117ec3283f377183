"""Compiled kernels on a smooth surface: evaluate, walk.

Words
-----
patch    the cubic over one triangle that interpolates its corners and their normals
         (Vlachos, Peters, Boyd, Mitchell 2001, 'Curved PN triangles', key ``vlachos2001``)
weights  barycentric weights of a face's corners; (b1, b2) are those of corners 1 and 2
walk     straightest walk over the flat facets, unfolding at edges (Polthier & Schmies
         1998, key ``polthier1998``): where a step from a point ends

The kernels work on ``Patches`` and on small float rows that hold a point: ROW doubles
with X, n, Xu, Xv (position, unit normal, derivatives by the weights b1 and b2) and the
place (face, b1, b2) kept beside them. Lengths in mm.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Floats3, Ints1

ROW = 14  # X 0:3, n 3:6, Xu 6:9, Xv 9:12, b1 12, b2 13
MOST_CROSSINGS = 2000
SAME_SIDE = np.cos(np.radians(25.0))  # normals farther apart: a crease may lie between


class Patches(NamedTuple):
    """A smooth surface, as the kernels want it: few arrays, since each costs every call.

    control : (m, 13, 3) Bézier points 300 030 003 210 120 021 012 102 201 111, and the
        unit normals at the three corners
    links : (m, 3, 4) for each edge k the face across it (−1 at a border), the shared
        edge's number there, the ratio of heights and the shift along the edge (for walking
        across); on a surface with creases (m, 3, 5), the last one 1 where k is one
    fine : bool, whether lengths are measured by sampling; else chord and normals do
    """

    control: Floats3
    links: Floats3
    fine: bool


@entry(writes="row")
def evaluate(patches: Patches, face: int, b1: float, b2: float, row: Floats1) -> None:
    """Fill ``row`` with position, normal and derivatives at a place on the surface."""
    b0 = 1.0 - b1 - b2
    b00, b11, b22 = b0 * b0, b1 * b1, b2 * b2
    b01, b02, b12 = 2.0 * b0 * b1, 2.0 * b0 * b2, 2.0 * b1 * b2
    p = patches.control[face]
    length = 0.0
    for c in range(3):
        q0 = b00 * p[0, c] + b01 * p[3, c] + b02 * p[8, c]
        q0 += b11 * p[4, c] + b12 * p[9, c] + b22 * p[7, c]
        q1 = b00 * p[3, c] + b01 * p[4, c] + b02 * p[9, c]
        q1 += b11 * p[1, c] + b12 * p[5, c] + b22 * p[6, c]
        q2 = b00 * p[8, c] + b01 * p[9, c] + b02 * p[7, c]
        q2 += b11 * p[5, c] + b12 * p[6, c] + b22 * p[2, c]
        row[c] = b0 * q0 + b1 * q1 + b2 * q2
        row[6 + c] = 3.0 * (q1 - q0)
        row[9 + c] = 3.0 * (q2 - q0)
        row[3 + c] = b0 * p[10, c] + b1 * p[11, c] + b2 * p[12, c]
        length += row[3 + c] * row[3 + c]
    length = np.sqrt(length)
    for c in range(3):
        row[3 + c] /= length
    row[12], row[13] = b1, b2


@entry(writes="rows")
def evaluate_all(patches: Patches, faces: Ints1, weights: Floats2, rows: Floats2) -> None:
    """Fill ``rows`` (k, ROW) at places (k,) faces and (k, 2) weights b1, b2."""
    for i in range(faces.size):
        evaluate(patches, faces[i], weights[i, 0], weights[i, 1], rows[i])


@kernel
def copy(source: Floats1, target: Floats1) -> None:
    """Write ``source`` (k,) over ``target`` (k,)."""
    for c in range(target.size):
        target[c] = source[c]


@kernel
def first_hit(b: tuple[float, float, float], d: tuple[float, float, float]) -> tuple[int, float]:
    """Corner whose weight runs out first on the step ``d`` from weights ``b``, and when.

    −1 where the step ends within the face.
    """
    hit, when = -1, 1.0
    for c in range(3):
        if d[c] < 0.0 and b[c] + d[c] < 0.0:
            t = max(b[c], 0.0) / -d[c]
            if t < when:
                hit, when = c, t
    return hit, when


@kernel
def unfolded_step(
    patches: Patches,
    face: int,
    k: int,
    b: tuple[float, float, float],
    d: tuple[float, float, float],
    rest: float,
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Weights and remaining step in the face across edge k, from those on the edge."""
    link = patches.links[face, k]
    j, end, hit = int(link[1]), (k + 1) % 3, (k + 2) % 3
    ratio, shift = link[2], link[3]
    at_end, at_first = max(b[end], 0.0), max(b[k], 0.0)
    total = at_end + at_first
    at_end /= total
    along = (d[end] + d[hit] * shift) * rest
    into = -ratio * d[hit] * rest
    if j == 0:
        return (at_end, 1.0 - at_end, 0.0), (along, -along - into, into)
    if j == 1:
        return (0.0, at_end, 1.0 - at_end), (into, along, -along - into)
    return (1.0 - at_end, 0.0, at_end), (-along - into, into, along)


@entry()
def walk(
    patches: Patches, face: int, b1: float, b2: float, d1: float, d2: float
) -> tuple[int, float, float, bool]:
    """Straightest walk from a place by a step given in weights of its face.

    Returns (face, b1, b2, arrived); not arrived: stopped at a border.
    """
    b = (1.0 - b1 - b2, b1, b2)
    d = (-d1 - d2, d1, d2)
    for _ in range(MOST_CROSSINGS):
        hit, when = -1, 1.0
        for c in range(3):
            if d[c] < 0.0 and b[c] + d[c] < 0.0:
                t = max(b[c], 0.0) / -d[c]
                if t < when:
                    hit, when = c, t
        if hit < 0:
            return face, b[1] + d[1], b[2] + d[2], True
        k = (hit + 1) % 3
        b = (b[0] + when * d[0], b[1] + when * d[1], b[2] + when * d[2])
        link = patches.links[face, k]
        other = int(link[0])
        if other < 0:
            return face, b[1], b[2], False
        j = int(link[1])
        rest = 1.0 - when
        ratio, shift = link[2], link[3]
        end = (k + 1) % 3
        at_end, at_first = max(b[end], 0.0), max(b[k], 0.0)
        total = at_end + at_first
        at_end /= total
        along = (d[end] + d[hit] * shift) * rest
        into = -ratio * d[hit] * rest
        if j == 0:
            b = (at_end, 1.0 - at_end, 0.0)
            d = (along, -along - into, into)
        elif j == 1:
            b = (0.0, at_end, 1.0 - at_end)
            d = (into, along, -along - into)
        else:
            b = (1.0 - at_end, 0.0, at_end)
            d = (-along - into, into, along)
        face = other
    return face, b[1], b[2], False


@kernel
def has_creases(patches: Patches) -> bool:
    """Whether the surface has creases at all: smooth ones are spared looking for them."""
    return patches.links.shape[2] > 4


@entry()
def is_crease(patches: Patches, face: int, k: int) -> bool:
    """Whether edge k is a crease."""
    return has_creases(patches) and patches.links[face, k, 4] > 0.0


@entry()
def walk_on(
    patches: Patches, face: int, b1: float, b2: float, d1: float, d2: float
) -> tuple[int, float, float, float, float, bool, bool]:
    """As ``walk``, on a surface with creases; returns (face, b1, b2, d1, d2, arrived, creased).

    (d1, d2) is the rest of the step in the last face (its direction there), ``creased``
    whether a crease was crossed.
    """
    creased = False
    b, d = (1.0 - b1 - b2, b1, b2), (-d1 - d2, d1, d2)
    for _ in range(MOST_CROSSINGS):
        hit, when = first_hit(b, d)
        if hit < 0:
            return face, b[1] + d[1], b[2] + d[2], d[1], d[2], True, creased
        b = (b[0] + when * d[0], b[1] + when * d[1], b[2] + when * d[2])
        k = (hit + 1) % 3
        other = int(patches.links[face, k, 0])
        if other < 0:
            break
        creased = creased or is_crease(patches, face, k)
        b, d = unfolded_step(patches, face, k, b, d, 1.0 - when)
        face = other
    return face, b[1], b[2], d[1], d[2], False, creased


@kernel
def step_weights(row: Floats1, x: float, y: float, z: float) -> tuple[float, float]:
    """Weights' change that moves by the tangential part of the vector (x, y, z)."""
    uu = row[6] * row[6] + row[7] * row[7] + row[8] * row[8]
    uv = row[6] * row[9] + row[7] * row[10] + row[8] * row[11]
    vv = row[9] * row[9] + row[10] * row[10] + row[11] * row[11]
    wu = row[6] * x + row[7] * y + row[8] * z
    wv = row[9] * x + row[10] * y + row[11] * z
    det = uu * vv - uv * uv
    if det <= 1e-14 * uu * vv:
        return 0.0, 0.0
    return (wu * vv - wv * uv) / det, (wv * uu - wu * uv) / det
