"""One ply of a scene: what is drawn of a piece, or of a trial from another start.

Lengths in mm, angles in degrees (names end in ``_deg``), points in the mould's coordinates.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from drape.geometry.surface import Floats
from drape.joint.tuck import RunClosing
from drape.layup.order import LaidLayer
from drape.layup.outline import Outline
from drape.layup.pattern import Pattern
from drape.layup.result import LayerResult
from drape.layup.trial import Trial
from drape.net.assessment import Assessment
from drape.net.net import Net
from viewers.scene.lines import on_surface, yarn_lines
from viewers.scene.sheet import contour, ply_sheet
from viewers.scene.zones import stroke_scenes, zone_scenes

# Told as lacking rather than left out, so that nothing of another ply is taken for them.
LACKING = dict.fromkeys(("sheet", "start", "figures", "pattern"))


def ply_scene(result: LayerResult, seen_from: str) -> dict[str, Any]:
    """A ply of the lay-up; without a piece only its name and place in the order.

    ``seen_from`` says how the job counts angles.
    """
    ply, piece = result.ply, result.piece
    out = _about(ply)
    out["valid"] = piece is not None and piece.valid
    if piece is None:
        return {**out, **LACKING}
    return {
        **out,
        **_draped(ply, piece.net, piece.outlines, piece.assessment),
        "spacing_mm": piece.options.spacing,
        "pattern": None if result.pattern is None else pattern_scene(result.pattern, piece.net),
        "zones": [] if result.risks is None else zone_scenes(piece.net, result.risks),
        "strokes": []
        if result.risks is None
        else stroke_scenes(piece.net, result.risks.strokes, seen_from),
    }


def trial_scene(ply: LaidLayer, trial: Trial) -> dict[str, Any]:
    """The same of a trial: its pattern is the outline alone, and nothing of it is checked."""
    out = {**_about(ply), "valid": False, "spacing_mm": trial.options.spacing}
    out |= {"zones": [], "strokes": []}
    if trial.polygon is None or trial.assessment is None:
        return {**out, **LACKING}
    rings = [o.points for o in trial.outlines]
    pattern = {
        "outline": rings[0],
        "holes": rings[1:],
        "edges": [],
        "lines": [],
        "snips": [],
        "marks": _numbered(trial.net, rings[0], trial.outlines[0].edges),
    }
    return {**out, **_draped(ply, trial.net, trial.outlines, trial.assessment), "pattern": pattern}


def _about(ply: LaidLayer) -> dict[str, Any]:
    return {
        "name": ply.name,
        "half": ply.half,
        "fabric": ply.fabric.name,
        "order": ply.order,
        "of": ply.of,
        "angle_deg": ply.angle_deg,
        "locking_angle_deg": float(np.degrees(ply.fabric.locking_angle)),
    }


def _draped(
    ply: LaidLayer, net: Net, outlines: tuple[Outline, ...], seen: Assessment
) -> dict[str, Any]:
    """Surface, yarns, start and figures of a net inside its outlines."""
    polygon = shapely.Polygon(outlines[0].points, [o.points for o in outlines[1:]])
    sheet = ply_sheet(net, polygon)
    row = net.rows[net.origin]
    ahead = net.points[net.origin[0] + 1, net.origin[1]]
    warp = ahead - row[:3]
    return {
        "sheet": {
            "points": sheet.points,
            "flat": sheet.flat,
            "shear_deg": sheet.shear_deg,
            "triangles": sheet.triangles,
        },
        "limit": contour(
            sheet.points,
            sheet.shear_deg,
            sheet.triangles,
            float(np.degrees(ply.fabric.locking_angle)),
        ),
        "start": {
            "point": row[:3].copy(),
            "normal": row[3:6].copy(),
            "warp": warp / np.linalg.norm(warp),
        },
        "yarns": yarn_lines(net, polygon),
        "cut_line": [line for o in outlines for line in on_surface(net, _ring(o.points))],
        "figures": {
            "max_shear_deg": float(np.degrees(seen.max_shear)),
            "p99_shear_deg": float(np.degrees(seen.p99_shear)),
            "mean_shear_deg": float(np.degrees(seen.mean_shear)),
            "max_shear_in_laps_deg": None
            if seen.max_shear_in_laps is None
            else float(np.degrees(seen.max_shear_in_laps)),
            "cloth_area_mm2": seen.cloth_area,
        },
    }


def _ring(points: Floats) -> Floats:
    return np.concatenate([points, points[:1]])


def pattern_scene(pattern: Pattern, net: Net) -> dict[str, Any]:
    """The flat pattern with its marks, numbered as on the part."""
    return {
        "outline": pattern.outline,
        "holes": list(pattern.holes),
        "edges": [
            {"name": e.name, "kind": e.kind, "first": e.first, "last": e.last,
             "allowance_mm": e.allowance_mm}
            for e in pattern.edges
        ],
        "lines": [{"name": name, "points": points} for name, points in pattern.edge_lines],
        "snips": list(pattern.snips),
        "marks": _numbered(net, pattern.outline, pattern.edges),
    }  # fmt: skip


def _numbered(net: Net, outline: Floats, edges: Any) -> list[dict[str, Any]]:
    """Marks 1, 2, … where one edge of the outline ends and the next begins."""
    flat = np.array([outline[e.first] for e in edges]).reshape(-1, 2)
    points = net.to_surface(flat) if len(flat) else np.empty((0, 3))
    return [
        {"number": k + 1, "flat": f, "point": p if np.isfinite(p).all() else None}
        for k, (f, p) in enumerate(zip(flat, points, strict=True))
    ]


def lap_scenes(ply: str, closing: dict[str, RunClosing]) -> list[dict[str, Any]]:
    """A ply's laps along each run, folded out on the flange and tucked in: (s, k, 3) mm."""
    return [
        {"run": run, "folded_out": lap.folded, "tucked": lap.tucked, "closed": lap.closed}
        for run, each in closing.items()
        for lap in each.laps
        if lap.ply == ply
    ]
