"""Compiled kernels on a smooth surface: evaluate, walk, arc length, geodesic.

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

from drape.compiled import kernel

ROW = 14  # X 0:3, n 3:6, Xu 6:9, Xv 9:12, b1 12, b2 13
MOST_CROSSINGS = 2000
SAME_SIDE = np.cos(np.radians(25.0))  # normals farther apart: a crease may lie between


class Patches(NamedTuple):
    """Arrays of a smooth surface, as the kernels want them.

    control : (m, 10, 3) Bézier points: 300 030 003 210 120 021 012 102 201 111
    normals : (m, 3, 3) unit normals at the corners
    neighbours : (m, 3) face across edge k, −1 at a border
    match : (m, 3) the shared edge's number in the neighbour
    unfold : (m, 3, 2) ratio of heights and shift along the edge, for walking across it;
        on a surface with creases (m, 3, 3), the last one 1 where edge k is a crease
        (an array of its own would slow every call on smooth surfaces by a tenth)
    """

    control: np.ndarray
    normals: np.ndarray
    neighbours: np.ndarray
    match: np.ndarray
    unfold: np.ndarray


@kernel
def evaluate(patches, face, b1, b2, row):
    """Fill ``row`` with position, normal and derivatives at a place on the surface."""
    b0 = 1.0 - b1 - b2
    b00, b11, b22 = b0 * b0, b1 * b1, b2 * b2
    b01, b02, b12 = 2.0 * b0 * b1, 2.0 * b0 * b2, 2.0 * b1 * b2
    p = patches.control[face]
    n = patches.normals[face]
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
        row[3 + c] = b0 * n[0, c] + b1 * n[1, c] + b2 * n[2, c]
        length += row[3 + c] * row[3 + c]
    length = np.sqrt(length)
    for c in range(3):
        row[3 + c] /= length
    row[12], row[13] = b1, b2


@kernel
def first_hit(b, d):
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
def unfolded_step(patches, face, k, b, d, rest):
    """Weights and remaining step in the face across edge k, from those on the edge."""
    j, end, hit = patches.match[face, k], (k + 1) % 3, (k + 2) % 3
    ratio, shift = patches.unfold[face, k, 0], patches.unfold[face, k, 1]
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


@kernel
def walk(patches, face, b1, b2, d1, d2):
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
        other = patches.neighbours[face, k]
        if other < 0:
            return face, b[1], b[2], False
        j = patches.match[face, k]
        rest = 1.0 - when
        ratio, shift = patches.unfold[face, k, 0], patches.unfold[face, k, 1]
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
def is_crease(patches, face, k):
    """Whether edge k is a crease, on a surface that has some."""
    return patches.unfold[face, k, 2] > 0.0


@kernel
def walk_on(patches, face, b1, b2, d1, d2):
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
        other = patches.neighbours[face, k]
        if other < 0:
            break
        creased = creased or is_crease(patches, face, k)
        b, d = unfolded_step(patches, face, k, b, d, 1.0 - when)
        face = other
    return face, b[1], b[2], d[1], d[2], False, creased


@kernel
def has_creases(patches):
    """Whether the surface has creases at all: smooth ones are spared looking for them."""
    return patches.unfold.shape[2] > 2


@kernel
def step_weights(row, x, y, z):
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


@kernel
def arc_length(p, q):
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
def midpoint(patches, p_face, p, q, row):
    """Fill ``row`` with the surface point above the middle of the chord p–q.

    One Newton step: what it leaves along the chord changes a length to fourth order only.
    Returns whether it is there.
    """
    x, y, z = 0.5 * (p[0] + q[0]), 0.5 * (p[1] + q[1]), 0.5 * (p[2] + q[2])
    d1, d2 = step_weights(p, x - p[0], y - p[1], z - p[2])
    face, b1, b2, _ = walk(patches, p_face, p[12], p[13], d1, d2)
    evaluate(patches, face, b1, b2, row)
    d1, d2 = step_weights(row, x - row[0], y - row[1], z - row[2])
    face, b1, b2, arrived = walk(patches, face, b1, b2, d1, d2)
    evaluate(patches, face, b1, b2, row)
    return arrived


@kernel
def fine_arc_length(patches, p_face, p, q, scratch):
    """As ``arc_length``, from chords over two halves, extrapolated (Richardson): O(c⁵).

    Where the two ways differ (a curvature that jumps, facets smaller than the cell) eight
    chords are taken.
    """
    rough = arc_length(p, q)
    found = midpoint(patches, p_face, p, q, scratch)
    if not found:
        return rough
    one = two = three = 0.0
    for c in range(3):
        one += (q[c] - p[c]) ** 2
        two += (scratch[c] - p[c]) ** 2
        three += (q[c] - scratch[c]) ** 2
    halves = np.sqrt(two) + np.sqrt(three)
    fine = halves + (halves - np.sqrt(one)) / 3.0
    if abs(fine - rough) < 1e-7 * rough:
        return fine
    return chord_sum(patches, p_face, p, q, scratch, fine)


@kernel
def chord_sum(patches, p_face, p, q, row, otherwise):
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
def set_direction(patches, face, d1, d2, direction):
    """Fill ``direction`` with the unit vector of a step in weights on a flat facet."""
    p = patches.control[face]
    size = 0.0
    for c in range(3):
        direction[c] = d1 * (p[1, c] - p[0, c]) + d2 * (p[2, c] - p[0, c])
        size += direction[c] ** 2
    for c in range(3):
        direction[c] /= np.sqrt(size)


@kernel
def creased_step(patches, start_face, p, direction, length, q, anyway):
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
def geodesic_step(patches, start_face, p, direction, length, q):
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
    want, q2 = length, np.empty(ROW)
    for k in range(10):
        x, y, z = q[0] - p[0], q[1] - p[1], q[2] - p[2]
        chord = np.sqrt(x * x + y * y + z * z)
        if chord == 0.0:
            return face, False
        rough = arc_length(p, q)
        if k == 3 or k == 5:
            want *= length / fine_arc_length(patches, start_face, p, q, q2)
        f1, f2 = rough - want, x * sx + y * sy + z * sz
        if k > 5 and abs(f1) + abs(f2) < 1e-11 * length:
            break
        a11 = (x * q[6] + y * q[7] + z * q[8]) / chord
        a12 = (x * q[9] + y * q[10] + z * q[11]) / chord
        a21 = sx * q[6] + sy * q[7] + sz * q[8]
        a22 = sx * q[9] + sy * q[10] + sz * q[11]
        det = a11 * a22 - a12 * a21
        if has_creases(patches) and p[3] * q[3] + p[4] * q[4] + p[5] * q[5] < SAME_SIDE:
            # along a crease the correction may slip over it: the walk is good enough
            return creased_step(patches, start_face, p, direction, length, q, True)[:2]
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


@kernel
def geodesics(patches, faces, weights, directions, lengths, step, out_faces, out_rows, reached):
    """Shoot many geodesics: (k,) faces, (k, 2) weights, (k, 3) unit directions, (k,) mm.

    A negative length goes backwards. Ends go to ``out_faces`` (k,) and ``out_rows``
    (k, ROW); directions are updated; ``reached`` (k,) is the length gone, mm.
    """
    p, q, direction = np.empty(ROW), np.empty(ROW), np.empty(3)
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
            p[:] = q
            gone += total / count
        out_faces[i] = face
        out_rows[i] = p
        reached[i] = sign * gone
        for c in range(3):
            directions[i, c] = sign * direction[c]


@kernel
def drop_feet(patches, faces, weights, targets, rows):
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
