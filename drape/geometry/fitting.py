"""Normals and curvatures from a local quadric, fitted by weighted least squares.

Angle-weighted normals are degrees wrong at open borders and on uneven meshes. Here each
vertex gets the quadric through itself that fits its neighbours best (Cazals & Pouget
2005, 'osculating jets', degree 2, key ``cazals2005`` in tests/references.bib).
Lengths in mm.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Ints1, local_indices, local_matrix, local_vector
from drape.geometry.walk import copy

MOST_NEIGHBOURS = 72
FEWEST_NEIGHBOURS = 9
ROOM = MOST_NEIGHBOURS + 2  # of a list of neighbours
SIDES = 8
MOST_UNKNOWNS = 6  # of a fit: a quadric with its height
ONE_SIDED = 0.3  # a side has to fit this much better than the whole ring
SAME = 0.999  # squares of distances as near as that are taken as equal
JUMP = 0.3  # of the ring's sagitta: a smaller residual is no jump of the curvature


@kernel
def ring(vertex: int, rings: int, start: Ints1, neighbour: Ints1, mark: Ints1, found: Ints1) -> int:
    """Collect neighbours of ``vertex``: some rings, more until there are enough.

    ``start`` (n+1,), ``neighbour`` (k,): adjacency in compressed rows; ``mark`` (n,) int
    scratch, −1 at first; ``found`` (k,) is filled, with k − 1 of them at most.
    Returns the count; ``found[0]`` is the vertex itself.
    """
    most = found.size - 2
    tag = 32 * vertex + rings
    found[0] = vertex
    mark[vertex] = tag
    count, first = 1, 0
    for depth in range(max(6, rings)):
        last = count
        for i in range(first, last):
            for j in range(start[found[i]], start[found[i] + 1]):
                other = neighbour[j]
                if mark[other] != tag and count <= most:
                    mark[other] = tag
                    found[count] = other
                    count += 1
        first = last
        if first == count or count > most:
            break
        if depth >= rings - 1 and count > FEWEST_NEIGHBOURS:
            break
    return count


@kernel
def solve_ridge(matrix: Floats2, rhs: Floats1) -> float:
    """Solve normal equations (n, n) in place, columns scaled, with a tiny ridge.

    Returns the smallest pivot: near 0 where the equations don't determine all unknowns.
    """
    n, least = rhs.size, 1.0
    scale = local_vector(MOST_UNKNOWNS)
    for i in range(n):
        scale[i] = np.sqrt(matrix[i, i]) if matrix[i, i] > 0.0 else 1.0
    for i in range(n):
        rhs[i] /= scale[i]
        for j in range(n):
            matrix[i, j] /= scale[i] * scale[j]
    for i in range(n):
        matrix[i, i] += 1e-9
    for i in range(n):  # Cholesky
        for j in range(i + 1):
            s = matrix[i, j]
            for k in range(j):
                s -= matrix[i, k] * matrix[j, k]
            if i == j:
                least = min(least, s)
            matrix[i, j] = np.sqrt(max(s, 1e-30)) if i == j else s / matrix[j, j]
    for i in range(n):
        for k in range(i):
            rhs[i] -= matrix[i, k] * rhs[k]
        rhs[i] /= matrix[i, i]
    for i in range(n - 1, -1, -1):
        for k in range(i + 1, n):
            rhs[i] -= matrix[k, i] * rhs[k]
        rhs[i] /= matrix[i, i]
    for i in range(n):
        rhs[i] /= scale[i]
    return least


@kernel
def frame(nx: float, ny: float, nz: float, axes: Floats2) -> None:
    """Fill ``axes`` (3, 3) with two tangents and the unit normal given."""
    if abs(nx) < 0.6:
        tx, ty, tz = 0.0, -nz, ny
    else:
        tx, ty, tz = nz, 0.0, -nx
    length = np.sqrt(tx * tx + ty * ty + tz * tz)
    axes[0, 0], axes[0, 1], axes[0, 2] = tx / length, ty / length, tz / length
    axes[2, 0], axes[2, 1], axes[2, 2] = nx, ny, nz
    axes[1, 0] = ny * axes[0, 2] - nz * axes[0, 1]
    axes[1, 1] = nz * axes[0, 0] - nx * axes[0, 2]
    axes[1, 2] = nx * axes[0, 1] - ny * axes[0, 0]


@kernel
def frame_toward(points: Floats2, v: int, other: int, normals: Floats2, axes: Floats2) -> None:
    """Fill ``axes`` (3, 3) with tangents and normal of ``v``, the first tangent towards ``other``.

    A frame of the mesh's own: what is fitted in it turns with the mesh.
    """
    frame(normals[v, 0], normals[v, 1], normals[v, 2], axes)
    x, y, _ = in_frame(points, v, other, axes)
    size = np.sqrt(x * x + y * y)
    if size > 0.0:
        for c in range(3):
            along, across = axes[0, c], axes[1, c]
            axes[0, c] = (x * along + y * across) / size
            axes[1, c] = (x * across - y * along) / size


@kernel
def in_frame(points: Floats2, v: int, other: int, axes: Floats2) -> tuple[float, float, float]:
    """Coordinates (x, y, z) of a vertex from vertex ``v`` in the frame ``axes``."""
    x = y = z = 0.0
    for c in range(3):
        d = points[other, c] - points[v, c]
        x += d * axes[0, c]
        y += d * axes[1, c]
        z += d * axes[2, c]
    return x, y, z


@kernel
def clear(matrix: Floats2, rhs: Floats1) -> None:
    """Set the normal equations (n, n), (n,) to 0."""
    for a in range(rhs.size):
        rhs[a] = 0.0
        for b in range(rhs.size):
            matrix[a, b] = 0.0


@kernel
def add_row(row: Floats1, z: float, weight: float, matrix: Floats2, rhs: Floats1) -> None:
    """Add one weighted equation row · r = z to the normal equations (n, n), (n,)."""
    for a in range(row.size):
        rhs[a] += weight * row[a] * z
        for b in range(row.size):
            matrix[a, b] += weight * row[a] * row[b]


@kernel
def misfit(row: Floats1, z: float, rhs: Floats1) -> float:
    """How far z is above the fitted row · r."""
    for a in range(row.size):
        z -= rhs[a] * row[a]
    return z


@kernel
def fit_side(
    points: Floats2,
    v: int,
    found: Ints1,
    count: int,
    axes: Floats2,
    angle: float,
    nearest: float,
    matrix: Floats2,
    rhs: Floats1,
) -> tuple[float, float]:
    """Fit z = r·(x, y, x², xy, y²) to the neighbours on one side of vertex ``v``.

    ``angle``: direction of the side in the tangent frame ``axes``; NaN takes them all.
    Fills ``rhs`` (5,) with the coefficients; returns the root mean square residual per
    degree of freedom, mm, or −1 where there are too few neighbours, and the smallest pivot.
    """
    whole = np.isnan(angle)
    cosine, sine = (1.0, 0.0) if whole else (np.cos(angle), np.sin(angle))
    row = local_vector(5)
    clear(matrix, rhs)
    used, firm = 0, 0.0
    slack = 0.2 * np.sqrt(nearest)
    for repeat in range(2):
        total = weight = 0.0
        for i in range(1, count):
            x, y, z = in_frame(points, v, found[i], axes)
            if not whole and x * cosine + y * sine < -slack:
                continue
            w = 1.0 / (x * x + y * y + nearest)
            row[0], row[1], row[2], row[3], row[4] = x, y, x * x, x * y, y * y
            if repeat == 0:
                used += 1
                add_row(row, z, w, matrix, rhs)
            else:
                total += w * misfit(row, z, rhs) ** 2
                weight += w
        if repeat == 0:
            if used < (3 if whole else 7):
                return -1.0, 0.0
            firm = solve_ridge(matrix, rhs)
    return np.sqrt(total / weight * used / max(used - 5, 1)), firm


@kernel
def tilt(normals: Floats2, v: int, axes: Floats2, rhs: Floats1) -> None:
    """Turn normal ``v`` to that of the fitted quadric at the vertex, in place."""
    length = np.sqrt(1.0 + rhs[0] ** 2 + rhs[1] ** 2)
    for c in range(3):
        normals[v, c] = (axes[2, c] - rhs[0] * axes[0, c] - rhs[1] * axes[1, c]) / length


@kernel
def best_side(
    points: Floats2,
    v: int,
    found: Ints1,
    count: int,
    axes: Floats2,
    nearest: float,
    residual: float,
    guess: Floats1,
    cone: float,
    matrix: Floats2,
    rhs: Floats1,
    trial: Floats1,
) -> tuple[float, float]:
    """The side whose quadric fits far better than the whole ring's; NaN if none does.

    Where the curvature jumps (a fillet meets a flat) the whole ring straddles the jump
    and tilts the normal; the half on one side of it doesn't. (Three rings: over
    two a quadric goes through any two rows of vertices, whichever side they are on.)
    """
    best, angle = ONE_SIDED * residual, np.nan
    for k in range(SIDES):
        direction = 2.0 * np.pi * k / SIDES
        value = fit_side(points, v, found, count, axes, direction, nearest, matrix, trial)[0]
        size = np.sqrt(1.0 + trial[0] ** 2 + trial[1] ** 2)
        along = 0.0
        for c in range(3):
            along += guess[c] * (axes[2, c] - trial[0] * axes[0, c] - trial[1] * axes[1, c]) / size
        if 0.0 <= value < best and along >= cone:
            best, angle = value, direction
            copy(trial, rhs)
    return angle, best


@entry(writes="normals mark curvatures residual firm")
def fit_quadrics(
    points: Floats2,
    normals: Floats2,
    cones: Floats1,
    start: Ints1,
    neighbour: Ints1,
    mark: Ints1,
    curvatures: Floats2,
    residual: Floats1,
    firm: Floats1,
) -> None:
    """Refine ``normals`` (n, 3) in place; fill ``curvatures`` (n, 2), ``residual`` (n,).

    ``points`` (n, 3) mm; ``cones`` (n,): cosine of how far a normal may turn from the one
    given, where one side is taken; adjacency and ``mark`` as in ``ring``. Curvatures in 1/mm,
    smaller first, positive where the surface bends towards its normal (concave seen along it).
    ``residual`` is the root mean square distance of the neighbours to the quadric, mm; ``firm``
    the smallest pivot of its equations, near 0 where these don't determine it.
    """
    n = points.shape[0]
    found = local_indices(ROOM)
    axes, matrix = local_matrix(3, 3), local_matrix(5, 5)
    rhs, trial, guess = local_vector(5), local_vector(5), local_vector(3)
    for v in range(n):
        count = ring(v, 2, start, neighbour, mark, found)
        residual[v] = firm[v] = 0.0
        curvatures[v, 0] = curvatures[v, 1] = 0.0
        if count < 4:
            continue
        nearest, toward = 1e300, v
        for i in range(1, count):
            d = 0.0
            for c in range(3):
                d += (points[found[i], c] - points[v, c]) ** 2
            if 0.0 < d < SAME * nearest:  # of equally near ones the first
                nearest, toward = d, found[i]
        value, angle, sure = 0.0, np.nan, 0.0
        copy(normals[v], guess)
        for repeat in range(4):
            frame_toward(points, v, toward, normals, axes)
            value, sure = fit_side(points, v, found, count, axes, angle, nearest, matrix, rhs)
            if value < 0.0:
                break
            bend = abs(rhs[2]) + abs(rhs[3]) + abs(rhs[4])
            if repeat == 1 and value > JUMP * bend * nearest:
                count = ring(v, 3, start, neighbour, mark, found)
                angle, value = best_side(
                    points,
                    v,
                    found,
                    count,
                    axes,
                    nearest,
                    value,
                    guess,
                    cones[v],
                    matrix,
                    rhs,
                    trial,
                )
                if np.isnan(angle):
                    count = ring(v, 2, start, neighbour, mark, found)
                    value, sure = fit_side(
                        points, v, found, count, axes, angle, nearest, matrix, rhs
                    )
            if repeat == 3 or count < 6:
                break
            tilt(normals, v, axes, rhs)
        if value < 0.0:
            continue
        residual[v], firm[v] = value, sure
        mean = rhs[2] + rhs[4]
        spread = np.sqrt((rhs[2] - rhs[4]) ** 2 + rhs[3] ** 2)
        curvatures[v, 0], curvatures[v, 1] = mean - spread, mean + spread
