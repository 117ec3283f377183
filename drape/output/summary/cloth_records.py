"""Zones at risk and strokes of a ply as records of the summary."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drape.net import bridging, smoothing_order, wrinkles
from drape.net.net import Net
from drape.net.wrinkles import trimmed_away
from drape.output.summary.cloth_models import BridgingZone, StrokeRecord, WrinkleBand, WrinkleZone


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


def smoothing(net: Net, strokes: Sequence[smoothing_order.Stroke]) -> tuple[StrokeRecord, ...]:
    out = []
    for s in strokes:
        pull = smoothing_order.pull_direction(net, s)
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
