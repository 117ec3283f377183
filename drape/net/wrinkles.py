"""Wrinkle zones: connected areas of a piece sheared past the fabric's locking angle.

A zone is a risk: whether cloth wrinkles there depends on the hand and the tack too. Lengths
in mm, areas in mm² of the mid-surface, angles in radians.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from drape.geometry.surface import Floats, readonly
from drape.net.assessment import cells_in
from drape.net.contours import sheared_past
from drape.net.net import Net

FABRIC_SCATTER = np.radians(3.0)  # of a locking angle from roll to roll; from memory
AT_EDGE = 0.05  # mm: a zone this near to an edge touches it


@dataclass(frozen=True)
class Uncertainty:
    """How far the shear and the limit may be off, radians; the parts count as independent.

    mesh : slopes that the mesh doesn't give exactly
    net : what lies between the cells' centres, where the shear is curved
    fabric : scatter of the locking angle
    """

    mesh: float
    net: float
    fabric: float = float(FABRIC_SCATTER)

    @property
    def total(self) -> float:
        """Root of the sum of squares."""
        return float(np.sqrt(self.mesh**2 + self.net**2 + self.fabric**2))


@dataclass(frozen=True, eq=False)
class WrinkleZone:
    """A connected area past the limit.

    Attributes
    ----------
    area : float, mm²
    least, greatest : float, mm²
        Its area should the limit be higher or lower by the uncertainty; ``greatest`` may
        hold neighbouring zones, which grow together.
    own_area : float, mm², of ``area`` the part inside the ply's own edges
    peak : float, radians, magnitude
    sign : +1 where the angle between +warp and +weft closes, −1 where it opens
    place, flat_place : (3,), (2,) mm, of the peak
    u_range, v_range : (low, high) mm
        Wefts between these u and warps between these v cross it.
    edges : names of the edges of the cut that it touches; none: it lies inside
    outlines, flat_outlines : tuple of (k, 3), (k, 2) mm
        Closed lines, the first vertex repeated; the outer one first, then holes.
    """

    area: float
    least: float
    greatest: float
    own_area: float
    peak: float
    sign: int
    place: Floats
    flat_place: Floats
    u_range: tuple[float, float]
    v_range: tuple[float, float]
    edges: tuple[str, ...]
    outlines: tuple[Floats, ...]
    flat_outlines: tuple[Floats, ...]


@dataclass(frozen=True, eq=False)
class Wrinkling:
    """The wrinkle zones of a piece, the largest first, and what is unsure of them.

    ``area`` of all zones; ``least`` and ``greatest`` with the limit higher or lower by the
    uncertainty, mm²: there may be zones then where there are none at the limit.
    """

    limit: float
    uncertainty: Uncertainty
    area: float
    least: float
    greatest: float
    zones: tuple[WrinkleZone, ...]


def wrinkling(
    net: Net,
    cut: Geometry,
    own: Geometry,
    edges: Mapping[str, Geometry],
    limit: float,
    uncertainty: Uncertainty,
) -> Wrinkling:
    """Find the wrinkle zones of a piece.

    Parameters
    ----------
    net : Net
    cut, own : flat polygons of the cut and of the ply's own edges, mm
    edges : name → flat line of the cut there
    limit : float, radians
        Locking angle.
    uncertainty : Uncertainty
    """
    low = max(limit - uncertainty.total, 0.5 * limit)
    wide = _Parts.past(net, low, cut)
    narrow = _Parts.past(net, limit + uncertainty.total, cut)
    zones = tuple(
        _zone(net, part, sign, own, edges, wide, narrow)
        for part, sign in sheared_past(net, limit, cut)
    )
    return Wrinkling(
        limit,
        uncertainty,
        sum(z.area for z in zones),
        float(narrow.areas.sum()),
        float(wide.areas.sum()),
        zones,
    )


def net_uncertainty(net: Net) -> float:
    """How far shear between cell centres may be from what is interpolated, radians.

    A quarter of the second differences along u and v, of which 95 in 100 are smaller:
    1/8 of them in each direction is what a straight line misses of a parabola.
    """
    parts = [np.abs(np.diff(net.shear, 2, axis=axis)).ravel() for axis in (0, 1)]
    values = np.concatenate(parts)
    values = values[np.isfinite(values)]
    return 0.25 * float(np.quantile(values, 0.95)) if len(values) else 0.0


def surface_area(net: Net, flat: Geometry) -> float:
    """Area of the surface under a flat polygon, mm²: sheared cloth covers cos γ of its own."""
    _, shear, area = cells_in(net, flat)
    return float(np.sum(area * np.cos(shear)))


@dataclass(frozen=True, eq=False)
class _Parts:
    """Parts past another limit, found by place: a noisy scan has thousands.

    areas : (k,) mm² of surface, of the tree's geometries
    """

    tree: shapely.STRtree
    areas: Floats

    @staticmethod
    def past(net: Net, limit: float, cut: Geometry) -> _Parts:
        parts = [part for part, _ in sheared_past(net, limit, cut)]
        areas = np.array([surface_area(net, part) for part in parts], dtype=float)
        return _Parts(shapely.STRtree(parts), readonly(areas))

    def area_touching(self, part: shapely.Polygon) -> float:
        return float(self.areas[np.sort(self.tree.query(part, predicate="intersects"))].sum())


def _zone(
    net: Net,
    part: shapely.Polygon,
    sign: int,
    own: Geometry,
    edges: Mapping[str, Geometry],
    wide: _Parts,
    narrow: _Parts,
) -> WrinkleZone:
    rings = [shapely.get_coordinates(r) for r in (part.exterior, *part.interiors)]
    spots = np.concatenate([rings[0], cells_in(net, part)[0]])
    shear = np.abs(net.shear_at(spots))
    worst = int(np.nanargmax(shear))
    low_u, low_v, high_u, high_v = part.bounds
    inside = shapely.intersection(part, own)
    return WrinkleZone(
        area=surface_area(net, part),
        least=narrow.area_touching(part),
        greatest=wide.area_touching(part),
        own_area=surface_area(net, inside) if inside.area > 0.0 else 0.0,
        peak=float(shear[worst]),
        sign=sign,
        place=readonly(net.to_surface(spots[worst])[0]),
        flat_place=readonly(spots[worst]),
        u_range=(low_u, high_u),
        v_range=(low_v, high_v),
        edges=tuple(name for name, line in edges.items() if line.distance(part) < AT_EDGE),
        outlines=tuple(readonly(net.to_surface(r)) for r in rings),
        flat_outlines=tuple(readonly(r) for r in rings),
    )


def trimmed_away(zone: WrinkleZone, trimmed: Sequence[str]) -> bool:
    """Whether trimming in the mould takes a zone away."""
    past = zone.own_area <= 1e-3 * zone.area
    return past and bool(zone.edges) and all(name in trimmed for name in zone.edges)
