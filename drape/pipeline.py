"""Job → Results: the one place where the stages are chained."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from drape.beds import closed_mould, laid_on, make_beds
from drape.cloth.kinds import kind_findings
from drape.clothrisks import (
    bridging_findings,
    bridging_halves,
    cloth_risks,
    shear_findings,
)
from drape.errors import AccuracyError, Finding, InputError, InputErrors
from drape.facefields import Ground, face_findings
from drape.geometry.surface import Floats, Ints, Surface, SurfacePoint
from drape.hollow import bag_record, hollow_of
from drape.job import Job, Ply
from drape.joballowances import PlyAllowances, check_edge_names, ply_allowance_defaults
from drape.jointclosing import closings_of
from drape.jointease import ease_findings, eases_of
from drape.jointrecords import with_closing
from drape.joints import joints_of, suggested
from drape.jointyarns import yarn_findings, yarns_of
from drape.layup.joint import scatter_findings
from drape.layup.laying import Bed
from drape.layup.piece import Laid, Piece, PieceOptions, make_piece, past_the_end
from drape.layup.plies import (
    centre,
    chosen_spacing,
    hollow_fields,
    mid_heights,
    nearest,
    place_of,
    warp_direction,
    zero_direction,
    zero_directions,
)
from drape.mould.filefaces import file_faces
from drape.mould.inspection import Inspection, inspect_half
from drape.mould.mould import Mould, find_mould
from drape.mould.reading import read_surface
from drape.mould.region import Region
from drape.mould.scans import without_noise
from drape.mould.trim import trim_region
from drape.output import records
from drape.plypattern import pattern_of
from drape.results import (
    Closing,
    PlyResult,
    Results,
    check_findings,
    program_version,
    radius_findings,
    size_findings,
    summarise,
)
from drape.strips import PreparedStrip, prepare_strips, run_strips, seam_line

Progress = Callable[[str, int, int], None]


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
    numbers = {h.name: file_faces(h.mesh, job.unit_scale, surfaces[h.name]) for h in job.halves}
    findings += face_findings(numbers)
    findings += size_findings(surfaces)
    tell("finding the mould", len(job.halves), steps)
    mould = _named(find_mould(surfaces, closing=job.closing), job)
    findings += mould.findings
    check_edge_names(job, _edge_names(mould), [m.name for m in mould.mouths], mould.runs)
    found_mould = mould
    mould, smoothed = _without_noise(mould)
    findings += smoothed
    untrimmed = mould  # the bag goes on to the mouths
    mould, trimmed = _trimmed(mould, job)
    findings += trimmed
    steps += len(run_strips(job, mould))
    mould, fitted = closed_mould(mould, found_mould)
    findings += fitted
    inspections = _inspections(mould)
    regions = {name: half.region for name, half in mould.halves.items()}
    fields = hollow_fields(regions, [m.name for m in mould.mouths])
    plies = _drape_all(job, mould, fields, jobs, tell, steps)
    findings += [f for p in plies for f in p.findings]
    bridges = [(p.ply, p.risks.bridging) for p in plies if p.risks is not None]
    findings += bridging_findings(job, bridges)
    findings += radius_findings(job, inspections, bridging_halves(bridges))
    findings += kind_findings(p.fabric for p in job.plies)
    joints = joints_of(job, mould, _ply_pieces(plies))
    findings += [f for j in joints.values() for f in j.findings]
    findings += scatter_findings(joints, job.bench.least_overlap)
    schedules, told = suggested(job, mould)
    findings += told
    closing = _closing(job, mould, plies)
    findings += closing.findings
    plies = _snipped(plies, closing)
    joint = records.joint_record(joints, job.bench.placement, schedules)
    sense = -1.0 if job.seen_from == "mould" else 1.0
    joint = with_closing(joint, closing.runs, closing.eases, closing.yarns, sense)
    hollow, told = hollow_of(job, untrimmed, findings)
    findings += told
    bag = None if hollow is None else bag_record(hollow)
    summary = summarise(job, mould, inspections, plies, joint, findings, bag)
    grounds = _grounds(job, regions, fields, numbers)
    tell("done", steps, steps)
    told = tuple(findings)
    return Results(job, mould, inspections, plies, told, summary, closing, hollow, grounds)


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
    findings += size_findings(surfaces)
    mould = find_mould(surfaces)
    findings += mould.findings
    mould, smoothed = _without_noise(mould)
    findings += smoothed
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


def _ply_pieces(plies: Sequence[PlyResult]) -> dict[str, Piece]:
    """Pieces of the plies proper, by name; a strip's edges are none of a half's."""
    return {p.ply.name: p.piece for p in plies if p.piece is not None and p.strip is None}


def _closing(job: Job, mould: Mould, plies: Sequence[PlyResult]) -> Closing:
    """What the laps do while the halves close, and how their yarns match."""
    pieces = _ply_pieces(plies)
    runs = closings_of(job, mould)
    eases = eases_of(job, runs, pieces)
    yarns = yarns_of(job, runs, pieces)
    told = [f for run in runs.values() for f in run.findings]
    told += ease_findings(eases)
    told += yarn_findings(job, yarns, 2.0 * job.bench.placement.angle)
    return Closing(runs, eases, yarns, tuple(told))


def _snipped(plies: Sequence[PlyResult], closing: Closing) -> tuple[PlyResult, ...]:
    """The plies with snips marked on their patterns."""
    out = []
    for p in plies:
        laps = [e for eases in closing.eases.values() for e in eases if e.ply == p.ply.name]
        marks = tuple(mark for e in laps for s in e.stretches for mark in s.marks)
        if p.pattern is not None and marks:
            p = replace(p, pattern=replace(p.pattern, snips=marks))
        out.append(p)
    return tuple(out)


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


def _without_noise(mould: Mould) -> tuple[Mould, list[Finding]]:
    """The mould with scanned halves smoothed."""
    halves, findings = dict(mould.halves), list[Finding]()
    for name, half in halves.items():
        region, found = without_noise(half.region, name)
        halves[name] = replace(half, region=region)
        findings += found
    return replace(mould, halves=halves), findings


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


def _grounds(
    job: Job,
    regions: Mapping[str, Region],
    fields: Mapping[str, Floats | None],
    numbers: Mapping[str, Ints],
) -> dict[str, Ground]:
    """By half, what its plies' fields on the user's faces are told of against."""
    out = {}
    for half in job.halves:
        region = regions[half.name]
        zero = zero_directions(region, fields[half.name])
        if half.zero:
            zero = np.tile(np.array(half.zero, float), (len(region.inside), 1))
        sense = -1.0 if job.seen_from == "mould" else 1.0
        out[half.name] = Ground(numbers[half.name], zero, sense)
    return out


def _drape_all(
    job: Job,
    mould: Mould,
    fields: Mapping[str, Floats | None],
    jobs: int | None,
    tell: Progress,
    steps: int,
) -> tuple[PlyResult, ...]:
    """All plies, on as many threads as there are; in the job's order, joint strips last."""
    regions = {name: half.region for name, half in mould.halves.items()}
    heights = _heights(job)
    beds = make_beds(job, mould)
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
    strips = prepare_strips(job, mould)
    done = len(job.halves) + 1
    out = []
    with ThreadPoolExecutor(max_workers=jobs or os.cpu_count() or 1) as pool:
        futures = [
            pool.submit(_drape, job, ply, regions[ply.half], options, findings, beds)
            for ply, (options, findings) in zip(job.plies, prepared, strict=True)
        ]
        futures += [pool.submit(_drape_strip, job, strip) for strip in strips]
        names = [*job.plies, *(strip.ply for strip in strips)]
        for ply, future in zip(names, futures, strict=True):
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


def start_and_warp(
    job: Job, ply: Ply, region: Region, field: Floats | None
) -> tuple[SurfacePoint, Floats, tuple[Finding, ...]]:
    """Where a ply is started on its half's region, and the direction (3,) of its warp there.

    Parameters
    ----------
    field : (n,) the half's, of ``hollow_fields``

    Raises
    ------
    InputError
        A start off the cavity, or a zero direction that stands square on it.
    """
    where = job.where("plies", ply.index, "start")
    findings: tuple[Finding, ...] = ()
    if ply.start is None:
        start = centre(region)
    else:
        start, findings = nearest(region, ply.start, where)
    _, normal = place_of(region.surface, start)
    half = next(h for h in job.halves if h.name == ply.half)
    zero = np.array(half.zero) if half.zero else zero_direction(region, field, start)
    return start, warp_direction(normal, zero, ply.angle, where), findings


def _prepare(
    job: Job,
    ply: Ply,
    allowances: PlyAllowances,
    region: Region,
    field: Floats | None,
    height: float,
) -> tuple[PieceOptions, tuple[Finding, ...]]:
    """Start, warp and allowances of one ply."""
    start, warp, findings = start_and_warp(job, ply, region, field)
    options = PieceOptions(
        start=start,
        warp=warp,
        allowances={e.name: allowances.cut(e.name, e.kind) for e in region.edges},
        trims={
            e.name: allowances.of(e.name, e.kind)
            for e in region.edges
            if e.name in allowances.trimmed
        },
        height=height,
        spacing=ply.spacing or chosen_spacing(region),
    )
    return options, findings


def _drape(
    job: Job,
    ply: Ply,
    region: Region,
    options: PieceOptions,
    findings: tuple[Finding, ...],
    beds: Mapping[str, Bed],
) -> PlyResult:
    try:
        piece, straight = _laid(region, options, ply.name, laid_on(job, ply, beds))
    except AccuracyError as error:
        told = Finding("error", ply.name, _without_place(error), error.remedy)
        return PlyResult(ply, None, None, (*findings, told))
    found = [*findings, *straight, *piece.findings, *past_the_end(piece, ply.name)]
    risks = cloth_risks(ply, piece)
    found += shear_findings(ply, piece, risks.wrinkling) + check_findings(ply, piece)
    return PlyResult(ply, piece, pattern_of(ply, piece, job.seen_from), tuple(found), risks)


def _drape_strip(job: Job, strip: PreparedStrip) -> PlyResult:
    """A joint strip on its band of the closed mould, with the seam marked on its pattern."""
    result = _drape(job, strip.ply, strip.band.region, strip.options, (), {})
    pattern = result.pattern
    if result.piece is not None and pattern is not None:
        seam = (strip.of.run, seam_line(strip, result.piece))
        pattern = replace(pattern, edge_lines=(*pattern.edge_lines, seam))
    return replace(result, pattern=pattern, strip=strip.of)


def _laid(
    region: Region, options: PieceOptions, name: str, laid: Laid | None
) -> tuple[Piece, tuple[Finding, ...]]:
    """A piece on the other half past the parting line; straight on where that can't be had."""
    if laid is None:
        return make_piece(region, options, name), ()
    try:
        piece = make_piece(region, options, name, laid)
        if piece.valid:
            return piece, ()
        why = "its checks fail"
    except AccuracyError as error:
        piece, why = None, _without_place(error)
    try:
        plain = make_piece(region, options, name)
    except AccuracyError:
        plain = None
    if plain is None or not (plain.valid or piece is None):
        if piece is None:
            raise AccuracyError(why, where=name, remedy="use shorter laps, or split the ply")
        return piece, ()
    text = f"on the other half {why}: past the parting line it was laid straight on instead"
    remedy = "expect more shear in the laps than is told; shorten or snip them"
    return plain, (Finding("warning", name, text, remedy),)


def _without_place(error: AccuracyError) -> str:
    value = f" ({error.value})" if error.value is not None else ""
    return f"{error.what}{value}"


__all__ = ["PlyResult", "Results", "inspect", "program_version", "run", "start_and_warp"]
