"""Records of summary.json on what becomes of the cloth: zones at risk, smoothing order.

mm and degrees at this surface.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, FiniteFloat

from drape.cloth import bridging, pressing, wrinkles
from drape.cloth.net import Net
from drape.output.model import Amount, Model, Point2, Point3, Vector3

Range = tuple[FiniteFloat, FiniteFloat]


class WrinkleZone(Model):
    """A connected area sheared past the locking angle: a risk of wrinkles.

    ``centre_mm`` and ``flat_mm`` are the place of the greatest shear, on the mould and on the
    pattern. ``least_mm2`` and ``greatest_mm2``: its area with the limit off by the band;
    ``own_area_mm2`` is what lies inside the ply's own edges. Wefts between the u's and
    warps between the v's cross it. ``edges``: those it touches; ``trimmed_away``: it lies
    past the own edges, and all of those it touches are trimmed in the mould.
    """

    area_mm2: Amount
    least_mm2: Amount | None = None
    greatest_mm2: Amount | None = None
    own_area_mm2: Amount | None = None
    max_shear_deg: Amount | None = None
    lengthens_deg: Literal[45, -45] | None = None
    centre_mm: Point3 | None = None
    flat_mm: Point2 | None = None
    u_mm: Range | None = None
    v_mm: Range | None = None
    edges: tuple[str, ...] = ()
    trimmed_away: bool = False


class WrinkleBand(Model):
    """How unsure the zones are: all of their area with the limit off by ``plus_minus_deg``.

    Its parts (of the mesh, the net's spacing, the fabric's scatter) add as squares.
    """

    area_mm2: Amount
    least_mm2: Amount
    greatest_mm2: Amount
    plus_minus_deg: Amount
    mesh_deg: Amount
    net_deg: Amount
    fabric_deg: Amount


class BridgingZone(Model):
    """A connected place that yarns bend at more tightly than they can follow: a risk.

    ``concave``: hollow seen from inside, and ``radius_mm`` the mould's (0: sharp); the cloth
    would span it with a gap ``height_mm`` high. ``convex``: an outside corner, and the radius
    of the ply itself.
    """

    kind: Literal["concave", "convex"]
    area_mm2: Amount
    radius_mm: Amount
    limit_mm: Amount
    height_mm: Amount
    centre_mm: Point3
    yarns: tuple[Literal["warp", "weft"], ...]
    u_mm: Range
    v_mm: Range


class StrokeRecord(Model):
    """A stroke of the smoothing order; ``sector`` 0 is along the first yarns.

    ``lengthens_deg``: the diagonal to pull along, +45 between +warp (x of the pattern) and
    +weft (y), −45 between +warp and −weft, null where hardly any shear is needed;
    ``shear_direction`` is its direction on the mould at the stroke's end.
    """

    number: Annotated[int, Field(ge=1)]
    sector: Annotated[int, Field(ge=0)]
    from_mm: Point3
    to_mm: Point3
    from_flat_mm: Point2
    to_flat_mm: Point2
    greatest_shear_deg: Amount
    lengthens_deg: Literal[45, -45] | None = None
    shear_direction: Vector3 | None = None


def wrinkle_zones(
    found: wrinkles.Wrinkling, trimmed: Sequence[str] = ()
) -> tuple[WrinkleZone, ...]:
    """The zones; ``trimmed``: names of the edges that are trimmed in the mould."""
    return tuple(
        WrinkleZone(
            area_mm2=_round(z.area),
            least_mm2=_round(z.least),
            greatest_mm2=_round(z.greatest),
            own_area_mm2=_round(z.own_area),
            max_shear_deg=_degrees(z.peak),
            lengthens_deg=45 if z.sign > 0 else -45,
            centre_mm=None if np.isnan(z.place).any() else _point(z.place),
            flat_mm=(float(z.flat_place[0]), float(z.flat_place[1])),
            u_mm=_range(z.u_range),
            v_mm=_range(z.v_range),
            edges=z.edges,
            trimmed_away=trimmed_away(z, trimmed),
        )
        for z in found.zones
    )


def trimmed_away(zone: wrinkles.WrinkleZone, trimmed: Sequence[str]) -> bool:
    """Whether trimming in the mould takes a zone away."""
    past = zone.own_area <= 1e-3 * zone.area
    return past and bool(zone.edges) and all(name in trimmed for name in zone.edges)


def wrinkle_band(found: wrinkles.Wrinkling) -> WrinkleBand:
    parts = found.uncertainty
    return WrinkleBand(
        area_mm2=_round(found.area),
        least_mm2=_round(found.least),
        greatest_mm2=_round(found.greatest),
        plus_minus_deg=_degrees(parts.total),
        mesh_deg=_degrees(parts.mesh),
        net_deg=_degrees(parts.net),
        fabric_deg=_degrees(parts.fabric),
    )


def bridging_zones(zones: Sequence[bridging.BridgingZone]) -> tuple[BridgingZone, ...]:
    return tuple(
        BridgingZone(
            kind=z.kind,
            area_mm2=_round(z.area),
            radius_mm=_round(z.radius),
            limit_mm=_round(z.limit),
            height_mm=_round(z.height),
            centre_mm=_point(z.place),
            yarns=z.yarns,
            u_mm=_range(z.u_range),
            v_mm=_range(z.v_range),
        )
        for z in zones
    )


def smoothing(net: Net, strokes: Sequence[pressing.Stroke]) -> tuple[StrokeRecord, ...]:
    out = []
    for s in strokes:
        pull = pressing.pull_direction(net, s)
        out.append(
            StrokeRecord(
                number=s.number,
                sector=s.sector,
                from_mm=_point(s.points[0]),
                to_mm=_point(s.points[-1]),
                from_flat_mm=(float(s.flat[0, 0]), float(s.flat[0, 1])),
                to_flat_mm=(float(s.flat[-1, 0]), float(s.flat[-1, 1])),
                greatest_shear_deg=_degrees(s.greatest_shear),
                lengthens_deg={1: 45, -1: -45, 0: None}[s.lengthens],
                shear_direction=None if pull is None else _point(np.round(pull, 9)),
            )
        )
    return tuple(out)


def _round(value: float) -> float:
    return round(float(value), 3) + 0.0


def _degrees(value: float) -> float:
    return round(float(np.degrees(value)), 6) + 0.0


def _range(ends: tuple[float, float]) -> tuple[float, float]:
    return _round(ends[0]), _round(ends[1])


def _point(values: np.ndarray) -> tuple[float, float, float]:
    x, y, z = (float(v) + 0.0 for v in values)
    return x, y, z
