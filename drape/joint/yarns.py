"""Yarn match of a job's plies, run by run: warps of a pair of plies at the parting line.

Warps are read from both nets where the plies end at the parting surface. Angles in radians.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from drape.errors import Finding
from drape.fabric.fabric import Fabric
from drape.geometry.surface import Floats
from drape.job.job import Job
from drape.job.joint_settings import Goal
from drape.joint.tuck import RunClosing
from drape.joint.yarn_match import YarnMatch, angles_along, match
from drape.layup.order import LaidLayer, Layup
from drape.layup.piece import Piece
from drape.mould.run_line import RunLine

GOALS: tuple[Goal, Goal] = ("running-through", "mirrored")
WORDS = {"running-through": "running through", "mirrored": "mirroring each other"}


@dataclass(frozen=True)
class PairYarns:
    """How the warps of a pair of plies match at a run; ``other`` is of the other half."""

    ply: str
    other: str
    match: YarnMatch


def alike(fabric: Fabric) -> bool:
    """Whether a cloth's faces and its two yarn families are alike: it looks the same after a
    quarter turn.

    Only the weave decides this: a plain weave is, in a twill or satin floats show which way
    the warp runs. The cloth is taken to be balanced: warp and weft of the same yarn.
    """
    return re.search(r"\bplain\b", fabric.weave.lower()) is not None


def yarns_of(
    job: Job, layup: Layup, closings: Mapping[str, RunClosing], pieces: Mapping[str, Piece]
) -> dict[str, tuple[PairYarns, ...]]:
    """The match of each pair of plies at each run, for the job's goal, else for both."""
    wanted = job.joint.yarns if job.joint else None
    goals = GOALS if wanted is None else (wanted,)
    out = {}
    for run, closing in closings.items():
        found = [_pair(closing, a, b, pieces, run, goals) for a, b in pairs_at(layup, closing)]
        out[run] = tuple(p for pair in found for p in pair)
    return out


def pairs_at(layup: Layup, closing: RunClosing) -> tuple[tuple[LaidLayer, LaidLayer], ...]:
    """Pairs of plies that meet at a run, the lapping half's first."""
    plies = [each for each in layup if each.is_ply]
    lapping = [p for p in plies if p.own == closing.lap_half]
    return tuple(zip(lapping, [p for p in plies if p not in lapping], strict=False))


def piece_angles(piece: Piece, line: RunLine, run: str) -> Floats:
    """(s,) angle from the run to a piece's warp at each station; NaN where its net isn't."""
    return angles_along(piece.net, piece.moved[run], line, piece.options.spacing)


def _pair(
    closing: RunClosing,
    ply: LaidLayer,
    other: LaidLayer,
    pieces: Mapping[str, Piece],
    run: str,
    goals: tuple[Goal, ...],
) -> list[PairYarns]:
    if ply.name not in pieces or other.name not in pieces:
        return []
    first, second = (piece_angles(pieces[p.name], closing.line, run) for p in (ply, other))
    there = np.isfinite(first) & np.isfinite(second)
    if not there.any():
        return []
    same = alike(ply.fabric) and alike(other.fabric)
    return [
        PairYarns(ply.name, other.name, match(first[there], second[there], goal, same))
        for goal in goals
    ]


def yarn_findings(
    job: Job, yarns: Mapping[str, tuple[PairYarns, ...]], scatter: float
) -> tuple[Finding, ...]:
    """A note for each pair that misses the job's goal by more than ``scatter``, radians, of
    hand placement; the worst run's figures. None without a goal."""
    if job.joint is None or job.joint.yarns is None:
        return ()
    missed: dict[tuple[str, str], list[tuple[str, PairYarns]]] = {}
    for run, pairs in yarns.items():
        for pair in pairs:
            if pair.match.greatest > scatter:
                missed.setdefault((pair.ply, pair.other), []).append((run, pair))
    return tuple(_finding(found, job.sense, scatter) for found in missed.values())


def _finding(found: list[tuple[str, PairYarns]], sense: float, scatter: float) -> Finding:
    run, worst = max(found, key=lambda entry: entry[1].match.greatest)
    m = worst.match
    runs = tuple(name for name, _ in found)
    place = f" (worst at {run})" if len(found) > 1 else ""
    text = f"the yarns are up to {np.degrees(m.greatest):.0f}° away from {WORDS[m.goal]}{place}"
    remedy = "their direction varies along the run, so no single angle fixes it"
    if m.after_turn < m.greatest - scatter:  # less isn't seen on the bench
        remedy = (
            f"turn {worst.other} by {sense * np.degrees(m.best_turn):+.0f}° to leave "
            f"{np.degrees(m.after_turn):.0f}° there"
        )
    return Finding("note", (*runs, worst.ply, worst.other), text, remedy)
