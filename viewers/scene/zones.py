"""Zones at risk and smoothing strokes of a ply, as they are drawn.

Lengths in mm, angles in degrees.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely

from drape.geometry.surface import Floats
from drape.layup.risks import ClothRisks
from drape.net.net import Net
from drape.net.smoothing_order import Stroke, pull_direction, pull_on_cloth
from viewers.scene.lines import on_surface
from viewers.scene.schema import SmoothingStroke, Zone

HATCH = 3.0  # mm between the lines of a hatched zone
FEWEST_LINES = 4  # across a small one


def zone_scenes(net: Net, risks: ClothRisks) -> list[Zone]:
    """Wrinkle and bridging zones: kind, a line of text, outlines and hatching."""
    wrinkles = [
        _zone(net, "wrinkles", f"sheared up to {np.degrees(z.peak):.1f}°", z.area, z.flat_outlines)
        for z in risks.wrinkling.zones
    ]
    words = {"concave": "bridging", "convex": "outside corner"}
    bridges = [
        _zone(
            net,
            words[z.kind],
            f"radius {z.radius:.1f} mm, limit {z.limit:.1f} mm",
            z.area,
            (z.flat_outline,),
        )
        for z in risks.bridging
    ]
    return wrinkles + bridges


def _zone(net: Net, kind: str, text: str, area: float, flat: Iterable[Floats]) -> Zone:
    rings = list(flat)
    return {
        "kind": kind,
        "text": text,
        "area_mm2": float(area),
        "flat": rings,
        "outlines": [line for ring in rings for line in on_surface(net, ring)],
        "hatching": [line for part in hatching(rings) for line in on_surface(net, part)],
    }


def hatching(rings: list[Floats]) -> list[Floats]:
    """Flat lines (2, 2) at 45° to the yarns across a zone given by its rings, outer one first."""
    zone = shapely.make_valid(shapely.Polygon(rings[0], rings[1:]))
    corners = shapely.get_coordinates(shapely.box(*zone.bounds))
    along, across = np.array([1.0, 1.0]) / np.sqrt(2.0), np.array([1.0, -1.0]) / np.sqrt(2.0)
    low, high = (corners @ across).min(), (corners @ across).max()
    first, last = (corners @ along).min(), (corners @ along).max()
    step = min(HATCH, (high - low) / FEWEST_LINES)
    levels = np.arange(low + 0.5 * step, high, step)
    ends = np.stack(
        [first * along + levels[:, None] * across, last * along + levels[:, None] * across], axis=1
    )
    parts = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), zone))
    return [shapely.get_coordinates(p) for p in parts if p.geom_type == "LineString" and p.length]


def stroke_scenes(net: Net, strokes: Iterable[Stroke], seen_from: str) -> list[SmoothingStroke]:
    """The smoothing order: number, text, the stroke on the part and on the cloth, its pull there.

    ``seen_from`` says how the job counts angles; the words do as it does.
    """
    return [
        {
            "number": s.number,
            "text": stroke_text(s, seen_from),
            "points": s.points,
            "flat": s.flat,
            "pull": pull_direction(net, s),
            "pull_flat": pull_on_cloth(s),
        }
        for s in strokes
        if len(s.points) > 1
    ]


def stroke_text(stroke: Stroke, seen_from: str) -> str:
    """What the hand does in a stroke, its angle counted as the job does."""
    if stroke.sector == 0:
        return "straight along the first yarn, without shearing it"
    degrees = np.degrees(stroke.greatest_shear)
    if stroke.lengthens == 0:
        return "press it down outward; it needs almost no stretching"
    sense = stroke.lengthens if seen_from == "inside" else -stroke.lengthens
    way = "+45°" if sense > 0 else "−45°"
    return (
        f"stretch it along {way} to the warp (as seen from the {seen_from}): "
        f"up to {degrees:.0f}° of shear"
    )
