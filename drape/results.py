"""Results of a run: what was computed, what is to be told of it, and its summary."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from math import degrees

import numpy as np

from drape.cloth.fabric import Fabric
from drape.clothrisks import ClothRisks
from drape.errors import Finding
from drape.facefields import Ground
from drape.hollow import Hollow
from drape.job import Job, Ply
from drape.jointclosing import RunClosing
from drape.jointease import LapEase
from drape.jointsearch import PairSearch
from drape.jointyarns import PairYarns
from drape.layup.netcheck import fine_enough
from drape.layup.pattern import Pattern
from drape.layup.piece import Piece
from drape.mould.inspection import Inspection
from drape.mould.mould import Mould
from drape.output import clothrecords, records
from drape.output import summary as record
from drape.strips import RunStrip
from drape.wraps import PreparedWrap, RunWrap


@dataclass(frozen=True, eq=False)
class PlyResult:
    """One ply: its piece, pattern and risks, or None with the reason among the findings.

    ``strip``, ``wrap``: the joint strip or wrapped ply that it is, if it is one.
    """

    ply: Ply
    piece: Piece | None
    pattern: Pattern | None
    findings: tuple[Finding, ...]
    risks: ClothRisks | None = None
    strip: RunStrip | None = None
    wrap: PreparedWrap | None = None

    @property
    def on_one_half(self) -> bool:
        """Whether it is a ply of one half, neither joint strip nor wrapped ply."""
        return self.strip is None and self.wrap is None


@dataclass(frozen=True, eq=False)
class Closing:
    """Tuck with the laps' lines, lap ease and yarn match, by run; findings on all of them.

    ``searches``: starts searched for the yarns; None: the job doesn't ask for any.
    """

    runs: Mapping[str, RunClosing] = field(default_factory=dict)
    eases: Mapping[str, tuple[LapEase, ...]] = field(default_factory=dict)
    yarns: Mapping[str, tuple[PairYarns, ...]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    searches: tuple[PairSearch, ...] | None = None


@dataclass(frozen=True, eq=False)
class Results:
    """All that a run computed.

    ``summary.files`` is empty until the results are published. ``grounds``: by half, what its
    plies' fields are told of against.
    """

    job: Job
    mould: Mould
    inspections: Mapping[str, Inspection]
    plies: tuple[PlyResult, ...]
    findings: tuple[Finding, ...]
    summary: record.Summary
    closing: Closing = field(default_factory=Closing)
    hollow: Hollow | None = None
    grounds: Mapping[str, Ground] = field(default_factory=dict)

    @property
    def valid(self) -> bool:
        """Whether every piece may be cut."""
        return all(p.piece is not None and p.piece.valid for p in self.plies)


def check_findings(ply: Ply, piece: Piece) -> list[Finding]:
    """One finding for each self-check that failed."""
    c = piece.checks
    coarse = "the net is too coarse to measure anything"
    short = "a second net doesn't reach all of the outline"
    finer, mesh = "use a smaller spacing or a finer mesh", "export a finer mesh"
    rows = [
        ("curvature check", degrees(c.curvature), degrees(c.curvature_limit), "°", coarse,
         _finer_spacing(piece)),
        ("yarn length check", c.yarn_length, c.yarn_limit, " (relative)", coarse, finer),
        ("closure check", c.closure, c.closure_limit, " mm", short, finer),
        ("surface error between the mesh's vertices", c.surface, c.surface_limit, " mm", "", mesh),
        ("outline error from the mesh", c.outline, c.outline_limit, " mm", "", mesh),
    ]  # fmt: skip
    return [
        Finding(
            "error",
            ply.name,
            f"{what} failed: {value:.3g}{unit}, allowed {limit:.3g}{unit}"
            if np.isfinite(value)
            else f"{what} failed: {unknown}",
            f"{remedy}; don't cut this piece",
        )
        for what, value, limit, unit, unknown, remedy in rows
        if value > limit or (unknown and np.isnan(value))
    ]


def _finer_spacing(piece: Piece) -> str:
    """What to do where the curvature check failed."""
    found = piece.checks.curvature
    if not np.isfinite(found):
        return "use a smaller spacing or a finer mesh"
    fine = fine_enough(piece.options.spacing, found)
    if fine is None:
        return "the mesh has a sharp corner or a fault in it: round it, or split the ply there"
    return f"a spacing of {fine:g} mm should be fine enough"


def radius_findings(
    job: Job, inspections: Mapping[str, Inspection], told: Collection[str] = ()
) -> list[Finding]:
    """Where the stack is thicker than the smallest inside radius, cloth will bridge.

    Not for the halves ``told`` of by their bridging zones, which say where.
    """
    out = []
    for half in job.halves:
        if half.name in told:
            continue
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
    mass = prepreg = None
    if result.piece is not None and result.pattern is not None:
        pieces = (_piece_record(result, result.piece, result.pattern),)
        shears = records.shears(result.piece)
        mass = records.number(_mass(result))
        prepreg = records.number(_with_resin(_mass(result), ply.fabric))
    return record.PlyRecord(
        name=ply.name,
        half=ply.half,
        fabric=ply.fabric.name,
        angle_deg=ply.angle_deg,
        locking_angle_deg=records.degrees(ply.fabric.locking_angle),
        mass_g=mass,
        prepreg_mass_g=prepreg,
        pieces=pieces,
        strip=None if result.strip is None else _strip_record(result.strip),
        wrap=None if result.wrap is None else _wrap_record(result.wrap.of),
        **shears,
    )


def _piece_record(result: PlyResult, piece: Piece, pattern: Pattern) -> record.PieceRecord:
    """A piece with its zones at risk and its smoothing order."""
    out = records.piece_record(result.ply.name, piece, pattern)
    risks = result.risks
    if risks is None:
        return out
    thickest = result.ply.fabric.thickness / np.cos(piece.assessment.max_shear)
    return out.model_copy(
        update={
            "greatest_thickness_mm": records.number(thickest, 5),
            "wrinkle_zones": clothrecords.wrinkle_zones(
                risks.wrinkling, tuple(piece.options.trims)
            ),
            "wrinkle_band": clothrecords.wrinkle_band(risks.wrinkling),
            "bridging_zones": clothrecords.bridging_zones(risks.bridging),
            "smoothing": clothrecords.smoothing(piece.net, risks.strokes),
        }
    )


def _strip_record(strip: RunStrip) -> record.StripRecord:
    return record.StripRecord(run=strip.run, width_mm=strip.strip.width, laid=strip.strip.laid)


def _wrap_record(wrap: RunWrap) -> record.WrapRecord:
    wrapped = wrap.wrapped
    return record.WrapRecord(seam=wrapped.seam, overlap_mm=wrapped.overlap, half=wrap.own)


def _mass(result: PlyResult) -> float:
    """Fibre mass of a ply, g: areal mass times the area of flat cloth."""
    assert result.piece is not None  # narrowed by the callers
    return result.ply.fabric.areal_mass * result.piece.assessment.cloth_area * 1e-6


def _with_resin(mass: float, fabric: Fabric) -> float | None:
    """Mass of fibre and resin as supplied, g, from that of the fibre; None: not known."""
    return None if fabric.resin_content is None else mass / (1.0 - fabric.resin_content)


def _kit(plies: Sequence[PlyResult]) -> tuple[record.KitItem, ...]:
    """Cloth and masses by fabric; None where a piece failed."""
    out = []
    for name in dict.fromkeys(p.ply.fabric.name for p in plies):
        mine = [p for p in plies if p.ply.fabric.name == name]
        whole = all(p.piece is not None for p in mine)
        area = sum(p.piece.assessment.cloth_area for p in mine if p.piece is not None)
        mass = sum(_mass(p) for p in mine if p.piece is not None)
        fabric = mine[0].ply.fabric
        out.append(
            record.KitItem(
                fabric=name,
                kind=fabric.kind,
                weave=fabric.weave,
                source=fabric.source,
                areal_mass_g_per_m2=records.number(fabric.areal_mass),
                prepreg_areal_mass_g_per_m2=records.number(fabric.prepreg_areal_mass),
                thickness_mm=records.number(fabric.thickness, 4),
                fibre_fraction=records.number(fabric.fibre_fraction, 4),
                cloth_area_mm2=records.number(area) if whole else None,
                mass_g=records.number(mass) if whole else None,
                prepreg_mass_g=records.number(_with_resin(mass, fabric)) if whole else None,
            )
        )
    return tuple(out)


def program_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("plywright")
    except PackageNotFoundError:
        return "unknown"
