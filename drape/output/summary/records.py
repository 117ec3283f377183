"""From what was computed to the records of summary.json. Degrees and mm at this surface."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from drape.errors import Finding
from drape.layup.checks import Checks
from drape.layup.pattern import Pattern, PatternEdge
from drape.layup.piece import Piece
from drape.mould.inspection import Inspection
from drape.mould.mould import Mould
from drape.output.summary import models as record
from drape.output.summary.base import degrees, number


def mould_record(mould: Mould, inspections: dict[str, Inspection]) -> record.Mould:
    """What was found of the mould."""
    halves = {}
    for name, seen in inspections.items():
        mouths = [m for m in mould.mouths if name in m.halves]
        halves[name] = record.Half(
            cavity_area_mm2=number(seen.cavity_area_mm2),
            parting_length_mm=number(seen.parting_length_mm),
            mouths=tuple(record.Mouth(name=m.name, centre_mm=_point(m.centre)) for m in mouths),
            smallest_inside_radius_mm=number(seen.smallest_inside_radius_mm),
            undercut_area_mm2=number(seen.undercut_area_mm2),
        )
    return record.Mould(closing=_point(mould.closing, 9), halves=halves)


def checks_record(checks: Checks, stated: float) -> record.Checks:
    """The self-checks with their limits."""
    return record.Checks(
        curvature_deg=degrees(checks.curvature),
        yarn_length=number(checks.yarn_length, 12),
        closure_mm=number(checks.closure, 6),
        surface_mm=number(checks.surface, 6),
        outline_mm=number(checks.outline, 6),
        stated_error_mm=number(stated, 3),
        limits=record.CheckLimits(
            curvature_deg=degrees(checks.curvature_limit),
            yarn_length=checks.yarn_limit,
            closure_mm=number(checks.closure_limit, 6),
            surface_mm=number(checks.surface_limit, 6),
            outline_mm=number(checks.outline_limit, 6),
        ),
    )


def piece_record(name: str, piece: Piece, pattern: Pattern) -> record.PieceRecord:
    """One piece; one that isn't valid keeps its figures but has no outline to cut.

    Zones at risk and smoothing order are added by ``drape.results``.
    """
    net, seen = piece.net, piece.assessment
    i, j = net.origin
    ok = piece.valid
    return record.PieceRecord(
        name=name,
        start_mm=_point(net.points[i, j]),
        warp=_point(piece.options.warp, 9),
        spacing_mm=piece.options.spacing,
        valid=ok,
        **shears(piece),
        surface_area_mm2=number(seen.surface_area),
        covered_cavity_area_mm2=number(piece.covered_cavity_area),
        cloth_area_mm2=number(seen.cloth_area),
        unreached_area_mm2=number(piece.unreached_area),
        nodes_on_facets=net.nodes_on_facets,
        outline_mm=_points(pattern.outline) if ok else None,
        holes_mm=tuple(_points(h) for h in pattern.holes) if ok else None,
        edges=tuple(_edge_record(e) for e in pattern.edges) if ok else None,
        checks=checks_record(piece.checks, piece.stated_error),
    )


def _edge_record(edge: PatternEdge) -> record.EdgeRecord:
    return record.EdgeRecord(
        name=edge.name,
        kind=edge.kind,
        first=edge.first,
        last=edge.last,
        allowance_mm=edge.allowance_mm,
        trim_in_mould=edge.trim_to_mm is not None,
        trim_to_mm=edge.trim_to_mm,
        stations_mm=edge.stations_mm,
    )


def shears(piece: Piece) -> dict[str, Any]:
    """The shear figures of a piece, degrees."""
    seen = piece.assessment
    return {
        "max_shear_deg": degrees(seen.max_shear),
        "p99_shear_deg": degrees(seen.p99_shear),
        "mean_shear_deg": degrees(seen.mean_shear),
        "max_shear_in_laps_deg": degrees(seen.max_shear_in_laps),
    }


def finding_records(findings: Sequence[Finding]) -> tuple[record.FindingRecord, ...]:
    """Findings as they stand in the summary."""
    return tuple(
        record.FindingRecord(
            level=f.level,
            where=f.where,
            message=f.text,
            remedy=f.remedy,
            about=f.about,
            place_mm=f.place,
        )
        for f in findings
    )


def _point(values: np.ndarray, digits: int = 3) -> tuple[float, float, float]:
    x, y, z = (round(float(v), digits) + 0.0 for v in values)
    return x, y, z


def _points(values: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x) + 0.0, float(y) + 0.0) for x, y in values)
