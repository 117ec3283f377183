"""A ply as triangles to look at: the net inside the cut line, cut off exactly there.

Lengths in mm; shear in degrees, as it is shown.
"""

from __future__ import annotations

import numpy as np
import shapely

from drape.geometry.surface import Floats, Ints, readonly
from drape.net.net import Net
from viewers.scene.schema import SheetMesh

CELLS = 5000  # of a ply: enough for the eye, and a light file
SAME = 1e-6  # mm: flat vertices nearer than that are one
LEAST_AREA = 1e-6  # mm²: what is left of a cell below that is rounding


def ply_sheet(net: Net, polygon: shapely.Polygon, cells: int = CELLS) -> SheetMesh:
    """The part of a net inside a flat polygon, in about ``cells`` cells or its own if fewer.

    Whole cells make two triangles; what the polygon leaves of the others is triangulated,
    so that the sheet ends at the cut line itself.
    """
    step = max(float(np.diff(net.u).min()), float(np.sqrt(polygon.area / cells)))
    low_x, low_y, high_x, high_y = polygon.bounds
    x, y = (_lines(*pair, step) for pair in ((low_x, high_x), (low_y, high_y)))
    i, j = (k.ravel() for k in np.indices((len(x) - 1, len(y) - 1)))
    box = np.asarray(shapely.box(x[i], y[j], x[i + 1], y[j + 1]))
    shapely.prepare(polygon)
    whole = np.asarray(shapely.contains(polygon, box))
    cut = np.asarray(shapely.intersects(polygon, box)) & ~whole
    corners = np.stack([_whole(x, y, i[whole], j[whole], k) for k in (0, 1)]).reshape(-1, 3, 2)
    parts = shapely.get_parts(shapely.intersection(box[cut], polygon))
    parts = parts[shapely.area(parts) > LEAST_AREA]
    rest = shapely.get_parts(shapely.constrained_delaunay_triangles(parts))
    if len(rest):
        rest = shapely.get_coordinates(shapely.normalize(rest)).reshape(-1, 4, 2)[:, :3]
        corners = np.concatenate([corners, _counter_clockwise(rest)])
    return _mapped(net, corners)


def _lines(low: float, high: float, step: float) -> Floats:
    """Multiples of a step that reach past both ends: the start point's yarns are among them."""
    return step * np.arange(np.floor(low / step), np.ceil(high / step) + 1.0)


def _whole(x: Floats, y: Floats, i: Ints, j: Ints, which: int) -> Floats:
    """(k, 3, 2) one of the two triangles of each cell."""
    at = ((0, 0), (1, 0), (1, 1)) if which == 0 else ((0, 0), (1, 1), (0, 1))
    return np.stack([np.stack([x[i + a], y[j + b]], axis=1) for a, b in at], axis=1)


def _counter_clockwise(corners: Floats) -> Floats:
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    back = a[:, 0] * b[:, 1] < a[:, 1] * b[:, 0]
    return np.where(back[:, None, None], corners[:, ::-1], corners)


def _mapped(net: Net, corners: Floats) -> SheetMesh:
    """Triangles (k, 3, 2) with their vertices merged and looked up; those off the net are left."""
    keys, index = np.unique(
        np.round(corners.reshape(-1, 2) / SAME).astype(np.int64), axis=0, return_inverse=True
    )
    flat: Floats = np.asarray(keys, dtype=float) * SAME
    points, shear = net.to_surface(flat), np.degrees(net.shear_at(flat))
    good = np.isfinite(points).all(axis=1) & np.isfinite(shear)
    triangles = index.reshape(-1, 3)
    a, b = (flat[triangles[:, k]] - flat[triangles[:, 0]] for k in (1, 2))
    # slivers along a cell's side: their turn is rounding, and a side would be run twice one way
    solid = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0] > 2.0 * LEAST_AREA
    triangles = triangles[good[triangles].all(axis=1) & solid]
    used, triangles = np.unique(triangles, return_inverse=True)
    return {
        "points": readonly(points[used]),
        "flat": readonly(flat[used]),
        "shear_deg": readonly(shear[used]),
        "triangles": readonly(triangles.reshape(-1, 3)),
    }


def contour(points: Floats, shear_deg: Floats, triangles: Ints, level_deg: float) -> Floats:
    """(k, 2, d) segments where the magnitude of shear is ``level_deg``, linear in triangles.

    ``points`` (n, d) mm, on the part or on the cloth; ``shear_deg`` (n,); ``triangles`` (m, 3).
    """
    above = np.abs(shear_deg) - level_deg
    above = np.where(above == 0.0, 1e-12, above)
    t = triangles
    high = above[t] > 0.0
    crossed = np.flatnonzero(high.any(axis=1) & ~high.all(axis=1))
    t, high = t[crossed], high[crossed]
    alone = np.where(high.sum(axis=1) == 1, high.argmax(axis=1), (~high).argmax(axis=1))
    rows = np.arange(len(t))
    apex = t[rows, alone]
    ends = []
    for step in (1, 2):
        other = t[rows, (alone + step) % 3]
        share = (above[apex] / (above[apex] - above[other]))[:, None]
        ends.append((1.0 - share) * points[apex] + share * points[other])
    return np.stack(ends, axis=1)
