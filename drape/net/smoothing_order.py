"""Smoothing order: in which strokes to press a ply down, and which way to shear it.

First along the first yarns, which stay straight; then sector by sector between them, the
least sheared first, each outward from what lies already, so that the last stroke is in the
sector that is sheared worst. This follows from how the net is made (its cells are fixed by
their neighbours nearer to the start) and from common practice. Lengths in mm, radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from scipy import sparse
from scipy.ndimage import label
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry as Geometry

from drape.geometry.surface import Bools, Floats, Ints, readonly
from drape.net.net import Net

REACH = 100.0  # mm that one stroke goes outward, at most; from memory
MOST_STROKES = 16
MOST_BANDS = 3  # strokes of a sector
SMALL = 0.01  # of the piece: a smaller part goes with its neighbour
UNSHEARED = np.radians(1.0)  # less needs no pull
AXES = (("warp", 1), ("warp", -1), ("weft", 1), ("weft", -1))


@dataclass(frozen=True, eq=False)
class Stroke:
    """One stroke.

    Attributes
    ----------
    number : int, from 1
    sector : int
        0 along the first yarns (or the cells nearest to a start point that the piece
        leaves out), then from 1 in order.
    cells : (k, 2) int, cells of the net that it presses down
    greatest_shear : float, radians, magnitude
    lengthens : int
        The diagonal of the yarns along which to pull: +1 between +warp and +weft, −1 between
        +warp and −weft, 0 where hardly any shear is needed.
    flat, points : (n, 2), (n, 3) mm
        From a place that is pressed down already.
    """

    number: int
    sector: int
    cells: Ints
    greatest_shear: float
    lengthens: int
    flat: Floats
    points: Floats


@dataclass(frozen=True, eq=False)
class _Cells:
    """The cells of a piece: which (p, q), their numbers there, places and ways between them."""

    there: Bools
    index: Ints
    grid: Ints
    flat: Floats
    shear: Floats
    graph: sparse.csr_matrix


def smoothing_order(net: Net, cut: Geometry) -> tuple[Stroke, ...]:
    """The strokes of a piece inside the flat polygon ``cut``, in order.

    Every cell of the piece belongs to one stroke. Empty for a piece smaller than a cell.
    """
    cells = _cells(net, cut)
    if not len(cells.grid):
        return ()
    start = _start(net, cells)
    distance = dijkstra(cells.graph, indices=start, min_only=True)
    parts = _first_yarns(net, cells) or [(cells.flat[start[[0, 0]]], start)]
    pressed = np.zeros(len(cells.grid), dtype=bool)
    strokes: list[Stroke] = []
    for ends, members in parts:
        strokes.append(_stroke(net, cells, len(strokes) + 1, 0, members, ends))
        pressed[members] = True
    sectors = _sectors(cells, pressed)
    room = MOST_STROKES - len(strokes)
    for number, members in enumerate(sectors, 1):
        most = max(1, min(MOST_BANDS, room // len(sectors)))
        for band in _bands(distance, members, most):
            path = _path(cells, pressed, band, distance)
            strokes.append(_stroke(net, cells, len(strokes) + 1, number, band, cells.flat[path]))
            pressed[band] = True
    return tuple(strokes)


def _cells(net: Net, cut: Geometry) -> _Cells:
    u, v = net.centres
    x, y = np.meshgrid(u, v, indexing="ij")
    there = np.isfinite(net.shear) & np.asarray(shapely.contains_xy(cut, x, y))
    index = np.where(there, np.cumsum(there).reshape(there.shape) - 1, -1)
    grid = np.argwhere(there)
    flat = np.stack([x[there], y[there]], axis=1)
    return _Cells(there, index, grid, flat, net.shear[there], _graph(index, flat))


def _graph(index: Ints, flat: Floats) -> sparse.csr_matrix:
    """Ways between cells that share a side or a corner, mm of cloth."""
    pairs = []
    for a, b in (
        (index[1:], index[:-1]),
        (index[:, 1:], index[:, :-1]),
        (index[1:, 1:], index[:-1, :-1]),
        (index[1:, :-1], index[:-1, 1:]),
    ):
        both = (a >= 0) & (b >= 0)
        pairs.append(np.stack([a[both], b[both]], axis=1))
    ends = np.concatenate(pairs)
    length = np.linalg.norm(flat[ends[:, 0]] - flat[ends[:, 1]], axis=1)
    n = len(flat)
    one = sparse.csr_matrix((length, (ends[:, 0], ends[:, 1])), (n, n))
    return (one + one.T).tocsr()


def _start(net: Net, cells: _Cells) -> Ints:
    """Cells round the start point, or the nearest one if it lies outside the piece."""
    i, j = net.origin
    near = np.flatnonzero(
        np.isin(cells.grid[:, 0], (i - 1, i)) & np.isin(cells.grid[:, 1], (j - 1, j))
    )
    if len(near):
        return near
    return np.array([int(np.argmin(np.linalg.norm(cells.flat, axis=1)))])


def _first_yarns(net: Net, cells: _Cells) -> list[tuple[Floats, Ints]]:
    """For each half of a first yarn in the piece its ends (2, 2) and the cells beside it."""
    out, taken = [], np.zeros(len(cells.grid), dtype=bool)
    for name, way in AXES:
        across = 1 if name == "warp" else 0
        index = cells.index if name == "warp" else cells.index.T
        i, j = net.origin if name == "warp" else net.origin[::-1]
        lines = net.u if name == "warp" else net.v
        pair = index[:, [k for k in (j - 1, j) if 0 <= k < index.shape[1]]]
        order = np.arange(i, len(pair)) if way > 0 else np.arange(i - 1, -1, -1)
        gone = np.append((pair[order] >= 0).any(axis=1), False)
        count = int(np.argmin(gone))
        members = pair[order[:count]].ravel()
        members = members[members >= 0]
        members = members[~taken[members]]
        if not len(members):
            continue
        taken[members] = True
        last = lines[order[count - 1] + (1 if way > 0 else 0)]
        ends = np.zeros((2, 2))
        ends[1, 1 - across] = last
        out.append((ends, members))
    return out


def _sectors(cells: _Cells, pressed: Bools) -> list[Ints]:
    """The connected rest, the least sheared first; small parts go with the nearest large one."""
    rest = cells.there.copy()
    rest[tuple(cells.grid[pressed].T)] = False
    number, count = label(rest)
    number = number[tuple(cells.grid.T)]
    size = np.bincount(number, minlength=count + 1)
    size[0] = 0
    order = np.argsort(-size[1:], kind="stable") + 1
    large = [k for k in order[: MOST_STROKES // 2] if size[k] >= SMALL * len(cells.grid)]
    large = large or list(order[:1])
    small = np.flatnonzero((number > 0) & ~np.isin(number, large))
    if len(small):
        kept = np.flatnonzero(np.isin(number, large))
        near = cKDTree(cells.flat[kept]).query(cells.flat[small])[1]
        number[small] = number[kept[near]]
    sectors = [np.flatnonzero(number == k) for k in large if (number == k).any()]
    return sorted(sectors, key=lambda s: float(np.abs(cells.shear[s]).max()))


def _bands(distance: Floats, members: Ints, most: int) -> list[Ints]:
    """A sector's cells by their way from the start, in up to ``most`` equal steps outward."""
    way = distance[members]
    known = np.isfinite(way)
    if not known.any():
        return [members]
    low, high = float(way[known].min()), float(way[known].max())
    count = int(np.clip(np.ceil((high - low) / REACH), 1, most))
    step = np.where(known, (way - low) / max(high - low, 1e-9) * count, count)
    number = np.clip(np.nan_to_num(step, posinf=count).astype(int), 0, count - 1)
    return [members[number == k] for k in range(count) if (number == k).any()]


def _path(cells: _Cells, pressed: Bools, band: Ints, distance: Floats) -> Ints:
    """Cells from a pressed one beside the band to where its outer part is sheared most."""
    beside = np.unique(cells.graph[band].indices)
    beside = beside[pressed[beside]]
    outer = band[distance[band] >= np.median(distance[band])]
    end = int(outer[np.argmax(np.abs(cells.shear[outer]))])
    if not len(beside):  # an island: from the pressed cell that is nearest
        old = np.flatnonzero(pressed)
        near = int(np.argmin(np.linalg.norm(cells.flat[old] - cells.flat[end], axis=1)))
        return np.array([old[near], end])
    start = int(beside[np.argmin(distance[beside])])
    for allowed in (np.append(band, start), np.append(band, np.flatnonzero(pressed))):
        allowed = np.unique(allowed)
        local = cells.graph[allowed][:, allowed]
        first, last = np.searchsorted(allowed, (start, end))
        before = dijkstra(local, indices=first, return_predecessors=True)[1]
        if before[last] >= 0:
            path = [int(last)]
            while path[-1] != first:
                path.append(int(before[path[-1]]))
            return allowed[path[::-1]]
    return np.array([start, end])


def _stroke(
    net: Net, cells: _Cells, number: int, sector: int, members: Ints, flat: Floats
) -> Stroke:
    side = float(np.diff(net.u).max())
    line = shapely.LineString(flat).simplify(1.5 * side)
    if line.length > 0.0:
        flat = shapely.get_coordinates(shapely.segmentize(line, 5.0 * side))
    points = net.to_surface(flat)
    good = np.isfinite(points).all(axis=1)
    shear = cells.shear[members]
    worst = float(shear[np.argmax(np.abs(shear))])
    return Stroke(
        number,
        sector,
        readonly(cells.grid[members]),
        abs(worst),
        int(np.sign(worst)) if abs(worst) > UNSHEARED else 0,
        readonly(flat[good]),
        readonly(points[good]),
    )


def pull_on_cloth(stroke: Stroke) -> Floats | None:
    """(2,) unit direction on the flat cloth along which to pull; None where none is needed.

    Of the growing diagonal's two ways the one outward along the stroke.
    """
    if stroke.lengthens == 0:
        return None
    way = np.array([1.0, float(stroke.lengthens)]) / np.sqrt(2.0)
    if way @ (stroke.flat[-1] - stroke.flat[0]) < 0.0:
        way = -way
    return readonly(way)


def pull_direction(net: Net, stroke: Stroke) -> Floats | None:
    """(3,) the same on the part, at the stroke's end; None also where the net ends there."""
    way = pull_on_cloth(stroke)
    if way is None:
        return None
    end = stroke.flat[-1]
    a, b = net.to_surface(np.stack([end - 0.1 * way, end + 0.1 * way]))
    length = float(np.linalg.norm(b - a))
    return readonly((b - a) / length) if length > 0.0 else None  # nor is NaN
