"""Job → Results: the one place where the stages are chained."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np

from drape.errors import AccuracyError, Finding, InputError, InputErrors
from drape.geometry.surface import Floats, Surface
from drape.job import Job, Ply, PlyAllowances, check_edge_names, ply_allowance_defaults
from drape.layup.pattern import Pattern
from drape.layup.piece import Piece, PieceOptions, make_piece, past_the_end
from drape.layup.plies import (
    centre,
    chosen_spacing,
    hollow_fields,
    mid_heights,
    nearest,
    place_of,
    warp_direction,
    zero_direction,
)
from drape.mould.inspection import Inspection, inspect_half
from drape.mould.mould import Mould, find_mould
from drape.mould.reading import read_surface
from drape.mould.region import Region
from drape.mould.trim import trim_region
from drape.output import records
from drape.output import summary as record

UNLIKE_HALVES = 3.0  # times as large: worth a word

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class PlyResult:
    """One ply: its piece and pattern, or None with the reason among the findings."""

    ply: Ply
    piece: Piece | None
    pattern: Pattern | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class Results:
    """All that a run computed.

    ``summary.files`` is empty until the results are published.
    """

    job: Job
    mould: Mould
    inspections: Mapping[str, Inspection]
    plies: tuple[PlyResult, ...]
    findings: tuple[Finding, ...]
    summary: record.Summary

    @property
    def valid(self) -> bool:
        """Whether every piece may be cut."""
        return all(p.piece is not None and p.piece.valid for p in self.plies)


def run(job: Job, *, jobs: int | None = None, progress: Progress | None = None) -> Results:
    """Compute a job.

    Parameters
    ----------
    job : Job
    jobs : int, optional
        Threads; as many as there are cores if not given. Results don't depend on it.
    progress : callable, optional
        Called with (what, done, of).

    Raises
    ------
    InputError
        Something that was given can't be used.
    """
    tell = progress or (lambda what, done, of: None)
    steps = len(job.halves) + 1 + len(job.plies)
    surfaces: dict[str, Surface] = {}
    findings: list[Finding] = []
    for done, half in enumerate(job.halves):
        tell(f"reading {half.mesh.name}", done, steps)
        surfaces[half.name], found = read_surface(half.mesh, job.unit_scale)
        findings += found
    findings += _size_findings(surfaces)
    tell("finding the mould", len(job.halves), steps)
    mould = _named(find_mould(surfaces, closing=job.closing), job)
    findings += mould.findings
    check_edge_names(job, _edge_names(mould), [m.name for m in mould.mouths])
    mould, trimmed = _trimmed(mould, job)
    findings += trimmed
    inspections = _inspections(mould)
    plies = _drape_all(job, mould, jobs, tell, steps)
    findings += [f for p in plies for f in p.findings]
    findings += _radius_findings(job, inspections)
    summary = _summary(job, mould, inspections, plies, findings)
    tell("done", steps, steps)
    return Results(job, mould, inspections, plies, tuple(findings), summary)


def _size_findings(surfaces: Mapping[str, Surface]) -> list[Finding]:
    """A warning where one half is much larger than the other: units that differ."""
    small, large = (f(s.size for s in surfaces.values()) for f in (min, max))
    if large < UNLIKE_HALVES * small:
        return []
    message = f"one half is {large / small:.0f} times as large as the other"
    return [Finding("warning", "mould", message, "are both meshes in the same unit?")]


def inspect(paths: Sequence[Path], unit_scale: float) -> dict[str, Any]:
    """What is found in one mesh or two, as plain values; ``findings`` holds Finding objects."""
    surfaces: dict[str, Surface] = {}
    findings: list[Finding] = []
    for path in paths:
        name = Path(path).stem
        while name in surfaces:
            name += "-2"
        surfaces[name], found = read_surface(path, unit_scale)
        findings += found
    findings += _size_findings(surfaces)
    mould = find_mould(surfaces)
    findings += mould.findings
    seen = _inspections(mould)
    halves = records.mould_record(mould, seen).model_dump(mode="json")
    for name, half in mould.halves.items():
        surface = half.surface
        halves["halves"][name] |= {
            "triangles": len(surface.faces),
            "size_mm": [round(float(x), 3) for x in np.ptp(surface.vertices, axis=0)],
            "mouth_lengths_mm": {k: round(v, 3) for k, v in seen[name].mouth_lengths_mm.items()},
            "edges": [
                {"name": e.name, "kind": e.kind, "closed": e.closed} for e in half.region.edges
            ],
        }
    return {**halves, "runs": list(mould.runs), "findings": findings}


def program_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("plywright")
    except PackageNotFoundError:
        return "unknown"


def _named(mould: Mould, job: Job) -> Mould:
    """The mould with its edges and mouths under the job's names."""
    halves = {}
    for name, half in mould.halves.items():
        edges = tuple(replace(e, name=job.edge_name(e.name)) for e in half.region.edges)
        halves[name] = replace(half, region=replace(half.region, edges=edges))
    mouths = tuple(replace(m, name=job.edge_name(m.name)) for m in mould.mouths)
    runs = tuple(job.edge_name(r) for r in mould.runs)
    return replace(mould, halves=halves, mouths=mouths, runs=runs)


def _edge_names(mould: Mould) -> dict[str, list[str]]:
    return {name: [e.name for e in half.region.edges] for name, half in mould.halves.items()}


def _trimmed(mould: Mould, job: Job) -> tuple[Mould, list[Finding]]:
    """The mould with its trim lines cut in."""
    halves, findings = dict(mould.halves), list[Finding]()
    for trim in job.trims:
        for name, half in halves.items():
            if not any(e.name == trim.mouth and e.kind == "mouth" for e in half.region.edges):
                continue
            try:
                region, found = trim_region(half.region, trim.mouth, trim.point, trim.normal)
            except InputError as error:
                where = job.where("mould", "trim", trim.mouth)
                raise InputError(
                    error.what,
                    value=error.value,
                    limit=error.limit,
                    remedy=error.remedy,
                    where=f"{where} ({name} half)",
                ) from error
            halves[name] = replace(half, region=region)
            findings += [replace(f, where=f"{name}, {f.where}") for f in found]
    return replace(mould, halves=halves), findings


def _inspections(mould: Mould) -> dict[str, Inspection]:
    signs = (1.0, -1.0)
    return {
        name: inspect_half(half, sign * mould.closing)
        for sign, (name, half) in zip(signs, mould.halves.items(), strict=False)
    }


def _drape_all(
    job: Job, mould: Mould, jobs: int | None, tell: Progress, steps: int
) -> tuple[PlyResult, ...]:
    """All plies, on as many threads as there are; in the job's order."""
    regions = {name: half.region for name, half in mould.halves.items()}
    fields = hollow_fields(regions, [m.name for m in mould.mouths])
    heights = _heights(job)
    prepared, errors = [], []
    for ply, allowances in zip(job.plies, ply_allowance_defaults(job), strict=True):
        region = regions[ply.half]
        try:
            prepared.append(
                _prepare(job, ply, allowances, region, fields[ply.half], heights[ply.name])
            )
        except InputError as error:
            errors.append(error)
    if errors:
        raise InputErrors(errors) if len(errors) > 1 else errors[0]
    done = len(job.halves) + 1
    out = []
    with ThreadPoolExecutor(max_workers=jobs or os.cpu_count() or 1) as pool:
        futures = [
            pool.submit(_drape, ply, regions[ply.half], options, findings, job.seen_from)
            for ply, (options, findings) in zip(job.plies, prepared, strict=True)
        ]
        for ply, future in zip(job.plies, futures, strict=True):
            tell(f"draping {ply.name}", done, steps)
            out.append(future.result())
            done += 1
    return tuple(out)


def _heights(job: Job) -> dict[str, float]:
    out: dict[str, float] = {}
    for half in job.halves:
        plies = job.plies_of(half.name)
        heights = mid_heights([p.fabric.thickness for p in plies])
        out |= {p.name: h for p, h in zip(plies, heights, strict=True)}
    return out


def _prepare(
    job: Job,
    ply: Ply,
    allowances: PlyAllowances,
    region: Region,
    field: Floats | None,
    height: float,
) -> tuple[PieceOptions, tuple[Finding, ...]]:
    """Start, warp and allowances of one ply."""
    where = job.where("plies", ply.index, "start")
    findings: tuple[Finding, ...] = ()
    if ply.start is None:
        start = centre(region)
    else:
        start, findings = nearest(region, ply.start, where)
    _, normal = place_of(region.surface, start)
    half = next(h for h in job.halves if h.name == ply.half)
    zero = np.array(half.zero) if half.zero else zero_direction(region, field, start)
    options = PieceOptions(
        start=start,
        warp=warp_direction(normal, zero, ply.angle, where),
        allowances={e.name: allowances.of(e.name, e.kind) for e in region.edges},
        height=height,
        spacing=ply.spacing or chosen_spacing(region),
    )
    return options, findings


def _drape(
    ply: Ply,
    region: Region,
    options: PieceOptions,
    findings: tuple[Finding, ...],
    seen_from: str,
) -> PlyResult:
    try:
        piece = make_piece(region, options, ply.name)
    except AccuracyError as error:
        told = Finding("error", ply.name, _without_place(error), error.remedy)
        return PlyResult(ply, None, None, (*findings, told))
    found = [*findings, *piece.findings, *past_the_end(piece, ply.name)]
    found += _shear_findings(ply, piece) + _check_findings(ply, piece)
    return PlyResult(ply, piece, _pattern(ply, piece, seen_from), tuple(found))


def _without_place(error: AccuracyError) -> str:
    value = f" ({error.value})" if error.value is not None else ""
    return f"{error.what}{value}"


def _pattern(ply: Ply, piece: Piece, seen_from: str) -> Pattern:
    outer, holes = piece.outlines[0], piece.outlines[1:]
    x, y, z = piece.net.points[piece.net.origin]
    lines = [
        (name, part.flat_base)
        for name, parts in piece.moved.items()
        for part in parts
        if piece.options.allowances[name] > 0.0
    ]
    return Pattern(
        piece=ply.name,
        ply=ply.name,
        half=ply.half,
        fabric=ply.fabric.name,
        order=ply.order,
        of=ply.of,
        angle_deg=ply.angle_deg,
        seen_from=seen_from,
        outline=np.round(outer.points, 3),
        holes=tuple(np.round(h.points, 3) for h in holes),
        edges=outer.edges,
        edge_lines=tuple(lines),
        start_mm=(float(x), float(y), float(z)),
    )


def _shear_findings(ply: Ply, piece: Piece) -> list[Finding]:
    """Risks where the shear passes the locking angle, in the ply proper and in its laps."""
    limit, seen = ply.fabric.locking_angle, piece.assessment
    places = [
        ("greatest shear", seen.max_shear, "try another start point or angle, or split it"),
        ("in the laps, shear", seen.max_shear_in_laps or 0.0, "shorten or snip the lap there"),
    ]
    return [
        Finding(
            "risk",
            ply.name,
            f"{what} {np.degrees(shear):.1f}° passes the locking angle of "
            f"{ply.fabric.name}, {np.degrees(limit):.0f}°: risk of wrinkles",
            remedy,
        )
        for what, shear, remedy in places
        if shear > limit
    ]


def _check_findings(ply: Ply, piece: Piece) -> list[Finding]:
    """One finding for each self-check that failed."""
    c = piece.checks
    coarse = "the net is too coarse to measure anything"
    short = "a second net doesn't reach all of the outline"
    rows = [
        ("curvature check", np.degrees(c.curvature), np.degrees(c.curvature_limit), "°", coarse),
        ("yarn length check", c.yarn_length, c.yarn_limit, " (relative)", coarse),
        ("closure check", c.closure, c.closure_limit, " mm", short),
    ]
    return [
        Finding(
            "error",
            ply.name,
            f"{what} failed: {value:.3g}{unit}, allowed {limit:.3g}{unit}"
            if np.isfinite(value)
            else f"{what} failed: {unknown}",
            "use a smaller spacing or a finer mesh; don't cut this piece",
        )
        for what, value, limit, unit, unknown in rows
        if not value <= limit
    ]


def _radius_findings(job: Job, inspections: Mapping[str, Inspection]) -> list[Finding]:
    """Where the stack is thicker than the smallest inside radius, cloth will bridge."""
    out = []
    for half in job.halves:
        stack = sum(p.fabric.thickness for p in job.plies_of(half.name))
        radius = inspections[half.name].smallest_inside_radius_mm
        if radius is not None and stack > radius:
            message = (
                f"the stack of {stack:.2f} mm is thicker than the smallest inside radius, "
                f"{radius:.2f} mm: the plies will bridge there"
            )
            out.append(Finding("risk", half.name, message, "round the corner, or split there"))
    return out


def _summary(
    job: Job,
    mould: Mould,
    inspections: Mapping[str, Inspection],
    plies: Sequence[PlyResult],
    findings: Sequence[Finding],
) -> record.Summary:
    joint = None
    if job.joint is not None and job.joint.lap_half is not None:
        runs = {run: record.Run(lap_half=job.joint.lap_half) for run in mould.runs}
        joint = record.Joint(runs=runs)
    return record.Summary(
        title=job.title,
        version=program_version(),
        files=(),
        mould=records.mould_record(mould, dict(inspections)),
        plies=tuple(_ply_record(p) for p in plies),
        joint=joint,
        kit=_kit(plies),
        findings=records.finding_records(findings),
    )


def _ply_record(result: PlyResult) -> record.PlyRecord:
    ply = result.ply
    pieces: tuple[record.PieceRecord, ...] = (record.PieceRecord(name=ply.name, valid=False),)
    shears: dict[str, float | None] = {}
    mass = None
    if result.piece is not None and result.pattern is not None:
        pieces = (records.piece_record(ply.name, result.piece, result.pattern),)
        shears = records.shears(result.piece)
        mass = records.number(_mass(result))
    return record.PlyRecord(
        name=ply.name,
        half=ply.half,
        fabric=ply.fabric.name,
        angle_deg=ply.angle_deg,
        locking_angle_deg=records.degrees(ply.fabric.locking_angle),
        mass_g=mass,
        pieces=pieces,
        **shears,
    )


def _mass(result: PlyResult) -> float:
    """Fibre mass of a ply, g: areal mass times the area of flat cloth."""
    assert result.piece is not None  # narrowed by the callers
    return result.ply.fabric.areal_mass * result.piece.assessment.cloth_area * 1e-6


def _kit(plies: Sequence[PlyResult]) -> tuple[record.KitItem, ...]:
    """Cloth and fibre mass by fabric; None where a piece failed."""
    out = []
    for name in dict.fromkeys(p.ply.fabric.name for p in plies):
        mine = [p for p in plies if p.ply.fabric.name == name]
        whole = all(p.piece is not None for p in mine)
        area = sum(p.piece.assessment.cloth_area for p in mine if p.piece is not None)
        mass = sum(_mass(p) for p in mine if p.piece is not None)
        out.append(
            record.KitItem(
                fabric=name,
                cloth_area_mm2=records.number(area) if whole else None,
                mass_g=records.number(mass) if whole else None,
            )
        )
    return tuple(out)


__all__ = ["PlyResult", "Results", "Surface", "inspect", "program_version", "run"]
