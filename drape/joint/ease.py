"""Lap ease of a job's plies, run by run: laps that must stretch or gather, and their snips.

A lap's free edge, as it lies in the closed mould, against the line where the lap leaves its
half. Both are the ply's mid-surface. Shear is the ply's own net's. Lengths in mm, angles in
radians.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drape.errors import Finding
from drape.geometry.surface import Bools, Floats, readonly
from drape.job.job import Job
from drape.joint.ease_rules import (
    ROOT,
    YARN_EASE,
    Snips,
    greatest_change,
    lap_ease,
    local_ease,
    snips,
)
from drape.joint.tuck import LapClosing, RunClosing
from drape.layup.edges import EdgeStretch
from drape.layup.piece import Piece

SHARES = 9  # places from the line to the free edge where the shear is looked at


@dataclass(frozen=True, eq=False)
class SnippedStretch:
    """Snips along a stretch of a run whose mean ease is ``ease``.

    ``marks`` (count, 2, 2), mm, go from the cut edge inward in the ply's flat coordinates.
    """

    from_mm: float
    to_mm: float
    ease: float
    snips: Snips
    marks: Floats


@dataclass(frozen=True, eq=False)
class LapEase:
    """Ease of a ply's lap at a run.

    Attributes
    ----------
    ply : str
    worst, whole : float, relative, + must stretch
        At the place where it is greatest, and of the whole run.
    worst_at : float, mm along the run
    shear : float or None, radians
        Greatest of the net's in the lap there; None: the net isn't there.
    stretches : tuple of SnippedStretch
    longest : float or None, mm
        A lap that needs no snips; None where none is snipped.
    """

    ply: str
    worst: float
    whole: float
    worst_at: float
    shear: float | None
    stretches: tuple[SnippedStretch, ...] = ()
    longest: float | None = None


def eases_of(
    job: Job, closings: Mapping[str, RunClosing], pieces: Mapping[str, Piece]
) -> dict[str, tuple[LapEase, ...]]:
    """Ease of each lapping ply at each run; plies without a piece are left out."""
    locking = {p.name: p.fabric.locking_angle for p in job.plies}
    return {
        run: tuple(
            _ease(closing, lap, pieces[lap.ply], run, locking[lap.ply])
            for lap in closing.laps
            if lap.ply in pieces and len(lap.stations) > 1
        )
        for run, closing in closings.items()
    }


def _ease(closing: RunClosing, lap: LapClosing, piece: Piece, run: str, locking: float) -> LapEase:
    closed = closing.line.closed and len(lap.stations) == len(closing.line.places)
    root, free = lap.closed[:, 0], lap.closed[:, -1]
    local = local_ease(root, free, closed)
    edge = _Edge(piece, run)
    ends = _step_ends(closing, lap, closed)
    cloth = _Cloth(*edge.sheared(ends[:, 0]), *edge.sheared(ends[:, 1]), locking)
    worst = int(np.argmax(np.round(np.abs(local), 4)))  # the first of equals
    shear = cloth.shear[worst].max()
    stretches, longest = list[SnippedStretch](), list[float]()
    for part in _stretches(cloth.refuses(local, -1), local):
        found = _snipped(lap, part, local, cloth, ends, edge)
        if found is not None:
            stretches.append(found)
            longest.append(_longest(lap, part, cloth, closed))
    return LapEase(
        lap.ply,
        float(local[worst]),
        lap_ease(root, free, closed),
        float(ends[worst].mean()),
        float(shear) if np.isfinite(shear) else None,
        tuple(stretches),
        min(longest, default=None),
    )


def _step_ends(closing: RunClosing, lap: LapClosing, closed: bool) -> Floats:
    """(k, 2) places of both ends of each step between stations, mm."""
    places = closing.line.places[lap.stations]
    if closed:
        places = np.append(places, closing.line.length)
    return np.stack([places[:-1], places[1:]], axis=1)


class _Edge:
    """A lap's edge in its ply's flat cloth, by the place along the run."""

    def __init__(self, piece: Piece, run: str) -> None:
        parts: Sequence[EdgeStretch] = piece.moved[run]
        lap = piece.trimmed.get(run, parts)  # what is cut proud is trimmed before it closes
        self.net = piece.net
        self.place = np.concatenate([p.place for p in parts])
        self.cut = np.concatenate([p.flat for p in parts])
        self.free = np.concatenate([p.flat for p in lap])
        self.base = np.concatenate([p.flat_base for p in parts])
        way = np.concatenate([np.gradient(p.flat, axis=0) for p in parts])
        self.angle = np.arctan2(way[:, 1], way[:, 0])

    def _near(self, places: Floats) -> np.ndarray:
        return np.abs(self.place - np.asarray(places)[:, None]).argmin(axis=1)

    def sheared(self, places: Floats) -> tuple[Floats, Floats]:
        """Shear (k, SHARES) from the line to the free edge, magnitude, and the edge's angle to
        the warp, (k,)."""
        at = self._near(places)
        share = np.linspace(0.0, 1.0, SHARES)[None, :, None]
        flat = (1.0 - share) * self.base[at][:, None] + share * self.free[at][:, None]
        shear = np.abs(self.net.shear_at(flat.reshape(-1, 2))).reshape(-1, SHARES)
        return shear, self.angle[at]

    def marks(self, low: float, high: float, count: int) -> Floats:
        """(count, 2, 2) snips spread over a stretch, from the cut edge to ROOT off the line."""
        at = self._near(low + (np.arange(count) + 0.5) / count * (high - low))
        way = self.cut[at] - self.base[at]
        length = np.linalg.norm(way, axis=1, keepdims=True)
        return np.stack([self.cut[at], self.base[at] + np.minimum(ROOT / length, 1.0) * way], 1)


class _Cloth:
    """Shear and angles of the steps between stations, at both of their ends."""

    def __init__(
        self, shear: Floats, angle: Floats, shear_end: Floats, angle_end: Floats, locking: float
    ) -> None:
        self.shear = np.fmax(shear, shear_end)
        self.most = np.minimum(*(greatest_change(a, locking) for a in (angle, angle_end)))
        self.locking = locking

    def along(self, ease: Floats) -> Bools:
        """Steps whose yarns lie too nearly along the edge for shear to take the ease up."""
        return np.asarray(
            (np.abs((1.0 + ease) ** 2 - 1.0) > self.most) & (np.abs(ease) > YARN_EASE)
        )

    def refuses(self, ease: Floats, share: int) -> Bools:
        """Steps that don't take an ease up at one of the SHARES of the lap."""
        return self.along(ease) | (self.shear[:, share] > self.locking)


def _stretches(refused: Bools, ease: Floats) -> list[slice]:
    """Neighbouring steps that are refused and have eases of the same sign."""
    kind = np.where(refused, np.where(ease < 0.0, -1, 1), 0)
    changes = np.flatnonzero(np.diff(kind)) + 1
    bounds = pairwise([0, *changes.tolist(), len(kind)])
    return [slice(a, b) for a, b in bounds if kind[a] != 0]


def _snipped(
    lap: LapClosing, part: slice, local: Floats, cloth: _Cloth, ends: Floats, edge: _Edge
) -> SnippedStretch | None:
    low, high = float(ends[part][0, 0]), float(ends[part][-1, 1])
    length = np.diff(ends[part], axis=1)[:, 0]
    ease = float(np.average(local[part], weights=length))
    found = snips(
        ease,
        float(lap.laps[part].min()),
        high - low,
        shear=float(np.nanmax(cloth.shear[part][:, -1])),
        locking=cloth.locking,
        along=bool(cloth.along(local)[part].any()),
    )
    if found is None:
        return None
    return SnippedStretch(low, high, ease, found, readonly(edge.marks(low, high, found.count)))


def _longest(lap: LapClosing, part: slice, cloth: _Cloth, closed: bool) -> float:
    """Longest lap along a stretch whose cloth takes its ease up all the way, mm."""
    count = lap.closed.shape[1]
    for k in range(1, count):
        ease = local_ease(lap.closed[:, 0], lap.closed[:, k], closed)
        share = int(np.ceil(k / (count - 1) * (SHARES - 1)))
        if cloth.refuses(ease, share)[part].any():
            return float(lap.laps[part].min()) * (k - 1) / (count - 1)
    return float(lap.laps[part].min())


def ease_findings(eases: Mapping[str, Sequence[LapEase]]) -> tuple[Finding, ...]:
    """One risk for each ply and run whose lap has to be snipped."""
    out = []
    for run, plies in eases.items():
        for ease in plies:
            if not ease.stretches:
                continue
            worst = max(ease.stretches, key=lambda s: s.snips.count * s.snips.opening_mm)
            must = "stretch" if worst.ease > 0.0 else "gather"
            text = (
                f"the lap's free edge must {must} by {abs(worst.ease):.1%} between "
                f"{worst.from_mm:.0f} and {worst.to_mm:.0f} mm, and {worst.snips.reason}"
            )
            out.append(Finding("risk", (run, ease.ply), text, _remedy(ease)))
    return tuple(out)


def _remedy(ease: LapEase) -> str:
    count = sum(s.snips.count for s in ease.stretches)
    depth = max(s.snips.depth_mm for s in ease.stretches)
    often = "once" if count == 1 else f"{count} times in all"
    shorter = (
        f", or shorten the lap to {ease.longest:.0f} mm" if (ease.longest or 0.0) >= 1.0 else ""
    )
    return f"snip it {often}, {depth:.0f} mm deep, as marked{shorter}"
