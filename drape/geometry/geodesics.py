"""Compiled kernels for lengths along a smooth surface: arcs, geodesics, feet of points.

Rows and places as in ``geometry.walk``. Lengths in mm.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Ints1, local_matrix, local_vector
from drape.geometry.walk import (
    ROW,
    SAME_SIDE,
    Patches,
    copy,
    evaluate,
    has_creases,
    step_weights,
    walk,
    walk_on,
)


@entry()
def arc_length(p: Floats1, q: Floats1) -> float:
    """Length of the surface curve between two rows, from chord and end normals.

    A plane cubic with end slopes a, b over a chord c has length c(1 + (2a² − ab + 2b²)/30);
    its symmetric part is replaced by the exact circular arc. Error O(c⁵).
    """
    x, y, z = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    chord = np.sqrt(x * x + y * y + z * z)
    if chord == 0.0:
        return 0.0
    a = -(x * p[3] + y * p[4] + z * p[5]) / chord
    b = -(x * q[3] + y * q[4] + z * q[5]) / chord
    s = min(0.5 * abs(a - b), 0.999)
    m = 0.5 * (a + b)
    bend = np.arcsin(s) / s if s > 1e-4 else 1.0 + s * s / 6.0
    return chord * (bend + 0.1 * m * m)


@kernel
def midpoint(
    patches: Patches, p_face: int, p: Floats1, q: Floats1, row: Floats1
) -> tuple[int, bool]:
    """Fill ``row`` with the surface point above about the middle of the chord p–q.

    A place off the middle by a share t of the chord changes a length over two halves by a
    share of t²·(turn)²/8 only, so one Newton step is taken, and only where t is large. A
    place beside the chord lengthens both halves: the point is shifted back to above it.
    Returns (face, found).
    """
    x, y, z = 0.5 * (q[0] - p[0]), 0.5 * (q[1] - p[1]), 0.5 * (q[2] - p[2])
    d1, d2 = step_weights(p, x, y, z)
    face, b1, b2, arrived = walk(patches, p_face, p[12], p[13], d1, d2)
    evaluate(patches, face, b1, b2, row)
    u, v, w = p[0] + x - row[0], p[1] + y - row[1], p[2] + z - row[2]
    if abs(u * x + v * y + w * z) > 0.01 * (x * x + y * y + z * z):
        d1, d2 = step_weights(row, u, v, w)
        face, b1, b2, arrived = walk(patches, face, b1, b2, d1, d2)
        evaluate(patches, face, b1, b2, row)
        u, v, w = p[0] + x - row[0], p[1] + y - row[1], p[2] + z - row[2]
    above = u * row[3] + v * row[4] + w * row[5]
    row[0] += u - above * row[3]
    row[1] += v - above * row[4]
    row[2] += w - above * row[5]
    return face, arrived


@kernel
def chord(p: Floats1, q: Floats1) -> float:
    """Straight distance between two rows."""
    return np.sqrt((q[0] - p[0]) ** 2 + (q[1] - p[1]) ** 2 + (q[2] - p[2]) ** 2)


@entry(writes="scratch")
def fine_arc_length(
    patches: Patches, p_face: int, p: Floats1, q: Floats1, scratch: Floats2
) -> float:
    """As ``arc_length``, from chords over two halves, extrapolated (Richardson): O(c⁵).

    Where the two ways differ four chords are taken, and where that doesn't settle it (a
    curvature that jumps, facets smaller than the cell) eight. ``scratch`` is (4, ROW).
    """
    rough, m = arc_length(p, q), scratch[0]
    if not patches.fine:
        return rough
    m_face, found = midpoint(patches, p_face, p, q, m)
    if not found:
        return rough
    halves = chord(p, m) + chord(m, q)
    fine = halves + (halves - chord(p, q)) / 3.0
    if abs(fine - rough) < 1e-7 * rough:
        return fine
    first = midpoint(patches, p_face, p, m, scratch[1])[1]
    if not (midpoint(patches, m_face, m, q, scratch[2])[1] and first):
        return fine
    quarters = chord(p, scratch[1]) + chord(scratch[1], m)
    quarters += chord(m, scratch[2]) + chord(scratch[2], q)
    finer = quarters + (quarters - halves) / 3.0
    if abs(finer - fine) < 1e-7 * rough:
        return finer + (finer - fine) / 15.0
    return chord_sum(patches, p_face, p, q, scratch[3], finer)


@kernel
def chord_sum(
    patches: Patches, p_face: int, p: Floats1, q: Floats1, row: Floats1, otherwise: float
) -> float:
    """Length over eight chords dropped on the surface, extrapolated with that over four."""
    face, b1, b2 = p_face, p[12], p[13]
    evaluate(patches, face, b1, b2, row)
    x0, y0, z0 = p[0], p[1], p[2]
    x1, y1, z1 = x0, y0, z0
    fine = coarse = 0.0
    for k in range(1, 9):
        if k < 8:
            for _ in range(2):
                x = p[0] + 0.125 * k * (q[0] - p[0]) - row[0]
                y = p[1] + 0.125 * k * (q[1] - p[1]) - row[1]
                z = p[2] + 0.125 * k * (q[2] - p[2]) - row[2]
                d1, d2 = step_weights(row, x, y, z)
                face, b1, b2, arrived = walk(patches, face, row[12], row[13], d1, d2)
                if not arrived:
                    return otherwise
                evaluate(patches, face, b1, b2, row)
            x, y, z = row[0], row[1], row[2]
        else:
            x, y, z = q[0], q[1], q[2]
        fine += np.sqrt((x - x0) ** 2 + (y - y0) ** 2 + (z - z0) ** 2)
        x0, y0, z0 = x, y, z
        if k % 2 == 0:
            coarse += np.sqrt((x - x1) ** 2 + (y - y1) ** 2 + (z - z1) ** 2)
            x1, y1, z1 = x, y, z
    return fine + (fine - coarse) / 3.0


@kernel
def set_direction(patches: Patches, face: int, d1: float, d2: float, direction: Floats1) -> None:
    """Fill ``direction`` with the unit vector of a step in weights on a flat facet."""
    p = patches.control[face]
    size = 0.0
    for c in range(3):
        direction[c] = d1 * (p[1, c] - p[0, c]) + d2 * (p[2, c] - p[0, c])
        size += direction[c] ** 2
    for c in range(3):
        direction[c] /= np.sqrt(size)


@kernel
def creased_step(
    patches: Patches,
    start_face: int,
    p: Floats1,
    direction: Floats1,
    length: float,
    q: Floats1,
    anyway: bool,
) -> tuple[int, bool, bool]:
    """As ``geodesic_step``, where the step may cross a crease: the walk is the geodesic.

    Returns (face, arrived, whether it did); ``direction`` is changed if so, or ``anyway``.
    """
    d1, d2 = step_weights(p, length * direction[0], length * direction[1], length * direction[2])
    face, b1, b2, d1, d2, arrived, creased = walk_on(patches, start_face, p[12], p[13], d1, d2)
    evaluate(patches, face, b1, b2, q)
    if creased or anyway:
        set_direction(patches, face, d1, d2, direction)
    return face, arrived, creased


@kernel
def geodesic_step(
    patches: Patches, start_face: int, p: Floats1, direction: Floats1, length: float, q: Floats1
) -> tuple[int, bool]:
    """One step of a geodesic: from row ``p`` along the unit tangent ``direction`` (3,).

    The chord's tangential part at ``p`` keeps the direction, and its tangential part at
    the end is the new direction (written back): a symmetric scheme, second order.
    Solved once with lengths from chord and normals, and again with lengths measured finely.
    Returns (face, arrived); row ``q`` is filled.
    """
    if has_creases(patches):
        face, arrived, creased = creased_step(patches, start_face, p, direction, length, q, False)
        if creased:
            return face, arrived
    sx = p[4] * direction[2] - p[5] * direction[1]
    sy = p[5] * direction[0] - p[3] * direction[2]
    sz = p[3] * direction[1] - p[4] * direction[0]
    d1, d2 = step_weights(p, length * direction[0], length * direction[1], length * direction[2])
    face, b1, b2, arrived = walk(patches, start_face, p[12], p[13], d1, d2)
    evaluate(patches, face, b1, b2, q)
    want, q2 = length, local_matrix(4, ROW)
    settled = 5 if patches.fine else 0
    for k in range(10):
        x, y, z = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        chord = np.sqrt(x * x + y * y + z * z)
        if chord == 0.0:
            return face, False
        rough = arc_length(p, q)
        if patches.fine and (k == 3 or k == 5):
            want *= length / fine_arc_length(patches, start_face, p, q, q2)
        f1, f2 = rough - want, x * sx + y * sy + z * sz
        if k > settled and abs(f1) + abs(f2) < 1e-11 * length:
            break
        a11 = (x * q[6] + y * q[7] + z * q[8]) / chord
        a12 = (x * q[9] + y * q[10] + z * q[11]) / chord
        a21 = sx * q[6] + sy * q[7] + sz * q[8]
        a22 = sx * q[9] + sy * q[10] + sz * q[11]
        det = a11 * a22 - a12 * a21
        if has_creases(patches) and p[3] * q[3] + p[4] * q[4] + p[5] * q[5] < SAME_SIDE:
            # along a crease the correction may slip over it: the walk is good enough
            face, arrived, creased = creased_step(
                patches, start_face, p, direction, length, q, True
            )
            return face, arrived
        if det == 0.0:
            return face, False
        d1 = -(f1 * a22 - f2 * a12) / det
        d2 = -(f2 * a11 - f1 * a21) / det
        face, b1, b2, arrived = walk(patches, face, b1, b2, d1, d2)
        evaluate(patches, face, b1, b2, q)
    x, y, z = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    dot = x * q[3] + y * q[4] + z * q[5]
    x, y, z = x - dot * q[3], y - dot * q[4], z - dot * q[5]
    chord = np.sqrt(x * x + y * y + z * z)
    if chord == 0.0:
        return face, False
    direction[0], direction[1], direction[2] = x / chord, y / chord, z / chord
    return face, arrived


@entry(writes="directions out_faces out_rows reached")
def geodesics(
    patches: Patches,
    faces: Ints1,
    weights: Floats2,
    directions: Floats2,
    lengths: Floats1,
    step: float,
    out_faces: Ints1,
    out_rows: Floats2,
    reached: Floats1,
) -> None:
    """Shoot many geodesics: (k,) faces, (k, 2) weights, (k, 3) unit directions, (k,) mm.

    A negative length goes backwards. Ends go to ``out_faces`` (k,) and ``out_rows``
    (k, ROW); directions are updated; ``reached`` (k,) is the length gone, mm.
    """
    p, q, direction = local_vector(ROW), local_vector(ROW), local_vector(3)
    for i in range(faces.size):
        face = faces[i]
        evaluate(patches, face, weights[i, 0], weights[i, 1], p)
        sign = 1.0 if lengths[i] >= 0.0 else -1.0
        dot = 0.0
        for c in range(3):
            direction[c] = sign * directions[i, c]
            dot += direction[c] * p[3 + c]
        size = 0.0
        for c in range(3):
            direction[c] -= dot * p[3 + c]
            size += direction[c] ** 2
        for c in range(3):
            direction[c] /= np.sqrt(size)
        total = abs(lengths[i])
        count = max(1, int(np.ceil(total / step)))
        gone = 0.0
        for _ in range(count):
            if total == 0.0:
                break
            face, arrived = geodesic_step(patches, face, p, direction, total / count, q)
            if not arrived:
                break
            copy(q, p)
            gone += total / count
        out_faces[i] = face
        copy(p, out_rows[i])
        reached[i] = sign * gone
        for c in range(3):
            directions[i, c] = sign * direction[c]


@entry(writes="faces rows")
def drop_feet(
    patches: Patches, faces: Ints1, weights: Floats2, targets: Floats2, rows: Floats2
) -> None:
    """Move each place (updated in ``faces``, written to ``rows``) under its target point."""
    for i in range(faces.size):
        face = faces[i]
        row = rows[i]
        evaluate(patches, face, weights[i, 0], weights[i, 1], row)
        for _ in range(12):
            x, y, z = targets[i, 0] - row[0], targets[i, 1] - row[1], targets[i, 2] - row[2]
            d1, d2 = step_weights(row, x, y, z)
            if abs(d1) + abs(d2) < 1e-13:
                break
            face, b1, b2, arrived = walk(patches, face, row[12], row[13], d1, d2)
            evaluate(patches, face, b1, b2, row)
            if not arrived:
                break
        faces[i] = face
