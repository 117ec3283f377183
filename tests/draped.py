"""Bare sheets draped for tests, and how far two curves in the plane are apart. mm, radians."""

import numpy as np
import shapely

from drape.geometry.surface import Surface, build
from drape.layup.piece import PieceOptions, make_piece
from drape.layup.start_places import nearest
from drape.mould.closed.extension import extend
from drape.mould.region import plain_region
from drape.net.solver import NetOptions, solve_net


def sheet(mesh):
    """The region of a mesh (vertices, faces), or of a Surface."""
    return plain_region(mesh if isinstance(mesh, Surface) else build(*mesh))


def place(region, point):
    """The SurfacePoint under a point (3,)."""
    return nearest(region, point, "test")[0]


def drape_piece(mesh, start, warp, *, allowances=0.0, height=0.0, spacing=1.0):
    """A Piece on a bare sheet; ``allowances`` one for all edges, or by edge name."""
    region = sheet(mesh)
    if not isinstance(allowances, dict):
        allowances = {e.name: allowances for e in region.edges}
    options = PieceOptions(place(region, start), np.array(warp, float), allowances, height, spacing)
    return make_piece(region, options)


def drape_net(mesh, start, warp, *, spacing=1.0, margin=10.0, grow=True):
    """A Net on a bare sheet carried on past its edges, and that Extended."""
    region = sheet(mesh)
    extended = extend(region, region.surface, 1.0, margin)
    net = solve_net(
        extended.surface,
        place(region, start),
        np.array(warp, float),
        NetOptions(spacing=spacing, grow=grow),
        level=extended.level,
    )
    return net, extended


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
