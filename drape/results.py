"""Results of a run: what was computed, what is to be told of it, and its summary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version

import numpy as np

from drape.errors import Finding
from drape.geometry.surface import Surface
from drape.hollow import Hollow
from drape.job import Job, Ply
from drape.jointclosing import RunClosing
from drape.jointease import LapEase
from drape.jointyarns import PairYarns
from drape.layup.pattern import Pattern
from drape.layup.piece import Piece
from drape.mould.inspection import Inspection
from drape.mould.mould import Mould
from drape.output import records
from drape.output import summary as record
from drape.strips import RunStrip

SHARP = 5.0  # times the limit: no finer net mends that
UNLIKE_HALVES = 3.0  # times as large: worth a word


@dataclass(frozen=True, eq=False)
class PlyResult:
    """One ply: its piece and pattern, or None with the reason among the findings.

    ``strip``: the joint strip that it is, if it is one.
    """

    ply: Ply
    piece: Piece | None
    pattern: Pattern | None
    findings: tuple[Finding, ...]
    strip: RunStrip | None = None


@dataclass(frozen=True, eq=False)
class Closing:
    """Tuck with the laps' lines, lap ease and yarn match, by run; findings on all of them."""

    runs: Mapping[str, RunClosing] = field(default_factory=dict)
    eases: Mapping[str, tuple[LapEase, ...]] = field(default_factory=dict)
    yarns: Mapping[str, tuple[PairYarns, ...]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()


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
    closing: Closing = field(default_factory=Closing)
    hollow: Hollow | None = None

    @property
    def valid(self) -> bool:
        """Whether every piece may be cut."""
        return all(p.piece is not None and p.piece.valid for p in self.plies)


def size_findings(surfaces: Mapping[str, Surface]) -> list[Finding]:
    """A warning where one half is much larger than the other: units that differ."""
    small, large = (f(s.size for s in surfaces.values()) for f in (min, max))
    if large < UNLIKE_HALVES * small:
        return []
    message = f"one half is {large / small:.0f} times as large as the other"
    return [Finding("warning", "mould", message, "are both meshes in the same unit?")]


def shear_findings(ply: Ply, piece: Piece) -> list[Finding]:
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


def check_findings(ply: Ply, piece: Piece) -> list[Finding]:
    """One finding for each self-check that failed."""
    c = piece.checks
    coarse = "the net is too coarse to measure anything"
    short = "a second net doesn't reach all of the outline"
    sharp = c.curvature > SHARP * c.curvature_limit
    remedy = (
        "the mesh has a sharp corner or a fault in it: round it, or split the ply there"
        if sharp
        else "use a smaller spacing or a finer mesh"
    )
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
            f"{remedy}; don't cut this piece",
        )
        for what, value, limit, unit, unknown in rows
        if not value <= limit
    ]


def radius_findings(job: Job, inspections: Mapping[str, Inspection]) -> list[Finding]:
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


def summarise(
    job: Job,
    mould: Mould,
    inspections: Mapping[str, Inspection],
    plies: Sequence[PlyResult],
    joint: record.Joint | None,
    findings: Sequence[Finding],
    bag: record.Bag | None = None,
) -> record.Summary:
    return record.Summary(
        title=job.title,
        version=program_version(),
        files=(),
        mould=records.mould_record(mould, dict(inspections)),
        plies=tuple(_ply_record(p) for p in plies),
        joint=joint,
        bag=bag,
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
        strip=None if result.strip is None else _strip_record(result.strip),
        **shears,
    )


def _strip_record(strip: RunStrip) -> record.StripRecord:
    return record.StripRecord(run=strip.run, width_mm=strip.strip.width, laid=strip.strip.laid)


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


def program_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("plywright")
    except PackageNotFoundError:
        return "unknown"
