"""Caps over holes: the surface carried on across a hole, so that yarns can cross it.

Cloth runs over a hole as if the mould went on. The cap is a smooth graph over the plane
through the rim, a cubic radial-basis interpolant of the surface round the hole: quadrics
are kept exactly, a cylinder or sphere to fourth order in hole size over radius.

Lengths in mm.
"""

from __future__ import annotations

import numpy as np
import shapely
from scipy.interpolate import RBFInterpolator
from scipy.spatial import Delaunay

from drape.geometry.rims import rim_normals
from drape.geometry.surface import Floats, Ints, Surface, unit

SUPPORT = 1.0  # of the hole's radius: how far round it the surface shapes the cap
MOST_SUPPORT = 400  # vertices
MOST_CAP = 4000  # inner vertices of a cap
STEEPEST = np.cos(np.radians(60.0))
STEP = 1e-3  # of the hole's radius, for slopes by central differences

Cap = tuple[Floats, Ints, Floats]


def make_cap(surface: Surface, rim: Ints, first: int) -> Cap | None:
    """Points, faces and corner normals of a cap over the hole ``rim``; new ids from ``first``.

    None where the hole is no graph over a plane, or its rim can't be triangulated.
    """
    points, normals = surface.vertices[rim], rim_normals(surface, rim)
    middle, axes = points.mean(axis=0), plane_axes(normals)
    if axes is None:
        return None
    flat = (points - middle) @ axes[:2].T
    return carried_on(surface, rim, normals, flat, np.empty((0, 2)), middle, axes, first)


def carried_on(
    surface: Surface,
    chain: Ints,
    normals: Floats,
    flat: Floats,
    free: Floats,
    middle: Floats,
    axes: Floats,
    first: int,
) -> Cap | None:
    """The surface carried on over a polygon beside it, as ``make_cap`` gives it.

    Parameters
    ----------
    chain, normals : (k,), (k, 3)
        Vertices of the surface on the polygon's rim, clockwise round it, and normals there.
    flat, free : (k, 2), (f, 2)
        The chain, and the rest of the polygon's rim, in the plane.
    middle, axes : (3,), (3, 3)
        The plane: its origin, two tangents and normal as rows.
    first : int
        Id of the first new vertex: the free ones, then inner ones.
    """
    rim = np.concatenate([flat, free])
    polygon = shapely.Polygon(rim)
    if not polygon.is_valid or polygon.area <= 0.0:
        return None
    radius = float(np.sqrt(polygon.area / np.pi))
    height = _height(surface, chain, middle, axes, radius)
    if height is None:
        return None
    inner = _inner_points(rim, polygon, radius)
    triangles = _triangles(rim, inner, polygon)
    if triangles is None:
        return None
    new = np.concatenate([free, inner])
    placed = middle + new @ axes[:2] + height(new)[:, None] * axes[2]
    slopes = _slopes(height, new, STEP * radius)
    tilted = unit(axes[2] - slopes @ axes[:2])
    ids = np.concatenate([chain, first + np.arange(len(new))])
    return placed, ids[triangles], np.concatenate([normals, tilted])[triangles]


def plane_axes(normals: Floats) -> Floats | None:
    """(3, 3) rows: two tangents and the mean normal; None where the rim is too steep."""
    mean = unit(normals.mean(axis=0))
    if (normals @ mean).min() < STEEPEST:
        return None
    first = unit(np.cross(mean, np.eye(3)[np.argmin(np.abs(mean))]))
    return np.stack([first, np.cross(mean, first), mean])


def _height(surface: Surface, rim: Ints, middle: Floats, axes: Floats, radius: float):
    """Interpolant of the height over the plane, from the vertices round the hole."""
    gap = np.linalg.norm(surface.vertices - middle, axis=1)
    reach = gap[rim].max() + SUPPORT * radius
    near = np.flatnonzero(gap <= reach)
    near = np.union1d(near[np.linspace(0, len(near) - 1, MOST_SUPPORT).astype(int)], rim)
    local = (surface.vertices[near] - middle) @ axes.T
    if len(near) < 10 or np.abs(local[:, 2]).max() > 2.0 * reach:
        return None
    return RBFInterpolator(local[:, :2], local[:, 2], kernel="cubic", degree=2)


def _inner_points(flat: Floats, polygon: shapely.Polygon, radius: float) -> Floats:
    """(k, 2) a triangular lattice inside the hole, about as fine as its rim."""
    step = float(np.median(np.linalg.norm(np.roll(flat, -1, axis=0) - flat, axis=1)))
    step = max(step, radius * np.sqrt(np.pi / MOST_CAP))
    low, high = flat.min(axis=0), flat.max(axis=0)
    rows = np.arange(low[1], high[1], step * np.sqrt(0.75))
    columns = np.arange(low[0], high[0], step)
    shift = 0.5 * step * (np.arange(len(rows)) % 2)
    x = columns[None] + shift[:, None]
    points = np.stack([x, np.broadcast_to(rows[:, None], x.shape)], axis=-1).reshape(-1, 2)
    shrunk = polygon.buffer(-0.6 * step)
    return points[np.asarray(shapely.contains_xy(shrunk, points[:, 0], points[:, 1]))]


def _triangles(flat: Floats, inner: Floats, polygon: shapely.Polygon) -> Ints | None:
    """(m, 3) counter-clockwise triangles of rim and inner points; None if a rim edge lacks."""
    points = np.concatenate([flat, inner])
    triangles = Delaunay(points).simplices.astype(np.int64)
    centre = points[triangles].mean(axis=1)
    triangles = triangles[np.asarray(shapely.contains_xy(polygon, centre[:, 0], centre[:, 1]))]
    a, b, c = (points[triangles[:, k]] for k in range(3))
    turn = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]
    triangles[turn < 0] = triangles[turn < 0][:, ::-1]
    sides = {(int(t[k]), int(t[(k + 1) % 3])) for t in triangles for k in range(3)}
    count = len(flat)  # the rim runs clockwise round the hole: the cap's sides run back
    whole = all(((k + 1) % count, k) in sides for k in range(count))
    return triangles if whole else None


def _slopes(height, at: Floats, step: float) -> Floats:
    """(k, 2) gradient of the height by central differences."""
    out = np.empty((len(at), 2))
    for c in range(2):
        shift = step * np.eye(2)[c]
        out[:, c] = (height(at + shift) - height(at - shift)) / (2.0 * step)
    return out
