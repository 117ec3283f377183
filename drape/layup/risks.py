"""What a ply's cloth risks and how to lay it: wrinkle zones, bridging zones, smoothing order.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from math import degrees

import numpy as np
import shapely

from drape.errors import Finding, as_place, place_text
from drape.geometry.surface import Floats
from drape.job.job import Job
from drape.layup.checks import slope_error
from drape.layup.net_check import fine_enough
from drape.layup.order import LaidLayer
from drape.layup.outline import Outline
from drape.layup.piece import Piece
from drape.mould.inspection import Inspection
from drape.net.bridging import Base, BridgingZone, bridging_zones
from drape.net.smoothing_order import Stroke, smoothing_order
from drape.net.wrinkles import Uncertainty, Wrinkling, net_uncertainty, trimmed_away, wrinkling

LEAST_REPORTED = 1.0  # mm²: smaller wrinkle zones appear in the summary only
Bridges = Sequence[tuple[LaidLayer, tuple[BridgingZone, ...]]]


@dataclass(frozen=True, eq=False)
class ClothRisks:
    """Of one piece; called risks, never promises."""

    wrinkling: Wrinkling
    bridging: tuple[BridgingZone, ...]
    strokes: tuple[Stroke, ...]


def cloth_risks(ply: LaidLayer, piece: Piece) -> ClothRisks:
    """Find a piece's zones at risk, and its smoothing order."""
    cut, own = _polygon(piece.outlines), _polygon(piece.own_outlines)
    net = piece.net
    stack = float(np.max(piece.options.height)) + 0.5 * ply.fabric.thickness
    base = Base(piece.region.surface, piece.extended.source_faces)
    unsure = Uncertainty(slope_error(piece.region.surface), net_uncertainty(net))
    return ClothRisks(
        wrinkling(net, cut, own, _edge_lines(piece.outlines), ply.fabric.locking_angle, unsure),
        bridging_zones(net, own, base, stack),
        smoothing_order(net, cut),
    )


def _polygon(outlines: Sequence[Outline]) -> shapely.Polygon:
    return shapely.Polygon(outlines[0].points, [o.points for o in outlines[1:]])


def _edge_lines(outlines: Sequence[Outline]) -> dict[str, shapely.MultiLineString]:
    """Name → where that edge of the cut lies on the cloth."""
    lines: dict[str, list[Floats]] = {}
    for outline in outlines:
        count = len(outline.points)
        for edge in outline.edges:
            steps = (edge.last - edge.first) % count or count
            chain = outline.points[(edge.first + np.arange(steps + 1)) % count]
            lines.setdefault(edge.name, []).append(chain)
    return {name: shapely.MultiLineString(parts) for name, parts in lines.items()}


def shear_findings(ply: LaidLayer, piece: Piece, found: Wrinkling) -> list[Finding]:
    """Risks where the shear passes the locking angle, in the ply proper and in its laps."""
    limit, seen = ply.fabric.locking_angle, piece.assessment
    places = [
        (
            "the greatest shear",
            seen.max_shear,
            zones_text(found, piece),
            "try another start point or angle, or split the ply",
        ),
        (
            "the shear in the laps",
            seen.max_shear_in_laps or 0.0,
            "",
            "shorten or snip the lap there",
        ),
    ]
    out = [
        Finding(
            "risk",
            (ply.name,),
            f"{what}, {np.degrees(shear):.1f}°, passes the locking angle of "
            f"{ply.fabric.name}, {np.degrees(limit):.0f}°: risk of wrinkles{where}",
            remedy,
        )
        for what, shear, where, remedy in places
        if shear > limit
    ]
    if not out and found.greatest > LEAST_REPORTED:
        message = (
            f"the shear comes within {np.degrees(found.uncertainty.total):.1f}° of the locking "
            f"angle over {found.greatest:.0f} mm², which is within the uncertainty of both"
        )
        out.append(Finding("note", (ply.name,), message, "measure your cloth"))
    return out


def zones_text(found: Wrinkling, piece: Piece) -> str:
    """Number, area and place of the zones of the ply proper, as the end of a sentence."""
    zones = [z for z in found.zones if z.own_area > LEAST_REPORTED]
    if not zones:
        return ""
    largest = zones[0]
    count = "a zone" if len(zones) == 1 else f"{len(zones)} zones"
    total = sum(z.area for z in zones)
    text = f" in {count} of {total:.0f} mm² ({found.least:.0f} to {found.greatest:.0f} mm²)"
    if np.isfinite(largest.place).all():
        text += f", {'the largest ' if len(zones) > 1 else ''}at ({place_text(largest.place)})"
    if not largest.edges:
        return f"{text}, inside the piece"
    text += f", at edge {', '.join(largest.edges)}"
    away = trimmed_away(largest, tuple(piece.options.trims))
    return f"{text}, and trimmed away there" if away else text


def bridging_findings(job: Job, bridges: Bridges) -> list[Finding]:
    """One risk for each half whose plies would bridge, and one where they bend too sharply.

    Likewise for what lies across both halves.
    """
    out = []
    for half in dict.fromkeys([h.name for h in job.halves] + [ply.half for ply, _ in bridges]):
        mine = [(ply, zone) for ply, zones in bridges if ply.half == half for zone in zones]
        for kind in ("concave", "convex"):
            of_kind = [(ply, zone) for ply, zone in mine if zone.kind == kind]
            if of_kind:
                out.append(_bridging_finding(kind, of_kind))
    return out


def bridging_halves(bridges: Bridges) -> set[str]:
    """Halves for which ``bridging_findings`` reports that cloth would bridge."""
    return {ply.half for ply, zones in bridges for z in zones if z.kind == "concave"}


def _bridging_finding(kind: str, found: Sequence[tuple[LaidLayer, BridgingZone]]) -> Finding:
    names = list(dict.fromkeys(ply.name for ply, _ in found))
    counts = [sum(ply.name == name for ply, _ in found) for name in names]
    worst = max((zone for _, zone in found), key=lambda z: z.height)
    least = min(zone.radius for _, zone in found)
    limit = max(zone.limit for _, zone in found)
    radius = "a sharp corner" if least == 0.0 else f"a radius down to {least:.1f} mm"
    places = "1 place" if max(counts) == 1 else f"up to {max(counts)} places"
    about, place = (*found[0][0].halves, *names), as_place(worst.place)
    where = f"{', '.join(names)} at {places}, the worst at ({place_text(worst.place)})"
    if kind == "concave":
        message = (
            f"risk of bridging: {where}: {radius} where yarns need {limit:.1f} mm (cloth that "
            f"spans it stands up to {worst.height:.2f} mm off the mould)"
        )
        remedy = "split the ply in the corner, or round the corner"
        return Finding("risk", about, message, remedy, place)
    message = (
        f"yarns bend too sharply over an outside corner: {where}: {radius}, below {limit:g} mm"
    )
    return Finding(
        "risk", about, message, "round the corner, and run the ply over it unsplit", place
    )


def check_findings(ply: LaidLayer, piece: Piece) -> list[Finding]:
    """One finding for each self-check that failed."""
    c = piece.checks
    coarse = "the net is too coarse to measure anything"
    short = "a second net doesn't reach all of the outline"
    finer, mesh = "use a smaller spacing or a finer mesh", "export a finer mesh"
    rows = [
        ("the shear doesn't fit the mould's curvature", "curvature check",
         degrees(c.curvature), degrees(c.curvature_limit), "°", coarse, _finer_spacing(piece)),
        ("the yarns don't keep their length", "yarn length check",
         1000.0 * c.yarn_length, 1000.0 * c.yarn_limit, " mm in a metre", coarse, finer),
        ("the outline laid back on the mould misses its edges", "closure check",
         c.closure, c.closure_limit, " mm", short, finer),
        ("the mesh doesn't fix the mould's surface well enough",
         "surface error between the mesh's vertices",
         c.surface, c.surface_limit, " mm", "", mesh),
        ("the mesh doesn't fix the outline well enough", "outline error from the mesh",
         c.outline, c.outline_limit, " mm", "", mesh),
    ]  # fmt: skip
    return [
        Finding(
            "error",
            (ply.name,),
            f"{words} ({check}: {value:.3g}{unit}, allowed {limit:.3g}{unit})"
            if np.isfinite(value)
            else f"the {check} could not be made: {unknown}",
            f"don't cut this piece: {remedy}",
        )
        for words, check, value, limit, unit, unknown, remedy in rows
        if value > limit or (unknown and np.isnan(value))
    ]


def _finer_spacing(piece: Piece) -> str:
    """What to do where the curvature check failed."""
    found = piece.checks.curvature
    if not np.isfinite(found):
        return "use a smaller spacing or a finer mesh"
    fine = fine_enough(piece.options.spacing, found)
    if fine is None:
        return "round the sharp corner or repair the fault in the mesh, or split the ply there"
    return f"use a spacing of {fine:g} mm, which should be fine enough"


def radius_findings(
    job: Job, inspections: Mapping[str, Inspection], reported: Collection[str] = ()
) -> list[Finding]:
    """Where the stack is thicker than the smallest inside radius, cloth will bridge.

    Not for the halves ``reported`` already by their bridging zones, which say where.
    """
    out = []
    for half in job.halves:
        if half.name in reported:
            continue
        stack = sum(p.fabric.thickness for p in job.plies_of(half.name))
        radius = inspections[half.name].smallest_inside_radius_mm
        if radius is not None and stack > radius:
            message = (
                f"the stack of {stack:.2f} mm is thicker than the smallest inside radius, "
                f"{radius:.2f} mm: the plies will bridge there"
            )
            out.append(
                Finding("risk", (half.name,), message, "round the corner, or split the plies there")
            )
    return out
