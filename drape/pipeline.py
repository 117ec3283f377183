"""Job → Results: the one place where the stages are chained."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from drape.advice.search_findings import search_findings, wanted
from drape.advice.start_search import searches_of
from drape.bag.hollow import hollow_of
from drape.errors import Finding, InputError
from drape.fabric.kinds import kind_findings
from drape.geometry.surface import Floats, Ints, Surface
from drape.job.job import Job
from drape.job.names_in_mould import check_edge_names
from drape.joint.ease import ease_findings, eases_of
from drape.joint.joint import joints_of, suggested
from drape.joint.run_joint import scatter_findings
from drape.joint.tuck import closings_of
from drape.joint.yarns import yarn_findings, yarns_of
from drape.layup.directions import hollow_fields, zero_directions
from drape.layup.draping import Progress, drape_all
from drape.layup.ground import run_strips
from drape.layup.mesh_fields import Ground, face_findings
from drape.layup.piece import Piece
from drape.layup.result import PlyResult
from drape.layup.risks import bridging_findings, bridging_halves, radius_findings
from drape.layup.wrap_ground import run_wraps
from drape.mould.closed.closed_mould import ClosedMould, closed_mould
from drape.mould.file_faces import file_faces
from drape.mould.inspection import Inspection, inspect_half
from drape.mould.mould import Mould, find_mould
from drape.mould.plausible import refuse_sizes
from drape.mould.reading import read_surface
from drape.mould.region import Region
from drape.mould.scans import without_noise
from drape.mould.trim import trim_region
from drape.output.summary import records
from drape.output.summary.bag_records import bag_record
from drape.output.summary.joint_records import joint_record, with_closing
from drape.output.summary.summarise import program_version, summarise
from drape.results import Closing, Results


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
    refuse_sizes(surfaces)
    tell("finding the mould", len(job.halves), steps)
    mould = _named(find_mould(surfaces, closing=job.closing, parting=job.parting), job)
    findings += mould.findings
    check_edge_names(job, _edge_names(mould), [m.name for m in mould.mouths], mould.runs)
    found_mould = mould
    mould, smoothed = _without_noise(mould)
    findings += smoothed
    untrimmed = mould  # the bag goes on to the mouths
    mould, trimmed = _trimmed(mould, job)
    findings += trimmed
    steps += len(run_strips(job, mould)) + len(run_wraps(job, mould)) + (wanted(job) is not None)
    closed, fitted = closed_mould(mould, found_mould)
    mould = closed.mould
    findings += fitted
    inspections = _inspections(mould)
    regions = {name: half.region for name, half in mould.halves.items()}
    fields = hollow_fields(regions, [m.name for m in mould.mouths])
    plies = drape_all(job, closed, fields, jobs, tell, steps)
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
    if wanted(job) is not None:
        tell("searching starts for the yarns", steps - 1, steps)
        closing = _with_search(closing, job, closed, fields, plies, jobs)
    findings += closing.findings
    plies = _snipped(plies, closing)
    joint = joint_record(joints, job.bench.placement, schedules)
    sense = -1.0 if job.seen_from == "mould" else 1.0
    joint = with_closing(joint, closing.runs, closing.eases, closing.yarns, sense, closing.searches)
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
    refuse_sizes(surfaces)
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
    """Pieces of the plies proper, by name; other edges are none of a half's."""
    return {p.ply.name: p.piece for p in plies if p.piece is not None and p.on_one_half}


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


def _with_search(
    closing: Closing,
    job: Job,
    closed: ClosedMould,
    fields: Mapping[str, Floats | None],
    plies: Sequence[PlyResult],
    jobs: int | None,
) -> Closing:
    """Closing with the starts that serve the yarns best."""
    searches = searches_of(job, closed, fields, closing.runs, _ply_pieces(plies), jobs)
    told = (*closing.findings, *search_findings(job, searches))
    return replace(closing, searches=searches, findings=told)


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
        edges = tuple(
            replace(e, name=job.edge_name(e.name), ends=tuple(map(job.edge_name, e.ends)))
            for e in half.region.edges
        )
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
                raise error.at(f"{where} ({name} half)") from error
            halves[name] = replace(half, region=region)
            findings += [replace(f, about=(name, *f.about)) for f in found]
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


__all__ = ["PlyResult", "Results", "inspect", "program_version", "run"]
