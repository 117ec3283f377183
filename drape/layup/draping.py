"""All layers of a job draped: on their halves, or across the closed mould; several threads.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np

from drape.errors import AccuracyError, Finding, InputError, raise_any
from drape.geometry.surface import Floats, Ints, SurfacePoint
from drape.job.job import Job
from drape.layup.attempts import make_ply, without_place
from drape.layup.bed import Bed, Laid, make_beds
from drape.layup.directions import warp_direction, zero_direction
from drape.layup.ground import Ground, ground_of, past_the_line
from drape.layup.order import LaidLayer, Layup
from drape.layup.pattern import pattern_of
from drape.layup.piece import Piece, PieceOptions, past_the_end
from drape.layup.result import LayerResult
from drape.layup.risks import check_findings, cloth_risks, shear_findings
from drape.layup.start_places import nearest, place_of
from drape.mould.centre import centre
from drape.mould.closed.closed_mould import ClosedMould
from drape.mould.region import at_vertex
from drape.mould.surface_error import surface_error

Prepared = tuple[LaidLayer, Ground, PieceOptions, tuple[Finding, ...]]


def drape_all(
    job: Job,
    layup: Layup,
    closed: ClosedMould,
    fields: Mapping[str, Floats | None],
    jobs: int | None,
    report: Callable[[str], None],
) -> tuple[LayerResult, ...]:
    """All layers, on as many threads as there are; in the layup's order.

    ``report`` is called with the name of the layer that is waited for.
    """
    beds = make_beds(job, closed, layup)
    prepared, errors = list[Prepared](), list[InputError]()
    for layer in layup:
        try:
            ground = ground_of(layer, layup, job, closed, beds, fields)
            prepared.append((layer, ground, *_options(job, layer, ground)))
        except InputError as error:
            errors.append(error)
    raise_any(errors)
    out = []
    with ThreadPoolExecutor(max_workers=jobs or os.cpu_count() or 1) as pool:
        regions = [half.region for half in closed.mould.halves.values()]
        list(pool.map(surface_error, regions))  # before plies ask for it all at once
        under = partial(past_the_line, layup=layup, beds=beds)
        futures = [pool.submit(_drape, job, under, *each) for each in prepared]
        for layer, future in zip(layup, futures, strict=True):
            report(f"draping {layer.name}")
            out.append(future.result())
    return tuple(out)


def start_and_warp(
    job: Job, layer: LaidLayer, ground: Ground, where: str
) -> tuple[SurfacePoint, Floats, tuple[Finding, ...]]:
    """Where a layer is started on its ground, and the direction (3,) of its warp there.

    Raises
    ------
    InputError
        A start off the cavity, or a zero direction that stands square on it.
    """
    region, findings = ground.region, tuple[Finding, ...]()
    if ground.start is not None:
        start = ground.start
    elif layer.start is None:
        start = centre(region)
    else:
        start, moved = nearest(region, layer.start, where)
        findings = tuple(replace(f, about=(layer.name,)) for f in moved)
    _, normal = place_of(region.surface, start)
    given = job.half(ground.half_at(layer, start)).zero
    if ground.along is not None:
        zero = ground.along
    elif given:
        zero = np.array(given)
    else:
        zero = zero_direction(region, ground.zero_field, start)
    return start, warp_direction(normal, zero, layer.angle, where), findings


def drape_again(
    job: Job,
    layer: LaidLayer,
    layup: Layup,
    closed: ClosedMould,
    fields: Mapping[str, Floats | None],
    beds: Mapping[str, Bed],
) -> Piece:
    """The piece of one ply with another start or angle, as if the job gave it so.

    Parameters
    ----------
    layer : takes the place of the one with its index
    beds : of ``make_beds``; starts and angles don't change them

    Raises
    ------
    InputError
        A start or direction that can't be.
    AccuracyError
        No piece could be made.
    """
    ground = ground_of(layer, layup, job, closed, beds, fields)
    options, _ = _options(job, layer, ground)
    return make_ply(ground.region, options, layer, past_the_line(layer, layup, beds))[0]


def _options(
    job: Job, layer: LaidLayer, ground: Ground
) -> tuple[PieceOptions, tuple[Finding, ...]]:
    """Start, warp and allowances of one layer."""
    start, warp, findings = start_and_warp(job, layer, ground, start_in_job(job, layer))
    edges = ground.region.edges
    options = PieceOptions(
        start=start,
        warp=warp,
        allowances={e.name: layer.cut(e.name, e.kind) for e in edges},
        trims={e.name: layer.allowance(e.name, e.kind) for e in edges if e.name in layer.trimmed},
        height=ground.heights,
        spacing=layer.spacing or ground.spacing,
    )
    return options, findings


def start_in_job(job: Job, layer: LaidLayer) -> str:
    """Where the job gives a layer's start, for messages."""
    place = layer.place_in_job
    return job.where(*place, "start") if layer.is_ply else job.where(*place)


def _drape(
    job: Job,
    under: Callable[[LaidLayer], Laid | None],
    layer: LaidLayer,
    ground: Ground,
    options: PieceOptions,
    findings: tuple[Finding, ...],
) -> LayerResult:
    try:
        piece, straight = make_ply(ground.region, options, layer, under(layer))
    except AccuracyError as error:
        failed = Finding("error", (layer.name,), without_place(error), error.remedy)
        return LayerResult(layer, ground, None, (*findings, failed))
    found = [*findings, *straight, *piece.findings, *past_the_end(piece, layer.name)]
    risks = cloth_risks(layer, piece)
    found += shear_findings(layer, piece, risks.wrinkling) + check_findings(layer, piece)
    return LayerResult(layer, ground, piece, tuple(found), risks)


def with_pattern(result: LayerResult, seen_from: str, snips: tuple[Floats, ...]) -> LayerResult:
    """A layer with its pattern, the runs that it lies across and snips (2, 2) mm drawn on it."""
    piece = result.piece
    if piece is None:
        return result
    lines = result.ground.lines.items()
    runs = tuple((name, _flat_line(piece, chain)) for name, chain in lines)
    return replace(result, pattern=pattern_of(result.ply, piece, seen_from, runs, snips))


def _flat_line(piece: Piece, vertices: Ints) -> Floats:
    """(k, 2) a chain of the region's vertices in the piece's flat coordinates, mm."""
    places = [at_vertex(piece.region, int(v)) for v in vertices]
    at = [place_of(piece.mid, place) for place in places]
    points, normals = (np.array(part) for part in zip(*at, strict=True))
    flat = piece.net.to_flat(points, normals, np.array([p.face for p in places]))
    return flat[np.isfinite(flat).all(axis=1)]
