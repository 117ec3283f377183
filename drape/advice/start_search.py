"""Search for the start and angle of a lapping ply whose yarns serve the job's goal best.

At each pair of plies the lapping half's is searched; the other one, and the job, stay as they
are. Angles in radians.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from drape.advice.search_findings import PairSearch, wanted
from drape.advice.yarn_search import search_start
from drape.advice.yarn_trials import Each, FixedPly, Search
from drape.geometry.surface import Floats, SurfacePoint
from drape.job.job import Job
from drape.job.joint_settings import Goal
from drape.job.layers import Vector
from drape.joint.tuck import RunClosing
from drape.joint.yarns import alike, pairs_at, piece_angles
from drape.layup.bed import make_beds
from drape.layup.directions import zero_direction
from drape.layup.draping import drape_again
from drape.layup.order import LaidLayer, Layup
from drape.layup.piece import Piece
from drape.layup.starts import opposite, spread_starts
from drape.mould.closed.closed_mould import ClosedMould

STARTS = 12  # places spread over a half


@dataclass(frozen=True, eq=False)
class _Pair:
    ply: LaidLayer
    other: LaidLayer
    fixed: tuple[FixedPly, ...]


def searches_of(
    job: Job,
    layup: Layup,
    closed: ClosedMould,
    fields: Mapping[str, Floats | None],
    closings: Mapping[str, RunClosing],
    pieces: Mapping[str, Piece],
    jobs: int | None = None,
) -> tuple[PairSearch, ...]:
    """The search of each pair of plies; empty where the job doesn't ask for it.

    Parameters
    ----------
    fields : by half, of ``hollow_fields``
    closings : by run
    pieces : by ply; a pair that lacks one isn't searched
    jobs : threads; results don't depend on it
    """
    goal = wanted(job)
    if goal is None:
        return ()
    beds = make_beds(job, closed, layup)

    def again(layer: LaidLayer) -> Piece:
        return drape_again(job, layer, layup, closed, fields, beds)

    with ThreadPoolExecutor(max_workers=jobs or os.cpu_count() or 1) as pool:
        out = []
        for pair in _pairs(layup, closings, pieces):
            given, field = job.half(pair.ply.own).zero, fields[pair.ply.own]
            closing = closed.mould.closing
            out.append(_searched(pair, goal, pieces, given, field, closing, again, pool.map))
        return tuple(out)


def _pairs(
    layup: Layup, closings: Mapping[str, RunClosing], pieces: Mapping[str, Piece]
) -> tuple[_Pair, ...]:
    """Pairs with the other ply's angles at each run they share. Where the halves take turns in
    lapping, the ply that laps at the first run is searched."""
    together: dict[frozenset[str], tuple[LaidLayer, LaidLayer, list[FixedPly]]] = {}
    for run, closing in closings.items():
        for a, b in pairs_at(layup, closing):
            if a.name not in pieces or b.name not in pieces:
                continue
            _, other, fixed = together.setdefault(frozenset({a.name, b.name}), (a, b, []))
            angles = piece_angles(pieces[other.name], closing.line, run)
            if np.isfinite(angles).any():
                fixed.append(FixedPly(run, closing.line, angles))
    return tuple(_Pair(a, b, tuple(fixed)) for a, b, fixed in together.values() if fixed)


def _searched(
    pair: _Pair,
    goal: Goal,
    pieces: Mapping[str, Piece],
    given: Vector | None,
    field: Floats | None,
    closing: Floats,
    again: Callable[[LaidLayer], Piece],
    each: Each,
) -> PairSearch:
    """``given``, ``field``: the half's zero direction, and the field that tells it elsewhere."""
    ply, other = pair.ply, pair.other
    piece = pieces[ply.name]
    region = piece.region

    def zero(place: SurfacePoint) -> Floats:
        return np.array(given) if given else zero_direction(region, field, place)

    def made(at: Floats | None, angle: float) -> Piece:
        start = ply.start if at is None else (float(at[0]), float(at[1]), float(at[2]))
        return again(ply.from_start(start, angle, ply.angle_deg))

    same = alike(ply.fabric) and alike(other.fabric)
    search = Search(piece, pair.fixed, goal, same, ply.fabric.locking_angle, zero, made, each)
    starts = spread_starts(region, STARTS)
    across = opposite(region, _facet_point(pieces[other.name]), closing)
    more = () if across is None or not starts.allows(across) else (across,)
    found = search_start(search, starts, ply.angle, more)
    return PairSearch(ply, other, goal, tuple(f.run for f in pair.fixed), found)


def _facet_point(piece: Piece) -> Floats:
    """(3,) a piece's start on its facet."""
    start, surface = piece.options.start, piece.region.surface
    weights = np.array([1.0 - start.b1 - start.b2, start.b1, start.b2])
    return weights @ surface.vertices[surface.faces[start.face]]
