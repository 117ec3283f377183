"""What hand placement does to the overlaps: a ply laid a little off and a little turned.

A ply may be laid up to ``placement`` mm off in any direction and turned by up to ``angle``
about its start point, either way. All of it happens in the ply's flat coordinates (origin at
the start point), where the cloth moves as one piece; at a station of an edge that leaves the
edge's tangent line moved. For a straight edge that is exact; a curved edge with curvature κ
differs by κ δ²/2, δ being how far the station slides along the edge.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drape.errors import Finding
from drape.geometry.surface import Floats
from drape.job.bench_settings import Placement
from drape.joint.at_run import AtRun
from drape.joint.build_up import Overlap, pair_overlap

PROUD = 0.05  # mm past the line that is worth reporting


@dataclass(frozen=True, eq=False)
class EdgeStations:
    """Stations of a ply's edge at a run, in the ply's flat coordinates.

    Attributes
    ----------
    positions : (k, 2), mm from the start point
    normals : (k, 2), unit, outward, in the ply's plane
    allowances : (k,), mm, where the allowance changes along the edge; None: the ply's own
    """

    positions: Floats
    normals: Floats
    allowances: Floats | None = None


def edge_shifts(stations: EdgeStations, placement: Placement) -> tuple[Floats, Floats]:
    """Least and greatest outward move of a ply's edge at each station, (k,) each, mm.

    With h = r·n and lever L = r × n, turning by φ and moving by d brings the edge
    h (sec φ − 1) + L tan φ + (d·n′) sec φ along n, n′ being the turned normal; for small φ
    that is the move across the edge plus angle × lever.
    """
    r, n = stations.positions, stations.normals
    height = np.einsum("ki,ki->k", r, n)
    lever = r[:, 0] * n[:, 1] - r[:, 1] * n[:, 0]
    least = _extremes(height - placement.offset, lever, placement.angle)[0] - height
    greatest = _extremes(height + placement.offset, lever, placement.angle)[1] - height
    return least, greatest


def _extremes(c: Floats, lever: Floats, angle: float) -> tuple[Floats, Floats]:
    """Least and greatest of c sec φ + L tan φ over |φ| ≤ ``angle``.

    It is stationary only at sin φ = −L/c, where it is c cos φ.
    """
    ends = [c / np.cos(angle) + sign * lever * np.tan(angle) for sign in (-1.0, 1.0)]
    inside = np.abs(lever) < np.abs(c) * np.sin(angle)
    turn = np.divide(-lever, c, out=np.zeros_like(c), where=inside)
    stationary = np.where(inside, c * np.sqrt(1.0 - turn**2), ends[0])
    values = np.stack([*ends, stationary])
    return values.min(axis=0), values.max(axis=0)


def scattered_overlap(
    ply: AtRun,
    at: EdgeStations,
    other: AtRun,
    other_at: EdgeStations,
    placement: Placement,
) -> Overlap:
    """Overlap of a pair at a run with both plies' placement scatter.

    Station i of both plies lies at the same place of the run. Where allowances change
    along the run, ``nominal_mm`` is the smallest nominal overlap.
    """
    nominal = _allowances(ply, at) + _allowances(other, other_at)
    low, high = _shifts(ply, at, placement)
    other_low, other_high = _shifts(other, other_at, placement)
    least = float(np.min(nominal + low + other_low))
    greatest = float(np.max(nominal + high + other_high))
    smallest = float(nominal.min())
    return pair_overlap(ply, other, smallest, (least - smallest, greatest - smallest))


def _allowances(ply: AtRun, at: EdgeStations) -> Floats:
    own = at.allowances
    return np.full(len(at.positions), ply.end()) if own is None else np.asarray(own, float)


def _shifts(ply: AtRun, at: EdgeStations, placement: Placement) -> tuple[Floats, Floats]:
    if ply.trimmed:
        return np.zeros(len(at.positions)), np.zeros(len(at.positions))
    return edge_shifts(at, placement)


def overlap_findings(overlaps: Sequence[Overlap], required: float) -> tuple[Finding, ...]:
    """Risks where the least overlap falls below the ``required`` one, mm."""
    return tuple(
        Finding(
            "risk",
            (pair.ply, pair.other),
            f"placement scatter may leave {_left(pair.least_mm)}, required minimum {required:g} mm",
            "lay the plies more exactly, make the lap longer, or trim in the mould",
        )
        for pair in overlaps
        if pair.least_mm < required and pair.nominal_mm >= 0.0  # a gap is an error already
    )


def _left(least: float) -> str:
    return f"only {least:.1f} mm of overlap" if least >= 0.0 else f"a gap of {-least:.1f} mm"


@dataclass(frozen=True)
class Proud:
    """A ply that is to end at the line or short of it, and how far it may pass it, mm."""

    ply: str
    allowance: float
    past_mm: float


def proud_of(ply: AtRun, at: EdgeStations, placement: Placement) -> Proud | None:
    """How far a flush or set-back ply may lie past the line; None: too little to report.

    A lap is meant to pass the line; an edge trimmed in the mould can't.
    """
    own = _allowances(ply, at)
    past = np.where(own <= 0.0, own + _shifts(ply, at, placement)[1], -np.inf)
    worst = int(np.argmax(past))
    if past[worst] <= PROUD:
        return None
    return Proud(ply.name, float(own[worst]), float(past[worst]))


@dataclass(frozen=True)
class Short:
    """An edge to be trimmed in the mould, and how far short of its trim place it may lie, mm."""

    ply: str
    proud: float
    short_mm: float


def short_of(ply: AtRun, at: EdgeStations, placement: Placement, proud: float) -> Short | None:
    """Where placement takes more than an edge was cut proud: there nothing is left to trim."""
    if not ply.trimmed:
        return None
    short = -float(np.min(edge_shifts(at, placement)[0])) - proud
    return Short(ply.name, proud, short) if short > PROUD else None


def short_finding(short: Short) -> Finding:
    """The risk that a trimmed edge ends short of where it is to be trimmed."""
    text = (
        f"the edge is cut only {short.proud:g} mm proud for trimming in the mould and may lie "
        f"{short.short_mm:.1f} mm short of its trim place, which no overlap figure includes"
    )
    least = np.ceil(short.proud + short.short_mm)
    return Finding(
        "risk", (short.ply,), text, f"set proud to {least:g} mm, or lay the ply more exactly"
    )


def proud_finding(proud: Proud) -> Finding:
    """The risk that a ply past the line holds the mould open."""
    text = (
        f"the ply's allowance is {proud.allowance:g} mm, so it may lie {proud.past_mm:.1f} mm past "
        f"the parting line and hold the mould open"
    )
    return Finding(
        "risk", (proud.ply,), text, "set it back farther, or cut it proud and trim it in the mould"
    )
