"""Results of a run as its summary."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version

import numpy as np

from drape.errors import Finding
from drape.fabric.fabric import Fabric
from drape.job.job import Job
from drape.job.layers import Strip, Wrapped
from drape.layup.order import LaidLayer
from drape.layup.pattern import Pattern
from drape.layup.piece import Piece
from drape.layup.result import LayerResult
from drape.mould.inspection import Inspection
from drape.mould.mould import Mould
from drape.output.summary import cloth_records, records
from drape.output.summary import models as record
from drape.output.summary.base import degrees, number


def summarise(
    job: Job,
    mould: Mould,
    inspections: Mapping[str, Inspection],
    plies: Sequence[LayerResult],
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


def _ply_record(result: LayerResult) -> record.PlyRecord:
    ply = result.ply
    pieces: tuple[record.PieceRecord, ...] = (record.PieceRecord(name=ply.name, valid=False),)
    shears: dict[str, float | None] = {}
    mass = prepreg = None
    if result.piece is not None and result.pattern is not None:
        pieces = (_piece_record(result, result.piece, result.pattern),)
        shears = records.shears(result.piece)
        mass = number(_mass(result))
        prepreg = number(_with_resin(_mass(result), ply.fabric))
    return record.PlyRecord(
        name=ply.name,
        half=ply.half,
        fabric=ply.fabric.name,
        angle_deg=ply.angle_deg,
        locking_angle_deg=degrees(ply.fabric.locking_angle),
        mass_g=mass,
        prepreg_mass_g=prepreg,
        pieces=pieces,
        strip=_strip_record(ply),
        wrap=_wrap_record(ply),
        **shears,
    )


def _piece_record(result: LayerResult, piece: Piece, pattern: Pattern) -> record.PieceRecord:
    """A piece with its zones at risk and its smoothing order."""
    out = records.piece_record(result.ply.name, piece, pattern)
    risks = result.risks
    if risks is None:
        return out
    thickest = result.ply.fabric.thickness / np.cos(piece.assessment.max_shear)
    return out.model_copy(
        update={
            "greatest_thickness_mm": number(thickest, 5),
            "wrinkle_zones": cloth_records.wrinkle_zones(
                risks.wrinkling, tuple(piece.options.trims)
            ),
            "wrinkle_band": cloth_records.wrinkle_band(risks.wrinkling),
            "bridging_zones": cloth_records.bridging_zones(risks.bridging),
            "smoothing": cloth_records.smoothing(piece.net, risks.strokes),
        }
    )


def _strip_record(layer: LaidLayer) -> record.StripRecord | None:
    strip = layer.layer
    if not isinstance(strip, Strip):
        return None
    return record.StripRecord(run=layer.run, width_mm=strip.width, laid=strip.laid)


def _wrap_record(layer: LaidLayer) -> record.WrapRecord | None:
    wrapped = layer.layer
    if not isinstance(wrapped, Wrapped):
        return None
    return record.WrapRecord(seam=wrapped.seam, overlap_mm=wrapped.overlap, half=layer.own)


def _mass(result: LayerResult) -> float:
    """Fibre mass of a ply, g: areal mass times the area of flat cloth."""
    assert result.piece is not None  # narrowed by the callers
    return result.ply.fabric.areal_mass * result.piece.assessment.cloth_area * 1e-6


def _with_resin(mass: float, fabric: Fabric) -> float | None:
    """Mass of fibre and resin as supplied, g, from that of the fibre; None: not known."""
    return None if fabric.resin_content is None else mass / (1.0 - fabric.resin_content)


def _kit(plies: Sequence[LayerResult]) -> tuple[record.KitItem, ...]:
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
                areal_mass_g_per_m2=number(fabric.areal_mass),
                prepreg_areal_mass_g_per_m2=number(fabric.prepreg_areal_mass),
                thickness_mm=number(fabric.thickness, 4),
                fibre_fraction=number(fabric.fibre_fraction, 4),
                cloth_area_mm2=number(area) if whole else None,
                mass_g=number(mass) if whole else None,
                prepreg_mass_g=number(_with_resin(mass, fabric)) if whole else None,
            )
        )
    return tuple(out)


def program_version() -> str:
    """Version of the installed distribution."""
    try:
        return version("plywright")
    except PackageNotFoundError:
        return "unknown"
