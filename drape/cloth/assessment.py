"""How the cloth fares: shear inside the ply's own edges and in its laps, areas.

Shear magnitudes are interpolated to the edges and weighted by surface area. Radians, mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from drape.cloth.net import Net
from drape.geometry.surface import Floats


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


def assess(net: Net, cut: shapely.Polygon, own: shapely.Polygon) -> Assessment:
    """Assess a net within the flat polygon ``cut``, whose part within ``own`` is the ply proper."""
    inside = shapely.intersection(cut, own)
    laps = shapely.difference(cut, own)
    _flat, shear, area = _cells_in(net, inside)
    border = np.abs(net.shear_at(_vertices(inside)))
    greatest = float(np.nanmax(np.concatenate([np.abs(shear), border])))
    order = np.argsort(np.abs(shear))
    share = np.cumsum(area[order]) / area.sum()
    p99 = float(np.abs(shear)[order][np.searchsorted(share, 0.99)])
    return Assessment(
        greatest,
        p99,
        float(np.sum(area * np.abs(shear)) / area.sum()),
        _greatest_in(net, laps),
        surface_area(net, cut),
        float(cut.area),
    )


def surface_area(net: Net, polygon: shapely.Polygon) -> float:
    """∬ cos γ du dv over a flat polygon: the area of surface that it covers, mm²."""
    _, shear, area = _cells_in(net, polygon)
    return float(np.sum(area * np.cos(shear)))


def _cells_in(net: Net, polygon: shapely.Polygon) -> tuple[Floats, Floats, Floats]:
    """Cells that meet the polygon: centres (k, 2), shear (k,), flat area inside it (k,)."""
    u, v = net.u, net.v
    cell = shapely.box(u[:-1, None], v[None, :-1], u[1:, None], v[None, 1:])
    shapely.prepare(polygon)
    meets = shapely.intersects(polygon, cell)
    part = cell[meets]
    whole = shapely.contains(polygon, part)
    area = np.where(whole, shapely.area(part), 0.0)
    cut = shapely.intersection(part[~whole], polygon)
    area[~whole] = shapely.area(cut)
    part[~whole] = cut
    keep = area > 0.0
    middle = shapely.get_coordinates(shapely.centroid(part[keep]))
    shear = net.shear_at(middle)
    known = ~np.isnan(shear)
    return middle[known], shear[known], area[keep][known]


def _vertices(polygon: shapely.Geometry) -> Floats:
    return shapely.get_coordinates(polygon)


def _greatest_in(net: Net, laps: shapely.Geometry) -> float | None:
    if laps.area < 1e-3:
        return None
    part = [p for p in shapely.get_parts(laps) if p.area > 1e-3]
    shear = [np.abs(_cells_in(net, p)[1]) for p in part]
    shear += [np.abs(net.shear_at(_vertices(p))) for p in part]
    values = np.concatenate(shear)
    values = values[~np.isnan(values)]
    return float(values.max()) if len(values) else None
