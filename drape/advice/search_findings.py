"""What a search for the yarns across the line found, pair by pair, and its findings.

Angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drape.advice.yarn_trials import Found, Tried
from drape.errors import Finding
from drape.geometry.surface import Floats
from drape.job.job import Job
from drape.job.joint_settings import Goal
from drape.joint.yarns import WORDS
from drape.layup.order import LaidLayer


@dataclass(frozen=True, eq=False)
class PairSearch:
    """What was found for a pair of plies: ``ply`` was searched, ``other`` stays."""

    ply: LaidLayer
    other: LaidLayer
    goal: Goal
    runs: tuple[str, ...]
    found: Found


def wanted(job: Job) -> Goal | None:
    """The goal that starts are searched for; None: the job doesn't ask for a search."""
    return job.joint.yarns if job.joint is not None and job.joint.yarns_search else None


def search_findings(job: Job, searches: tuple[PairSearch, ...]) -> tuple[Finding, ...]:
    """A note for each search, or one that there was nothing to search."""
    if wanted(job) is None:
        return ()
    if not searches:
        where = job.where("joint", "yarns_search")
        text = "no start was searched: no two draped plies meet at a run"
        return (
            Finding(
                "note", (where,), text, "name the lap half, and fix the plies that were not draped"
            ),
        )
    sense = job.sense
    return tuple(_finding(s, sense) for s in searches)


def _finding(s: PairSearch, sense: float) -> Finding:
    about = (*s.runs, s.ply.name, s.other.name)
    given, best = s.found.given, s.found.best
    aim = f"yarns {WORDS[s.goal]}"
    tried = f"{s.found.starts} starts, {s.found.nets} nets tried"
    if best is None:
        text = f"{s.ply.name}'s own start and angle serve {aim} best of all that were tried"
        return Finding("note", about, f"{text}: {_figures(given)} ({tried})")
    start, angle = _point(best.start.at), f"{angle_deg(best, sense):g}"
    place = "its own start" if best.start.given else f"start {start}"
    text = f"{s.ply.name} would serve {aim} better from {place} at {angle}°: {_figures(best)}"
    if s.found.locking:
        limit = f"{np.degrees(s.ply.fabric.locking_angle):g}°"
        text += f", past the locking angle of {limit} like every other choice"
    text += f". As given: {_figures(given)} ({tried})"
    keys = f"angle = {angle}" if best.start.given else f"start = {start} and angle = {angle}"
    return Finding("note", about, text, f"nothing was changed: write {keys} to use it")


def angle_deg(tried: Tried, sense: float) -> float:
    """Its angle as the job counts it, degrees, more than −90 and at most 90."""
    degrees = round(float(np.degrees(sense * tried.angle)), 3) + 0.0
    return degrees if degrees > -90.0 else degrees + 180.0


def _figures(t: Tried) -> str:
    missed = f", {t.missed:.0%} of the line not reached" if t.missed > 0.0 else ""
    return (
        f"{np.degrees(t.mean):.1f}° off on average, {np.degrees(t.greatest):.1f}° at most, "
        f"sheared {np.degrees(t.shear):.1f}° at most{missed}"
    )


def _point(at: Floats) -> str:
    return f"[{', '.join(f'{round(float(x), 1) + 0.0:g}' for x in at)}]"
