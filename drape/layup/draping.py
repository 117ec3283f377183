"""All plies of a job draped: on their halves, or across the closed mould; several threads.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from drape.errors import AccuracyError, Finding, InputError, raise_any
from drape.geometry.surface import Floats, SurfacePoint
from drape.job.job import Job, Ply
from drape.layup.attempts import make_ply, without_place
from drape.layup.beds import laid_on, make_beds
from drape.layup.directions import mid_heights, warp_direction, zero_direction
from drape.layup.ground import PreparedStrip, flat_line, prepare_strips
from drape.layup.laying import Bed
from drape.layup.order import PlyAllowances, ply_allowance_defaults
from drape.layup.piece import Piece, PieceOptions, past_the_end
from drape.layup.ply_pattern import pattern_of
from drape.layup.result import PlyResult
from drape.layup.risks import check_findings, cloth_risks, shear_findings
from drape.layup.start_places import chosen_spacing, nearest, place_of
from drape.layup.wrap_ground import PreparedWrap, prepare_wraps
from drape.mould.centre import centre
from drape.mould.closed.closed_mould import ClosedMould
from drape.mould.mould import Mould
from drape.mould.region import Region
from drape.mould.surface_error import surface_error

Progress = Callable[[str, int, int], None]


def drape_all(
    job: Job,
    closed: ClosedMould,
    fields: Mapping[str, Floats | None],
    jobs: int | None,
    tell: Progress,
    steps: int,
) -> tuple[PlyResult, ...]:
    """All plies, on as many threads as there are: in the job's order, then what lies across."""
    regions = {name: half.region for name, half in closed.mould.halves.items()}
    heights = _heights(job)
    beds = make_beds(job, closed)
    prepared, errors = [], []
    for ply, allowances in zip(job.plies, ply_allowance_defaults(job), strict=True):
        region = regions[ply.half]
        try:
            prepared.append(
                _prepare(job, ply, allowances, region, fields[ply.half], heights[ply.name])
            )
        except InputError as error:
            errors.append(error)
    raise_any(errors)
    across: list[PreparedStrip | PreparedWrap] = [
        *prepare_strips(job, closed),
        *prepare_wraps(job, closed),
    ]
    done = len(job.halves) + 1
    out = []
    with ThreadPoolExecutor(max_workers=jobs or os.cpu_count() or 1) as pool:
        list(pool.map(surface_error, regions.values()))  # before plies ask for it all at once
        futures = [
            pool.submit(_drape, job, ply, regions[ply.half], options, findings, beds)
            for ply, (options, findings) in zip(job.plies, prepared, strict=True)
        ]
        futures += [pool.submit(_drape_across, job, each) for each in across]
        names = [*job.plies, *(each.ply for each in across)]
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


def drape_again(
    job: Job, ply: Ply, mould: Mould, field: Floats | None, beds: Mapping[str, Bed]
) -> Piece:
    """The piece of one ply, changed in start or angle, as it would be had the job it so.

    Parameters
    ----------
    ply : takes the place of the job's ply with its index
    field : (n,) its half's, of ``hollow_fields``
    beds : of ``make_beds``; starts and angles don't change them

    Raises
    ------
    InputError
        A start or direction that can't be.
    AccuracyError
        No piece could be made.
    """
    job = replace(job, plies=tuple(ply if p.index == ply.index else p for p in job.plies))
    region = mould.halves[ply.half].region
    allowances = ply_allowance_defaults(job)[ply.index]
    options, _ = _prepare(job, ply, allowances, region, field, _heights(job)[ply.name])
    piece, _ = make_ply(region, options, ply, laid_on(job, ply, beds))
    return piece


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
        piece, straight = make_ply(region, options, ply, laid_on(job, ply, beds))
    except AccuracyError as error:
        told = Finding("error", (ply.name,), without_place(error), error.remedy)
        return PlyResult(ply, None, None, (*findings, told))
    found = [*findings, *straight, *piece.findings, *past_the_end(piece, ply.name)]
    risks = cloth_risks(ply, piece)
    found += shear_findings(ply, piece, risks.wrinkling) + check_findings(ply, piece)
    return PlyResult(ply, piece, pattern_of(ply, piece, job.seen_from), tuple(found), risks)


def _drape_across(job: Job, each: PreparedStrip | PreparedWrap) -> PlyResult:
    """A joint strip or a wrapped ply on the closed mould, the runs drawn on its pattern."""
    result = _drape(job, each.ply, each.region, each.options, each.findings, {})
    pattern, piece = result.pattern, result.piece
    if piece is not None and pattern is not None:
        runs = tuple((name, flat_line(piece, chain)) for name, chain in each.lines.items())
        pattern = replace(
            pattern,
            edge_lines=(*pattern.edge_lines, *runs),
            laid=each.of.laid,
            angle_from=each.of.run if isinstance(each, PreparedStrip) else "",
        )
    if isinstance(each, PreparedStrip):
        return replace(result, pattern=pattern, strip=each.of)
    return replace(result, pattern=pattern, wrap=each)
