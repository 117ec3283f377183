"""Job → Results: the one place where the stages are chained."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

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
from drape.joint.run_joint import RunJoint, scatter_findings
from drape.joint.schedule import Schedule
from drape.joint.tuck import closings_of
from drape.joint.yarns import yarn_findings, yarns_of
from drape.layup.directions import hollow_fields, zero_directions
from drape.layup.draping import drape_all, with_pattern
from drape.layup.mesh_fields import FileGround, face_findings
from drape.layup.order import Layup, layup_of
from drape.layup.piece import Piece
from drape.layup.result import LayerResult
from drape.layup.risks import bridging_findings, bridging_halves, radius_findings
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

Value = TypeVar("Value")
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
    found = _Found()
    step = _Progress(progress, len(job.halves) + 1 + len(job.plies))
    surfaces, numbers = found(_read(job, step))
    step("finding the mould")
    whole, mould, closed = found(_moulds(job, surfaces))
    layup = layup_of(job, closed.mould)
    step.of = len(job.halves) + 1 + len(layup) + (wanted(job) is not None)
    inspections = _inspections(closed.mould)
    fields = hollow_fields(_regions(closed.mould), [m.name for m in mould.mouths])
    plies = found(_draped(job, layup, closed, fields, jobs, step))
    found((None, _cloth_findings(job, plies, inspections)))
    pieces = _ply_pieces(plies)
    joints, schedules = found(_joined(job, layup, closed.mould, pieces))
    closing = _closing(job, layup, closed.mould, pieces)
    if wanted(job) is not None:
        step("searching for better starts for the yarns")
        closing = _with_search(closing, job, layup, closed, fields, pieces, jobs)
    found((None, closing.findings))
    plies = tuple(with_pattern(p, job.seen_from, closing.snips(p.ply.name)) for p in plies)
    joint = joint_record(joints, job.bench.placement, schedules)
    joint = with_closing(
        joint, closing.runs, closing.eases, closing.yarns, job.sense, closing.searches
    )
    hollow = found(hollow_of(job, whole, found.findings))
    bag = None if hollow is None else bag_record(hollow)
    findings = tuple(found.findings)
    summary = summarise(job, closed.mould, inspections, plies, joint, findings, bag)
    grounds = _file_grounds(job, _regions(closed.mould), fields, numbers)
    step("done")
    return Results(
        job, closed.mould, inspections, plies, findings, summary, closing, hollow, grounds, layup
    )  # fmt: skip


class _Found:
    """Takes the findings of each stage, and hands its value on."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []

    def __call__(self, stage: tuple[Value, Sequence[Finding]]) -> Value:
        value, findings = stage
        self.findings += findings
        return value


class _Progress:
    """Says what is being done, and how far the run is: ``of`` steps in all."""

    def __init__(self, report: Progress | None, of: int) -> None:
        self._report, self._done, self.of = report, 0, of

    def __call__(self, what: str) -> None:
        if self._report is not None:
            self._report(what, self._done, self.of)
        self._done += 1


def _read(
    job: Job, step: Callable[[str], None]
) -> tuple[tuple[dict[str, Surface], dict[str, Ints]], list[Finding]]:
    """By half its mesh, and the number in the file of each of its faces."""
    surfaces, findings = dict[str, Surface](), list[Finding]()
    for half in job.halves:
        step(f"reading {half.mesh.name}")
        surfaces[half.name], found = read_surface(half.mesh, job.unit_scale)
        findings += found
    numbers = {h.name: file_faces(h.mesh, job.unit_scale, surfaces[h.name]) for h in job.halves}
    refuse_sizes(surfaces)
    return (surfaces, numbers), [*findings, *face_findings(numbers)]


def _moulds(
    job: Job, surfaces: Mapping[str, Surface]
) -> tuple[tuple[Mould, Mould, ClosedMould], list[Finding]]:
    """The whole mould, since the bag goes on to the mouths; the same trimmed; that closed."""
    found = _named(find_mould(surfaces, closing=job.closing, parting=job.parting), job)
    check_edge_names(job, _edge_names(found), [m.name for m in found.mouths], found.runs)
    whole, smoothed = _without_noise(found)
    mould, trimmed = _trimmed(whole, job)
    closed, fitted = closed_mould(mould, found)
    return (whole, mould, closed), [*found.findings, *smoothed, *trimmed, *fitted]


def _draped(
    job: Job,
    layup: Layup,
    closed: ClosedMould,
    fields: Mapping[str, Floats | None],
    jobs: int | None,
    step: Callable[[str], None],
) -> tuple[tuple[LayerResult, ...], list[Finding]]:
    plies = drape_all(job, layup, closed, fields, jobs, step)
    return plies, [f for p in plies for f in p.findings]


def _cloth_findings(
    job: Job, plies: Sequence[LayerResult], inspections: Mapping[str, Inspection]
) -> list[Finding]:
    """What bridges, half by half, and what the net means for cloth that isn't woven."""
    bridges = [(p.ply, p.risks.bridging) for p in plies if p.risks is not None]
    return [
        *bridging_findings(job, bridges),
        *radius_findings(job, inspections, bridging_halves(bridges)),
        *kind_findings(p.fabric for p in job.plies),
    ]


def _joined(
    job: Job, layup: Layup, mould: Mould, pieces: Mapping[str, Piece]
) -> tuple[tuple[dict[str, RunJoint], dict[str, Schedule] | None], list[Finding]]:
    """The joint at each run, and laps and set-backs for the job's targets."""
    joints = joints_of(job, layup, mould, pieces)
    schedules, suggestions = suggested(job, layup, mould)
    nominal = [f for j in joints.values() for f in j.findings]
    return (joints, schedules), [
        *nominal, *scatter_findings(joints, job.bench.least_overlap), *suggestions
    ]  # fmt: skip


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


def _ply_pieces(plies: Sequence[LayerResult]) -> dict[str, Piece]:
    """Pieces of the plies proper, by name; other edges are none of a half's."""
    return {p.ply.name: p.piece for p in plies if p.piece is not None and p.ply.is_ply}


def _closing(job: Job, layup: Layup, mould: Mould, pieces: Mapping[str, Piece]) -> Closing:
    """What the laps do while the halves close, and how their yarns match."""
    runs = closings_of(job, layup, mould)
    eases = eases_of(job, runs, pieces)
    yarns = yarns_of(job, layup, runs, pieces)
    findings = [f for run in runs.values() for f in run.findings]
    findings += ease_findings(eases)
    findings += yarn_findings(job, yarns, 2.0 * job.bench.placement.angle)
    return Closing(runs, eases, yarns, tuple(findings))


def _with_search(
    closing: Closing,
    job: Job,
    layup: Layup,
    closed: ClosedMould,
    fields: Mapping[str, Floats | None],
    pieces: Mapping[str, Piece],
    jobs: int | None,
) -> Closing:
    """Closing with the starts that serve the yarns best."""
    searches = searches_of(job, layup, closed, fields, closing.runs, pieces, jobs)
    findings = (*closing.findings, *search_findings(job, searches))
    return replace(closing, searches=searches, findings=findings)


def _regions(mould: Mould) -> dict[str, Region]:
    return {name: half.region for name, half in mould.halves.items()}


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


def _file_grounds(
    job: Job,
    regions: Mapping[str, Region],
    fields: Mapping[str, Floats | None],
    numbers: Mapping[str, Ints],
) -> dict[str, FileGround]:
    """By half, what the fields of its plies on the user's faces refer to."""
    out = {}
    for half in job.halves:
        region = regions[half.name]
        zero = zero_directions(region, fields[half.name])
        if half.zero:
            zero = np.tile(np.array(half.zero, float), (len(region.inside), 1))
        out[half.name] = FileGround(numbers[half.name], zero, job.sense)
    return out


__all__ = ["LayerResult", "Results", "inspect", "program_version", "run"]
