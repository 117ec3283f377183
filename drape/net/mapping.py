"""Compiled kernels of the map between flat coordinates and the surface.

Inside the net a point is interpolated by the bicubic through the 4 × 4 nodes round its
cell, near the net's rim by the bilinear of its cell. The inverse map is Newton's method
(Gauss-Newton: the residual's normal part is left over) on the same interpolant.

A cell that a crease crosses is folded, not curved: see ``cloth.unfolding``. Bicubics keep
clear of folded cells.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import (
    Bytes2,
    Floats1,
    Floats2,
    Floats3,
    Ints2,
    Ints3,
    local_matrix,
)
from drape.geometry.walk import Patches, copy
from drape.net.grid import KNOWN
from drape.net.unfolding import locate_folded, place_folded

REACH = 0.75  # in cells: how far past the last whole cell a point may be extrapolated
MARGIN = 1e-4  # in cells: how far past its sides a folded cell still answers
OFF_SURFACE = 0.02  # in cells: how far from the interpolant a point next to a fold may be
FOLDED = 2
ORDER = (1, 2, 0)  # in which squares of nodes beside a fold are tried


@kernel
def find_interval(grid: Floats1, x: float) -> int:
    """Index i with grid[i] <= x < grid[i + 1], clipped to the ends."""
    low, high = 0, grid.size
    while low < high:
        middle = (low + high) >> 1
        if x < grid[middle]:
            high = middle
        else:
            low = middle + 1
    return max(0, min(low - 1, grid.size - 2))


@kernel
def lagrange(
    grid: Floats1, first: int, count: int, x: float, weight: Floats1, slope: Floats1
) -> None:
    """Lagrange weights and their derivatives at x for nodes first … first + count − 1."""
    for a in range(count):
        w, s = 1.0, 0.0
        for b in range(count):
            if b == a:
                continue
            gap = grid[first + a] - grid[first + b]
            s = s * (x - grid[first + b]) / gap + w / gap
            w *= (x - grid[first + b]) / gap
        weight[a], slope[a] = w, s


@kernel
def whole(state: Bytes2, i: int, j: int, count: int) -> bool:
    """Whether the count × count nodes from (i, j) exist and are known."""
    if i < 0 or j < 0 or i + count > state.shape[0] or j + count > state.shape[1]:
        return False
    for a in range(i, i + count):
        for b in range(j, j + count):
            if state[a, b] != KNOWN:
                return False
    return True


@kernel
def nearest_cell(state: Bytes2, i: int, j: int) -> tuple[int, int]:
    """A whole cell at (i, j) or next to it; (−1, −1) if there is none."""
    for distance in range(2):
        for a in range(i - distance, i + distance + 1):
            for b in range(j - distance, j + distance + 1):
                if abs(a - i) + abs(b - j) == distance and whole(state, a, b, 2):
                    return a, b
    for a in range(i - 1, i + 2, 2):
        for b in range(j - 1, j + 2, 2):
            if whole(state, a, b, 2):
                return a, b
    return -1, -1


@kernel
def any_folded(folds: Bytes2, i: int, j: int, count: int) -> bool:
    """Whether a crease crosses one of the count × count cells from (i, j)."""
    for a in range(i, i + count):
        for b in range(j, j + count):
            if folds[a, b] >= FOLDED:
                return True
    return False


@kernel
def stencil(state: Bytes2, folds: Bytes2, i: int, j: int) -> tuple[int, int, int]:
    """First node and count of the square of nodes to interpolate cell (i, j) from."""
    if folds[i, j] == 0:
        return (i - 1, j - 1, 4) if whole(state, i - 1, j - 1, 4) else (i, j, 2)
    for m in range(3):
        a = i - ORDER[m]
        for n in range(3):
            b = j - ORDER[n]
            if whole(state, a, b, 4) and not any_folded(folds, a, b, 3):
                return a, b, 4
    return i, j, 2


@kernel
def answers(state: Bytes2, i: int, j: int, s: float, t: float) -> bool:
    """Whether the cell (i, j) answers for (s, t): inside, or past a side with no neighbour."""
    low_s = -MARGIN if whole(state, i - 1, j, 2) else -REACH
    low_t = -MARGIN if whole(state, i, j - 1, 2) else -REACH
    high_s = 1.0 + (MARGIN if whole(state, i + 1, j, 2) else REACH)
    high_t = 1.0 + (MARGIN if whole(state, i, j + 1, 2) else REACH)
    return low_s <= s <= high_s and low_t <= t <= high_t


@kernel
def locate_by_folds(
    patches: Patches,
    rows: Floats3,
    faces: Ints2,
    state: Bytes2,
    u: Floats1,
    v: Floats1,
    folds: Bytes2,
    i: int,
    j: int,
    point: Floats1,
    out: Floats1,
) -> bool:
    """Look for ``point`` in the folded cells round node (i, j); fills ``out`` (2,)."""
    for a in range(max(i - 1, 0), min(i + 1, folds.shape[0])):
        for b in range(max(j - 1, 0), min(j + 1, folds.shape[1])):
            if folds[a, b] != FOLDED:
                continue
            s, t = locate_folded(patches, rows, faces, a, b, point)
            if not np.isnan(s) and answers(state, a, b, s, t):
                out[0], out[1] = u[a] + s * (u[a + 1] - u[a]), v[b] + t * (v[b + 1] - v[b])
                return True
    return False


@kernel
def believable(
    state: Bytes2,
    u: Floats1,
    v: Floats1,
    folds: Bytes2,
    x: float,
    y: float,
    place: Floats1,
    point: Floats1,
) -> bool:
    """Whether Newton's method may have ended at flat (x, y), whose ``place`` is near ``point``.

    Not in a folded cell; next to one, a point on its other side can be square to the
    surface, so that it is the distance that tells.
    """
    i, j = nearest_cell(state, find_interval(u, x), find_interval(v, y))
    if i < 0 or folds[i, j] == 0:
        return True
    gap = (place[0] - point[0]) ** 2 + (place[1] - point[1]) ** 2 + (place[2] - point[2]) ** 2
    return folds[i, j] < FOLDED and gap < (OFF_SURFACE * (u[i + 1] - u[i])) ** 2


@kernel
def interpolant(
    rows: Floats3,
    state: Bytes2,
    u: Floats1,
    v: Floats1,
    folds: Bytes2,
    x: float,
    y: float,
    out: Floats2,
    wu: Floats2,
    wv: Floats2,
) -> bool:
    """Position and derivatives at flat (x, y): out (3, 3) rows X, X_u, X_v.

    Returns whether a cell was found there (or within REACH).
    """
    i, j = nearest_cell(state, find_interval(u, x), find_interval(v, y))
    if i < 0:
        return False
    du, dv = u[i + 1] - u[i], v[j + 1] - v[j]
    if x < u[i] - REACH * du or x > u[i + 1] + REACH * du:
        return False
    if y < v[j] - REACH * dv or y > v[j + 1] + REACH * dv:
        return False
    first_i, first_j, count = stencil(state, folds, i, j)
    lagrange(u, first_i, count, x, wu[0], wu[1])
    lagrange(v, first_j, count, y, wv[0], wv[1])
    for a in range(3):
        for c in range(3):
            out[a, c] = 0.0
    for a in range(count):
        for b in range(count):
            w, ws, wt = wu[0, a] * wv[0, b], wu[1, a] * wv[0, b], wu[0, a] * wv[1, b]
            for c in range(3):
                value = rows[first_i + a, first_j + b, c]
                out[0, c] += w * value
                out[1, c] += ws * value
                out[2, c] += wt * value
    return True


@entry(writes="out")
def place(
    patches: Patches,
    rows: Floats3,
    faces: Ints2,
    state: Bytes2,
    u: Floats1,
    v: Floats1,
    folds: Bytes2,
    flat: Floats2,
    out: Floats2,
) -> None:
    """Fill ``out`` (k, 3) with the surface points of ``flat`` (k, 2); others stay as given."""
    x, wu, wv = local_matrix(3, 3), local_matrix(2, 4), local_matrix(2, 4)
    for k in range(flat.shape[0]):
        if not interpolant(rows, state, u, v, folds, flat[k, 0], flat[k, 1], x, wu, wv):
            continue
        copy(x[0], out[k])
        i, j = nearest_cell(state, find_interval(u, flat[k, 0]), find_interval(v, flat[k, 1]))
        if folds[i, j] == FOLDED:
            s = (flat[k, 0] - u[i]) / (u[i + 1] - u[i])
            t = (flat[k, 1] - v[j]) / (v[j + 1] - v[j])
            if place_folded(patches, rows, faces, i, j, s, t, x[0]):
                copy(x[0], out[k])


@entry(writes="out")
def locate(
    patches: Patches,
    rows: Floats3,
    faces: Ints2,
    state: Bytes2,
    u: Floats1,
    v: Floats1,
    folds: Bytes2,
    points: Floats2,
    normals: Floats2,
    near: Ints3,
    out: Floats2,
) -> None:
    """Fill ``out`` (k, 2) with flat coordinates of ``points``; others stay as given.

    ``near`` (k, c, 2): grid places of nodes close to each point, nearest first; the first
    one whose normal agrees and from which Newton's method arrives is used.
    """
    x, wu, wv = local_matrix(3, 3), local_matrix(2, 4), local_matrix(2, 4)
    for k in range(points.shape[0]):
        for c in range(near.shape[1]):
            i, j = near[k, c, 0], near[k, c, 1]
            if locate_by_folds(patches, rows, faces, state, u, v, folds, i, j, points[k], out[k]):
                break
            agree = 0.0
            for a in range(3):
                agree += rows[i, j, 3 + a] * normals[k, a]
            if agree < 0.3:
                continue
            a, b = u[i], v[j]
            cell = max(u[min(i + 1, u.size - 1)] - u[max(i - 1, 0)], 1e-9)
            done = False
            for attempt in range(25):
                if not interpolant(rows, state, u, v, folds, a, b, x, wu, wv):
                    break
                uu = uv = vv = ru = rv = 0.0
                for m in range(3):
                    r = points[k, m] - x[0, m]
                    uu += x[1, m] * x[1, m]
                    uv += x[1, m] * x[2, m]
                    vv += x[2, m] * x[2, m]
                    ru += r * x[1, m]
                    rv += r * x[2, m]
                det = uu * vv - uv * uv
                if det <= 1e-12:
                    break
                da, db = (ru * vv - rv * uv) / det, (rv * uu - ru * uv) / det
                size = max(abs(da), abs(db))
                if size > cell:
                    da, db = da * cell / size, db * cell / size
                a, b = a + da, b + db
                # where two interpolants meet, Newton's method may swing between them
                if size < 1e-9 or (attempt > 12 and size < 0.01 * cell):
                    done = True
                    break
            if done and believable(state, u, v, folds, a, b, x[0], points[k]):
                out[k, 0], out[k, 1] = a, b
                break


@entry(writes="out")
def interpolate_field(x: Floats1, y: Floats1, field: Floats2, flat: Floats2, out: Floats1) -> None:
    """Bilinear value of ``field`` (p, q) over nodes x, y; the nearest where some are NaN.

    Near the rim, where one of the four is missing, the plane through the others or the
    nearest known value is used; where all are NaN ``out`` stays as given.
    """
    for k in range(flat.shape[0]):
        i, j = find_interval(x, flat[k, 0]), find_interval(y, flat[k, 1])
        s = (flat[k, 0] - x[i]) / (x[i + 1] - x[i])
        t = (flat[k, 1] - y[j]) / (y[j + 1] - y[j])
        a, b, c, d = field[i, j], field[i + 1, j], field[i, j + 1], field[i + 1, j + 1]
        missing = int(np.isnan(a)) + int(np.isnan(b)) + int(np.isnan(c)) + int(np.isnan(d))
        if missing == 1:
            if np.isnan(a):
                a = b + c - d
            elif np.isnan(b):
                b = a + d - c
            elif np.isnan(c):
                c = a + d - b
            else:
                d = b + c - a
        if missing <= 1:
            out[k] = (1 - s) * (1 - t) * a + s * (1 - t) * b + (1 - s) * t * c + s * t * d
            continue
        best = 1e300
        for m in range(max(i - 1, 0), min(i + 3, x.size)):
            for n in range(max(j - 1, 0), min(j + 3, y.size)):
                if not np.isnan(field[m, n]):
                    distance = (x[m] - flat[k, 0]) ** 2 + (y[n] - flat[k, 1]) ** 2
                    if distance < best:
                        best = distance
                        out[k] = field[m, n]
