"""Compiled kernels: exact distance on triangles from a line on the border.

Windows: all straight ways from one source through one interval of an edge are handled together,
nearest first, over triangles laid out in the plane (key ``mitchell1987``; dropped as in key
``xin2009``). A source is a vertex (where a way bends too), or an edge: parallel rays.

Lengths in mm, angles in radians. Corner k of a face has edge k ahead of it; a window that enters a
face by edge k has it as x axis, from corner k, the face above it. A window is (least distance,
face, edge, kind, from, to, x, y, base): for a POINT its source's place and distance; for RAYS
their unit direction and the distance at the axis' origin.
"""

from __future__ import annotations

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bools1, Bools2, Floats1, Floats2, Ints1, Ints2, local_vector
from drape.geometry.fans import Mesh, apex, corner_angle, hit, next_round
from drape.geometry.heap import Heap, heap_pop, heap_push

POINT, RAYS, VERTEX = 0, 1, 2
TINY = 1e-9  # mm: intervals shorter than that hold nothing
SLACK = 1e-6  # mm by which a way must be worse to be dropped
WIDER = 1e-6  # rad, by which fans overlap what is beside them, so that no vertex falls between
BESIDE = 1e-7  # mm², of a cross product: a vertex on a window's last ray counts
WINDOW = 9  # numbers in a window


@kernel
def distance_at(kind: int, sx: float, sy: float, base: float, x: float, y: float) -> float:
    """Distance by straight ways of a window, at a place in its frame."""
    if kind == POINT:
        return base + np.sqrt((x - sx) ** 2 + (y - sy) ** 2)
    return base + sx * x + sy * y


@kernel
def push(
    heap: Heap,
    faces: Ints2,
    lengths: Floats2,
    distance: Floats1,
    reach: float,
    f: int,
    k: int,
    kind: int,
    low: float,
    high: float,
    sx: float,
    sy: float,
    base: float,
) -> None:
    """Add a window that enters face ``f`` by edge ``k``, unless its ways can't be shortest."""
    if high - low < TINY:
        return
    length = lengths[f, k]
    at_low = distance_at(kind, sx, sy, base, low, 0.0)
    at_high = distance_at(kind, sx, sy, base, high, 0.0)
    if at_high > distance[faces[f, k]] + high + SLACK:
        return
    if at_low > distance[faces[f, (k + 1) % 3]] + length - low + SLACK:
        return
    least = min(at_low, at_high)
    if kind == POINT and low < sx < high:
        least = base + abs(sy)
    if least <= reach:
        window = local_vector(WINDOW)
        window[0], window[1], window[2], window[3] = least, f, k, kind
        window[4], window[5], window[6], window[7], window[8] = low, high, sx, sy, base
        heap_push(heap, window)


@kernel
def pass_on(
    mesh: Mesh,
    heap: Heap,
    distance: Floats1,
    reach: float,
    f: int,
    j: int,
    px: float,
    py: float,
    qx: float,
    qy: float,
    low: float,
    high: float,
    kind: int,
    sx: float,
    sy: float,
    base: float,
) -> None:
    """A window of face f on to the face across edge j, from (px, py) to (qx, qy).

    ``low`` and ``high`` are its shares of that edge, seen from the edge's end q.
    """
    faces, neighbours, match, lengths = mesh
    g = neighbours[f, j]
    if g < 0:
        return
    length = lengths[f, j]
    ex, ey = (px - qx) / length, (py - qy) / length
    if kind == POINT:
        x, y = sx - qx, sy - qy
        new_x, new_y = x * ex + y * ey, -x * ey + y * ex
    else:
        base += sx * qx + sy * qy
        new_x, new_y = sx * ex + sy * ey, -sx * ey + sy * ex
    low, high = max(0.0, low) * length, min(1.0, high) * length
    push(heap, faces, lengths, distance, reach, g, match[f, j], kind, low, high, new_x, new_y, base)


@kernel
def rise(kind: int, sx: float, sy: float, x: float) -> tuple[float, float]:
    """Direction of a window's ray through (x, 0)."""
    if kind == POINT:
        return x - sx, -sy
    return sx, sy


@kernel
def from_vertex(
    mesh: Mesh,
    heap: Heap,
    distance: Floats1,
    reach: float,
    theta: Floats2,
    v: int,
    corner: int,
    total: float,
    begin: float,
    end: float,
    back: Floats1,
) -> None:
    """Windows from a vertex into directions ``begin`` … ``end`` of its fan; its neighbours."""
    faces, neighbours, _, lengths = mesh
    f, k = corner // 3, corner % 3
    first = f
    d = distance[v]
    while True:
        low, angle = theta[f, k], corner_angle(lengths, f, k)
        high = low + angle
        k1, k2 = (k + 1) % 3, (k + 2) % 3
        if begin <= low + 1e-9 and low <= end + 1e-9:
            reached(heap, distance, back, reach, faces[f, k1], d + lengths[f, k])
            if distance[faces[f, k1]] == d + lengths[f, k]:
                back[faces[f, k1]] = theta[f, k1] + corner_angle(lengths, f, k1)
        if begin <= high + 1e-9 and high <= end + 1e-9:
            reached(heap, distance, back, reach, faces[f, k2], d + lengths[f, k2])
            if distance[faces[f, k2]] == d + lengths[f, k2]:
                back[faces[f, k2]] = theta[f, k2]
        if begin < high and low < end and neighbours[f, k1] >= 0:
            cx, cy = apex(lengths, f, k)  # v at (0, 0), its next at (length, 0)
            one, two = max(0.0, begin - low), min(angle, end - low)
            length = lengths[f, k]
            a = hit(0.0, np.cos(one), np.sin(one), length, 0.0, cx, cy) if one > 0.0 else 1.0
            b = hit(0.0, np.cos(two), np.sin(two), length, 0.0, cx, cy) if two < angle else 0.0
            pass_on(
                mesh, heap, distance, reach, f, k1, length, 0.0, cx, cy, b, a, POINT, 0.0, 0.0, d
            )
        f, k = next_round(faces, neighbours, f, k)
        if f < 0 or f == first:
            break


@kernel
def reached(heap: Heap, distance: Floats1, back: Floats1, reach: float, v: int, d: float) -> None:
    """A way of length ``d`` to a vertex: kept if it is the shortest so far."""
    if d < distance[v] - TINY and d <= reach:
        distance[v] = d
        window = local_vector(WINDOW)
        for c in range(WINDOW):
            window[c] = 0.0
        window[0], window[1], window[3] = d, v, VERTEX
        heap_push(heap, window)


@kernel
def bend_round(
    mesh: Mesh,
    heap: Heap,
    distance: Floats1,
    reach: float,
    theta: Floats2,
    v: int,
    corner: int,
    total: float,
    back: Floats1,
) -> None:
    """Ways that bend round a vertex: those more than π from the way it was reached by."""
    neighbours = mesh[1]
    beta = back[v]
    if neighbours[corner // 3, corner % 3] < 0:
        begin, end = beta + np.pi - WIDER, beta - np.pi + WIDER
        if begin < total:
            from_vertex(
                mesh, heap, distance, reach, theta, v, corner, total, begin, total + 1.0, back
            )
        if end > 0.0:
            from_vertex(mesh, heap, distance, reach, theta, v, corner, total, -1.0, end, back)
    elif total > 2.0 * np.pi + 1e-10:
        begin = (beta + np.pi) % total - WIDER
        end = begin + total - 2.0 * np.pi + 2.0 * WIDER
        from_vertex(mesh, heap, distance, reach, theta, v, corner, total, begin, end, back)
        if end > total:
            from_vertex(
                mesh, heap, distance, reach, theta, v, corner, total, -1.0, end - total, back
            )


@kernel
def go_on(
    mesh: Mesh,
    heap: Heap,
    distance: Floats1,
    reach: float,
    theta: Floats2,
    back: Floats1,
    best: Floats2,
    where: Floats2,
    window: Floats1,
) -> None:
    """One window through the face that it enters."""
    faces, _, _, lengths = mesh
    f, k, kind = int(window[1]), int(window[2]), int(window[3])
    low, high, sx, sy, base = window[4], window[5], window[6], window[7], window[8]
    length = lengths[f, k]
    cx, cy = apex(lengths, f, k)
    ux, uy = rise(kind, sx, sy, low)
    wx, wy = rise(kind, sx, sy, high)
    left = ux * cy - uy * (cx - low)  # > 0: the corner lies left of the first ray
    right = wx * cy - wy * (cx - high)
    k1, k2 = (k + 1) % 3, (k + 2) % 3
    to_left, to_right = left < BESIDE, right > -BESIDE
    # shares of the left side from the base's start, of the right side from the far corner
    l_low = l_high = r_low = r_high = 0.0
    if left < 0.0:
        l_low = hit(low, ux, uy, cx, cy, 0.0, 0.0)
        l_high = hit(high, wx, wy, cx, cy, 0.0, 0.0) if right < 0.0 else 1.0
    if right > 0.0:
        r_low = hit(low, ux, uy, length, 0.0, cx, cy) if left > 0.0 else 0.0
        r_high = hit(high, wx, wy, length, 0.0, cx, cy)
    if to_left and to_right:
        d = distance_at(kind, sx, sy, base, cx, cy)
        dx, dy = (cx - sx, cy - sy) if kind == POINT else (sx, sy)
        x = cx - dx * cy / dy if dy > 0.0 else cx
        v = faces[f, k2]
        if d < distance[v] - TINY:
            reached(heap, distance, back, reach, v, d)
            turn = np.arctan2(cx - x, cy)  # from straight down to the way it came
            back[v] = theta[f, k2] + np.arctan2(cx, cy) - turn
        if d > best[f, k] + SLACK:  # ways across a shorter way to the corner aren't shortest
            if x < where[f, k]:
                r_high = r_low
            else:
                l_high = l_low
        elif d < best[f, k]:
            best[f, k], where[f, k] = d, x
    if l_high > l_low:
        pass_on(
            mesh, heap, distance, reach, f, k2, cx, cy, 0.0, 0.0, l_low, l_high, kind, sx, sy, base
        )
    if r_high > r_low:
        pass_on(
            mesh,
            heap,
            distance,
            reach,
            f,
            k1,
            length,
            0.0,
            cx,
            cy,
            r_low,
            r_high,
            kind,
            sx,
            sy,
            base,
        )


@kernel
def start_fan(
    mesh: Mesh,
    heap: Heap,
    distance: Floats1,
    reach: float,
    theta: Floats2,
    v: int,
    corner: int,
    total: float,
    on_line: Bools2,
    back: Floats1,
) -> None:
    """Ways from a vertex of the line that no ray square to its edges takes."""
    faces, neighbours, _, _ = mesh
    f, k = corner // 3, corner % 3
    begin, end = -1.0, total + 1.0
    if on_line[f, k]:
        begin = 0.5 * np.pi
    while True:
        g, j = next_round(faces, neighbours, f, k)
        if g < 0 or 3 * g + j == corner:
            break
        f, k = g, j
    if on_line[f, (k + 2) % 3]:
        end = total - 0.5 * np.pi
    if begin < end + WIDER:
        begin, end = begin - WIDER, end + WIDER
        from_vertex(mesh, heap, distance, reach, theta, v, corner, total, begin, end, back)


@entry(writes="heap distance back")
def begin(
    mesh: Mesh,
    on_line: Bools2,
    source: Bools1,
    reach: float,
    first: Ints1,
    theta: Floats2,
    total: Floats1,
    heap: Heap,
    distance: Floats1,
    back: Floats1,
) -> None:
    """Enter the windows that set off from the border edges ``on_line`` (m, 3) and from the
    vertices ``source`` (n,); the other arguments as in ``spread``."""
    for v in range(distance.size):
        distance[v] = 0.0 if source[v] else np.inf
    for f in range(on_line.shape[0]):
        for k in range(3):
            if on_line[f, k]:
                whole = mesh.lengths[f, k]
                push(
                    heap,
                    mesh.faces,
                    mesh.lengths,
                    distance,
                    reach,
                    f,
                    k,
                    RAYS,
                    0.0,
                    whole,
                    0.0,
                    1.0,
                    0.0,
                )
    for v in range(distance.size):
        if source[v] and first[v] >= 0:
            start_fan(mesh, heap, distance, reach, theta, v, first[v], total[v], on_line, back)


@entry(writes="heap count distance back best where")
def spread(
    mesh: Mesh,
    reach: float,
    most: int,
    room: int,
    count: Ints1,
    first: Ints1,
    theta: Floats2,
    total: Floats1,
    heap: Heap,
    distance: Floats1,
    back: Floats1,
    best: Floats2,
    where: Floats2,
) -> float:
    """Fill ``distance`` (n,) by the windows that are in ``heap``, nearest first.

    ``first``, ``theta`` and ``total`` as of ``fans``. Also fills ``back`` (n,), the direction
    each vertex was reached from, as ``theta``; ``best`` and ``where`` (m, 3), infinite and 0 at
    first, are the shortest ways seen to corners, by the edge they came through.
    Distances past ``reach`` are infinite. Returns how far out all is known: ``reach``, or less
    where ``most`` windows didn't do (``count`` (1,) of them are gone). NaN where less than
    ``room`` is left in the heap: to be called again with a larger one.
    """
    window = local_vector(WINDOW)
    while heap.used[0] > 0:
        if heap.used[0] + room > heap.rows.shape[0]:
            return np.nan
        heap_pop(heap, window)
        count[0] += 1
        if count[0] > most:
            return window[0]
        if int(window[3]) == VERTEX:
            c = int(window[1])
            if window[0] == distance[c]:
                bend_round(mesh, heap, distance, reach, theta, c, first[c], total[c], back)
        else:
            go_on(mesh, heap, distance, reach, theta, back, best, where, window)
    return reach


def most_pushed(faces: np.ndarray) -> int:
    """How many windows one may send out at most: those into a fan, twice."""
    return 6 * (int(np.bincount(faces.ravel()).max()) + 1) + 3
