"""How the cloth fares: shear inside the ply's own edges and in its laps, areas.

Shear magnitudes are interpolated to the edges and weighted by surface area. Radians, mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation
from shapely.geometry.base import BaseGeometry as Geometry

from drape.geometry.surface import Bools, Floats, Ints
from drape.net.net import Net

Cells = NDArray[np.object_]  # of shapely's polygons
SLIVER = 1e-3  # mm² of lap that is only the rounding of two equal outlines


@dataclass(frozen=True)
class Assessment:
    """Shear and areas of one piece.

    max_shear, p99_shear, mean_shear : radians, inside the ply's own edges
    max_shear_in_laps : radians or None where nothing goes past the edges
    surface_area : mm² of mid-surface inside the cut line
    cloth_area : mm² of flat cloth
    """

    max_shear: float
    p99_shear: float
    mean_shear: float
    max_shear_in_laps: float | None
    surface_area: float
    cloth_area: float


def assess(net: Net, cut: Geometry, own: Geometry) -> Assessment:
    """Assess a net within the flat polygon ``cut``, whose part within ``own`` is the ply proper."""
    inside = _areas(shapely.intersection(cut, own))
    laps = _areas(shapely.difference(cut, own))
    _, shear, area = cells_in(net, inside)
    _, lap_shear, lap_area = cells_in(net, laps)
    border = np.abs(net.shear_at(_vertices(inside)))
    covered = area * np.cos(shear)  # of the surface: sheared cloth covers less than its area
    order = np.argsort(np.abs(shear))
    share = (np.cumsum(covered[order]) - 0.5 * covered[order]) / covered.sum()
    in_laps = None
    if laps.area > SLIVER:
        in_laps = float(np.nanmax(np.abs([*lap_shear, *net.shear_at(_vertices(laps))])))
    return Assessment(
        float(np.nanmax(np.concatenate([np.abs(shear), border]))),
        float(np.interp(0.99, share, np.abs(shear)[order])),
        float(np.sum(covered * np.abs(shear)) / covered.sum()),
        in_laps,
        float(covered.sum() + np.sum(lap_area * np.cos(lap_shear))),
        float(cut.area),
    )


def _areas(geometry: Geometry) -> Geometry:
    """The polygons of a geometry: two outlines may also share lines and points."""
    parts = [p for p in shapely.get_parts(geometry) if p.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)


def cells_in(net: Net, polygon: Geometry) -> tuple[Floats, Floats, Floats]:
    """Cells that meet the polygon: centres (k, 2), shear (k,), flat area inside it (k,).

    Only the cells near the polygon's border are cut; of the others the centre decides.
    """
    u, v = net.u, net.v
    near = _near_border(net, polygon)
    shapely.prepare(polygon)
    x, y = (c.ravel() for c in np.meshgrid(*net.centres, indexing="ij"))
    inner = np.zeros(net.shear.size, dtype=bool)
    away = ~near.ravel()
    inner[away] = shapely.contains_xy(polygon, x[away], y[away])
    whole = np.flatnonzero(inner)
    i, j = np.nonzero(near)
    cell = np.asarray(shapely.box(u[i], v[j], u[i + 1], v[j + 1]))
    border = shapely.boundary(polygon)
    shapely.prepare(border)
    part = cell.copy()
    part[~np.asarray(shapely.contains_xy(polygon, *_middles(u, v, i, j)))] = None
    crossed = np.asarray(shapely.intersects(border, cell))
    part[crossed] = _cut(cell[crossed], i[crossed], u, polygon)
    part = part[part != None]  # noqa: E711
    area = np.asarray(shapely.area(part))
    part, area = part[area > 0.0], area[area > 0.0]
    middle = shapely.get_coordinates(shapely.centroid(part))
    middle = np.concatenate([np.stack([x[whole], y[whole]], axis=1), middle])
    size = np.outer(np.diff(u), np.diff(v)).ravel()
    area = np.concatenate([size[whole], area])
    shear = net.shear_at(middle)
    known = ~np.isnan(shear)
    return middle[known], shear[known], area[known]


def _cut(cell: Cells, column: Ints, u: Floats, polygon: Geometry) -> Cells:
    """The cells' parts inside the polygon.

    Each is cut from what of the polygon lies in its column: GEOS looks at every vertex of what
    it cuts, and an outline has a thousand.
    """
    columns, of = np.unique(column, return_inverse=True)
    _, low, _, high = polygon.bounds
    beside = 0.5 * float(np.diff(u).min())  # clear of the cells' own sides
    strip = shapely.box(u[columns] - beside, low, u[columns + 1] + beside, high)
    within = np.array([_areas(part) for part in shapely.intersection(strip, polygon)])
    return np.asarray(shapely.intersection(cell, within[of]))


def _middles(u: Floats, v: Floats, i: Ints, j: Ints) -> tuple[Floats, Floats]:
    return 0.5 * (u[i] + u[i + 1]), 0.5 * (v[j] + v[j + 1])


def _near_border(net: Net, polygon: Geometry) -> Bools:
    """(p−1, q−1) cells within a cell of the polygon's border."""
    step = 0.5 * float(min(np.diff(net.u).min(), np.diff(net.v).min()))
    points = shapely.get_coordinates(shapely.segmentize(shapely.boundary(polygon), step))
    i = np.clip(np.searchsorted(net.u, points[:, 0]) - 1, 0, len(net.u) - 2)
    j = np.clip(np.searchsorted(net.v, points[:, 1]) - 1, 0, len(net.v) - 2)
    out = np.zeros(net.shear.shape, dtype=bool)
    out[i, j] = True
    return binary_dilation(out, np.ones((3, 3), dtype=bool))


def _vertices(polygon: Geometry) -> Floats:
    return shapely.get_coordinates(polygon)
