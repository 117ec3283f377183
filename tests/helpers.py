"""What many tests measure: outlines in the plane, orders of convergence, lines of errors. mm."""

import numpy as np
import pytest
import shapely

from drape.errors import InputError, InputErrors


def convergence_order(sizes, errors):
    """Fitted exponent p of errors ∝ sizeᵖ: negative where ``sizes`` count the parts."""
    return np.polyfit(np.log(sizes), np.log(errors), 1)[0]


def errors_of(read, *args):
    """Lines of all that ``read(*args)`` refuses at once, each of them one line."""
    with pytest.raises(InputErrors) as caught:
        read(*args)
    return _lines(caught.value.errors)


def one_line_of(read, *args):
    """The line of the one thing that ``read(*args)`` refuses, alone or in a list."""
    with pytest.raises(InputError) as caught:
        read(*args)
    error = caught.value
    (line,) = _lines(error.errors if isinstance(error, InputErrors) else [error])
    return line


def _lines(errors):
    lines = [e.line() for e in errors]
    assert lines
    assert all("\n" not in line for line in lines)
    return lines


def length(points):
    """Of a polyline (k, 2 or 3)."""
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def edge_points(outline, edge):
    """(k, 2) the outline's points along one of its edges, both ends included."""
    n = len(outline.points)
    return outline.points[(edge.first + np.arange((edge.last - edge.first) % n + 1)) % n]


def turned(points, angle):
    """(k, 2) points in axes turned by ``angle``: flat coordinates of a warp at that angle."""
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, -s], [s, c]])


def polygon(outline):
    return shapely.Polygon(outline.points)


def gap(p, q):
    """Greatest distance between the rims of two polygons, both ways, mm."""
    p, q = (shapely.segmentize(shapely.Polygon(x).exterior, 0.5) for x in (p, q))
    return max(
        shapely.distance(shapely.points(shapely.get_coordinates(a)), b).max()
        for a, b in ((p, q), (q, p))
    )


def corner_gap(outline, corners):
    """Greatest distance from exact corners (k, 2) to the outline's nearest corner, mm."""
    own = outline.points[[e.first for e in outline.edges]]
    return np.linalg.norm(corners[:, None] - own[None], axis=2).min(axis=1).max()


def overlap(net, mask):
    """Area that cells between nodes of ``mask`` (p, q) cover more than once or turned over,
    seen along z, mm²: on a graph z = f(x, y) places are told apart by x and y alone."""
    whole = mask[1:, 1:] & mask[:-1, 1:] & mask[1:, :-1] & mask[:-1, :-1]
    x = net.points[..., :2]
    corners = np.stack([x[:-1, :-1], x[1:, :-1], x[1:, 1:], x[:-1, 1:]], 2)[whole]
    cells = shapely.polygons(corners)
    facing = shapely.is_ccw(shapely.get_exterior_ring(cells))
    covered = shapely.area(cells[facing]).sum() - shapely.area(shapely.union_all(cells[facing]))
    return float(covered + shapely.area(cells[~facing]).sum())


def cell_areas(net):
    """(p−1, q−1) surface area of each cell, du·dv·cos γ, mm²; NaN where incomplete."""
    return np.diff(net.u)[:, None] * np.diff(net.v)[None, :] * np.cos(net.shear)
