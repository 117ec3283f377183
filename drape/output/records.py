"""From what was computed to the records of summary.json. Degrees and mm at this surface."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from drape.cloth.draped import thickening
from drape.cloth.fabric import Fabric
from drape.cloth.net import Net
from drape.errors import Finding
from drape.layup.buildup import Band
from drape.layup.checks import Checks
from drape.layup.joint import RunJoint
from drape.layup.pattern import Pattern, PatternEdge
from drape.layup.piece import Piece
from drape.layup.scatter import Placement
from drape.layup.schedule import Schedule
from drape.mould.inspection import Inspection
from drape.mould.mould import Mould
from drape.output import jointmodels
from drape.output import summary as record
from drape.output.vtk import to_vtp


def degrees(value: float | None) -> float | None:
    """Degrees to six places; None for None and NaN."""
    return None if value is None or np.isnan(value) else round(float(np.degrees(value)), 6)


def number(value: float | None, digits: int = 3) -> float | None:
    """A rounded number; None for None and NaN."""
    return None if value is None or np.isnan(value) else round(float(value), digits)


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


def joint_record(
    joints: Mapping[str, RunJoint],
    placement: Placement,
    schedules: Mapping[str, Schedule] | None = None,
) -> jointmodels.Joint | None:
    """The joint, run by run; None without one."""
    if not joints:
        return None
    runs = {
        run: jointmodels.Run(
            lap_half=joint.lap_half,
            build_up=_bands(joint.bands),
            build_up_at_mm=number(joint.bands_at),
            least_build_up=None if joint.least_bands is None else _bands(joint.least_bands),
            least_build_up_at_mm=number(joint.least_bands_at),
            overlaps=tuple(
                jointmodels.Overlap(
                    lap_ply=o.ply,
                    other_ply=o.other,
                    overlap_mm=round(o.nominal_mm, 3) + 0.0,
                    least_mm=number(o.least_mm),
                    greatest_mm=number(o.greatest_mm),
                    overlap_per_thickness=number(o.per_thickness),
                )
                for o in joint.overlaps
            ),
        )
        for run, joint in joints.items()
    }
    scatter = jointmodels.Scatter(
        placement_mm=placement.offset, angle_deg=round(float(np.degrees(placement.angle)), 6)
    )
    return jointmodels.Joint(suggested=_suggested(schedules), scatter=scatter, runs=runs)


def _suggested(schedules: Mapping[str, Schedule] | None) -> dict[str, jointmodels.Suggested] | None:
    if schedules is None:
        return None
    return {
        run: jointmodels.Suggested(
            laps_mm=tuple(round(x, 3) for x in schedule.laps),
            set_backs_mm=tuple(round(x, 3) for x in schedule.set_backs),
            greatest_mm=round(schedule.greatest_mm, 3),
        )
        for run, schedule in schedules.items()
    }


def _bands(bands: Sequence[Band]) -> tuple[jointmodels.BuildUp, ...]:
    return tuple(
        jointmodels.BuildUp(
            from_mm=round(b.from_mm, 3) + 0.0,
            to_mm=round(b.to_mm, 3) + 0.0,
            plies=b.plies,
            thickness_mm=round(b.thickness_mm, 3) + 0.0,
        )
        for b in bands
    )


def finding_records(findings: Sequence[Finding]) -> tuple[record.FindingRecord, ...]:
    """Findings as they stand in the summary."""
    return tuple(
        record.FindingRecord(level=f.level, where=f.where, message=f.message, remedy=f.remedy)
        for f in findings
    )


def net_file(net: Net, fabric: Fabric) -> bytes:
    """The whole cells of a net as a VTK file, with the cloth's thickness and areal mass."""
    i, j = np.nonzero(~np.isnan(net.shear))
    number_of = np.cumsum(net.known.ravel()).reshape(net.known.shape) - 1
    corners = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)]
    cells = np.stack([number_of[c] for c in corners], axis=1)
    p = net.points
    warp = p[i + 1, j] - p[i, j] + p[i + 1, j + 1] - p[i, j + 1]
    weft = p[i, j + 1] - p[i, j] + p[i + 1, j + 1] - p[i + 1, j]
    warp /= np.linalg.norm(warp, axis=1, keepdims=True)
    weft /= np.linalg.norm(weft, axis=1, keepdims=True)
    more = thickening(net.shear[i, j])
    scalars = {"thickness_mm": fabric.thickness * more, "areal_mass_g_m2": fabric.areal_mass * more}
    return to_vtp(p[net.known], cells, net.shear[i, j], warp, weft, scalars)


def _point(values: np.ndarray, digits: int = 3) -> tuple[float, float, float]:
    x, y, z = (round(float(v), digits) + 0.0 for v in values)
    return x, y, z


def _points(values: np.ndarray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x) + 0.0, float(y) + 0.0) for x, y in values)
