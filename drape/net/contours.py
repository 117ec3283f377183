"""Where a net's shear passes an angle: flat polygons bounded by an interpolated contour.

The shear is known at cell centres. Between them it is taken as linear on the four triangles
that the centres of four cells make with their middle; past the last whole cells it goes on
as the nearest triangle does (``Net.shear_at``). Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from drape.geometry.surface import Bools, Floats
from drape.net.net import Net

GRID = 1e-6  # mm, to which corners are rounded before areas are joined
SMALLEST = 1e-2  # mm²: less is rounding


def sheared_past(net: Net, limit: float, within: Geometry) -> list[tuple[shapely.Polygon, int]]:
    """Connected flat areas where the shear's magnitude passes an angle.

    Parameters
    ----------
    net : Net
    limit : float, radians, more than 0
    within : flat polygon, mm

    Returns
    -------
    list of (polygon, sign)
        The largest first. ``sign`` is +1 where the angle between +warp and +weft closes,
        −1 where it opens: areas of opposite shear are kept apart.
    """
    out = []
    u, v, shear = _filled(net, within)
    for sign in (1, -1):
        area = shapely.intersection(_above(u, v, sign * shear - limit), within)
        parts = [p for p in shapely.get_parts(area) if p.geom_type == "Polygon"]
        out += [(p, sign) for p in parts if p.area > SMALLEST]
    return sorted(out, key=lambda part: -part[0].area)


def _filled(net: Net, within: Geometry) -> tuple[Floats, Floats, Floats]:
    """Centres and shear, with the cells round ``within`` that aren't whole filled in."""
    u, v = net.centres
    low_u, low_v, high_u, high_v = within.bounds
    pad = 2.0 * max(float(np.diff(net.u).max()), float(np.diff(net.v).max()))
    i = np.flatnonzero((u > low_u - pad) & (u < high_u + pad))
    j = np.flatnonzero((v > low_v - pad) & (v < high_v + pad))
    shear = net.shear[np.ix_(i, j)].copy()
    lost = np.isnan(shear)
    if lost.any():
        a, b = np.nonzero(lost)
        shear[lost] = net.shear_at(np.stack([u[i[a]], v[j[b]]], axis=1))
    return u[i], v[j], shear


def _above(u: Floats, v: Floats, field: Floats) -> Geometry:
    """The flat area where ``field`` (p, q) over u (p,) × v (q,) is above 0."""
    corners = np.stack([field[:-1, :-1], field[1:, :-1], field[1:, 1:], field[:-1, 1:]], axis=-1)
    known = np.isfinite(corners).all(axis=-1)
    full = known & (corners > 0.0).all(axis=-1)
    i, j = np.nonzero(full)
    whole = shapely.box(u[i], v[j], u[i + 1], v[j + 1])
    i, j = np.nonzero(known & ~full & (corners > 0.0).any(axis=-1))
    x = np.stack([u[i], u[i + 1], u[i + 1], u[i]], axis=1)
    y = np.stack([v[j], v[j], v[j + 1], v[j + 1]], axis=1)
    places, values = np.stack([x, y], axis=2), corners[i, j]
    parts = _triangle_parts(places, values)
    return shapely.union_all(np.concatenate([whole, parts]), grid_size=GRID)


def _triangle_parts(places: Floats, values: Floats) -> np.ndarray:
    """Polygons where the field is above 0 in cells (k, 4, 2) with corner values (k, 4)."""
    middle, mean = places.mean(axis=1), values.mean(axis=1)
    out = []
    for a in range(4):
        b = (a + 1) % 4
        corner = np.stack([middle, places[:, a], places[:, b]], axis=1)
        value = np.stack([mean, values[:, a], values[:, b]], axis=1)
        out += [_cut(corner, value, value > 0.0)]
    return np.concatenate(out)


def _cut(corner: Floats, value: Floats, above: Bools) -> np.ndarray:
    """The part above 0 of triangles (k, 3, 2) on whose corners a field has ``value`` (k, 3)."""
    out = [shapely.polygons(corner[above.all(axis=1)])]
    for count in (1, 2):
        rows = np.flatnonzero(above.sum(axis=1) == count)
        odd = np.argmax(above[rows] == (count == 1), axis=1)  # the corner that is alone
        c, f = corner[rows], value[rows]
        k = np.arange(len(rows))
        at, one, two = odd, (odd + 1) % 3, (odd + 2) % 3
        p = _zero(c[k, at], c[k, one], f[k, at], f[k, one])
        q = _zero(c[k, at], c[k, two], f[k, at], f[k, two])
        if count == 1:
            out.append(shapely.polygons(np.stack([c[k, at], p, q], axis=1)))
        else:
            out.append(shapely.polygons(np.stack([p, c[k, one], c[k, two], q], axis=1)))
    return np.concatenate(out)


def _zero(p: Floats, q: Floats, f: Floats, g: Floats) -> Floats:
    """(k, 2) where the field is 0 between p and q, of opposite signs there."""
    share = f / (f - g)
    return p + share[:, None] * (q - p)
