"""One ply of a scene: what is drawn of a piece, or of a trial from another start.

Lengths in mm, angles in degrees (names end in ``_deg``), points in the mould's coordinates.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal

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
from viewers.scene import schema
from viewers.scene.axes import long_way, view_into
from viewers.scene.lines import on_surface, yarn_lines
from viewers.scene.sheet import contour, ply_sheet
from viewers.scene.zones import stroke_scenes, zone_scenes


def ply_scene(
    result: LayerResult, closing: Mapping[str, RunClosing], seen_from: Literal["inside", "mould"]
) -> schema.ScenePly:
    """A ply of the lay-up; without a piece only its name and place in the order.

    ``closing`` is the job's by run; ``seen_from`` says how the job counts angles.
    """
    ply, piece = result.ply, result.piece
    if piece is None:
        bare = bare_ply(ply)
        bare["laps"] = _laps(ply.name, closing)
        return bare
    out = _draped(ply, piece.net, piece.outlines, piece.assessment)
    out["valid"] = piece.valid
    out["laps"] = _laps(ply.name, closing)
    if result.pattern is not None:
        out["pattern"] = _pattern(result.pattern, piece.net)
    if result.risks is not None:
        out["zones"] = zone_scenes(piece.net, result.risks)
        out["strokes"] = stroke_scenes(piece.net, result.risks.strokes, seen_from)
    return out


def trial_scene(ply: LaidLayer, trial: Trial) -> schema.ScenePly:
    """The same of a trial: its pattern is the outline alone, and nothing of it is checked."""
    if trial.polygon is None or trial.assessment is None:
        return bare_ply(ply)
    out = _draped(ply, trial.net, trial.outlines, trial.assessment)
    outline, *holes = (o.points for o in trial.outlines)
    marks = _numbered(trial.net, outline, trial.outlines[0].edges)
    out["pattern"] = {
        "outline": outline,
        "holes": holes,
        "lines": [],
        "snips": [],
        "marks": marks,
        "turn": long_way(outline),
    }
    return out


def bare_ply(ply: LaidLayer) -> schema.BarePly:
    """A ply that couldn't be draped."""
    about = _about(ply)
    return {**about, "sheet": None, "view": None, "start": None, "figures": None, "pattern": None}


def _about(ply: LaidLayer) -> schema.PlyFacts:
    return {
        "name": ply.name,
        "half": ply.half,
        "fabric": ply.fabric.name,
        "order": ply.order,
        "of": ply.of,
        "angle_deg": ply.angle_deg,
        "locking_angle_deg": float(np.degrees(ply.fabric.locking_angle)),
        "valid": False,
        "laps": [],
        "zones": [],
        "strokes": [],
    }


def _draped(
    ply: LaidLayer, net: Net, outlines: Sequence[Outline], seen: Assessment
) -> schema.DrapedPly:
    """Surface, yarns, start and figures of a net inside its outlines; no pattern or risks yet."""
    polygon = shapely.Polygon(outlines[0].points, [o.points for o in outlines[1:]])
    sheet, about = ply_sheet(net, polygon), _about(ply)
    points, triangles, limit = sheet["points"], sheet["triangles"], about["locking_angle_deg"]
    return {
        **about,
        "sheet": sheet,
        "view": view_into(points, triangles),
        "limit": contour(points, sheet["shear_deg"], triangles, limit),
        "start": _start(net),
        "yarns": yarn_lines(net, polygon),
        "cut_line": [line for o in outlines for line in on_surface(net, _ring(o.points))],
        "figures": _figures(seen),
        "pattern": None,
    }


def _start(net: Net) -> schema.StartMark:
    row = net.rows[net.origin]
    warp = net.points[net.origin[0] + 1, net.origin[1]] - row[:3]
    return {
        "point": row[:3].copy(),
        "normal": row[3:6].copy(),
        "warp": warp / np.linalg.norm(warp),
    }


def _figures(seen: Assessment) -> schema.Figures:
    laps = seen.max_shear_in_laps
    return {
        "max_shear_deg": float(np.degrees(seen.max_shear)),
        "p99_shear_deg": float(np.degrees(seen.p99_shear)),
        "mean_shear_deg": float(np.degrees(seen.mean_shear)),
        "max_shear_in_laps_deg": None if laps is None else float(np.degrees(laps)),
        "cloth_area_mm2": seen.cloth_area,
    }


def _ring(points: Floats) -> Floats:
    return np.concatenate([points, points[:1]])


def _pattern(pattern: Pattern, net: Net) -> schema.FlatPattern:
    """The flat pattern with its marks, numbered as on the part."""
    return {
        "outline": pattern.outline,
        "holes": list(pattern.holes),
        "lines": [{"name": name, "points": points} for name, points in pattern.edge_lines],
        "snips": list(pattern.snips),
        "marks": _numbered(net, pattern.outline, pattern.edges),
        "turn": long_way(pattern.outline),
    }


def _numbered(net: Net, outline: Floats, edges: Iterable[Any]) -> list[schema.Mark]:
    """Marks 1, 2, … where one edge of the outline ends and the next begins."""
    flat = np.array([outline[e.first] for e in edges]).reshape(-1, 2)
    points = net.to_surface(flat) if len(flat) else np.empty((0, 3))
    return [
        {"number": k, "flat": f, "point": p if np.isfinite(p).all() else None}
        for k, (f, p) in enumerate(zip(flat, points, strict=True), 1)
    ]


def _laps(ply: str, closing: Mapping[str, RunClosing]) -> list[schema.Lap]:
    """A ply's laps along each run, folded out on the flange and tucked in: (s, k, 3) mm."""
    return [
        {"run": run, "folded_out": lap.folded, "tucked": lap.tucked}
        for run, each in closing.items()
        for lap in each.laps
        if lap.ply == ply
    ]
