"""Starts and angles tried for the yarns, and how well each serves the goal. mm, radians."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

import numpy as np

from drape.errors import AccuracyError, InputError
from drape.geometry.surface import Floats, SurfacePoint
from drape.job.joint_settings import Goal
from drape.joint.yarn_match import angles_along, differences, mean_turn, period, wrapped
from drape.layup.directions import warp_direction
from drape.layup.edges import EdgeStretch
from drape.layup.piece import Piece
from drape.layup.start_places import place_of
from drape.layup.trial import try_start
from drape.mould.run_line import RunLine
from drape.net.net import Net

Moved = Mapping[str, tuple[EdgeStretch, ...]]


class Each(Protocol):
    """``map``, or a thread pool's: results in the order of what they were made from."""

    def __call__(self, what: Callable[[Any], Any], of: Sequence[Any], /) -> Iterable[Any]: ...


@dataclass(frozen=True, eq=False)
class FixedPly:
    """The ply that stays, at a run: ``angles`` (s,) from the line's tangents; NaN: not there."""

    run: str
    line: RunLine
    angles: Floats


@dataclass(frozen=True, eq=False)
class Start:
    """A place to start from, the zero direction (3,) there, and the point (3,) mm as reported;
    ``given``: the job's own."""

    place: SurfacePoint
    zero: Floats
    at: Floats
    given: bool = False


@dataclass(frozen=True, eq=False)
class Tried:
    """A start and angle that were draped.

    Attributes
    ----------
    start : Start
    angle : float, from the zero direction, about the inward normal
    mean, greatest : float, magnitude of the difference; infinite where there is no net
    turn : float, added to the angle, leaves the least mean as far as yarns turn alike
    shear : float, greatest inside the ply's own edges; infinite without an outline
    missed : float, share of the runs' length that the net doesn't reach
    """

    start: Start
    angle: float
    mean: float = np.inf
    greatest: float = np.inf
    turn: float = 0.0
    shear: float = np.inf
    missed: float = 1.0


@dataclass(frozen=True, eq=False)
class Found:
    """What a search found; ``best`` is None where nothing is better than ``given``.

    ``locking``: whether all that was left to choose from is sheared past the locking angle.
    """

    given: Tried
    best: Tried | None
    starts: int
    nets: int
    locking: bool = False


@dataclass(frozen=True, eq=False)
class Search:
    """What is searched, and how.

    Attributes
    ----------
    piece : of the ply that is searched
    fixed : the other ply, at the runs that both meet at
    goal, alike : see ``yarn_match``
    locking : float, the shear past which cloth counts as locked
    zero : the zero direction (3,) at a place
    made : the piece from a point (3,) mm, None the job's own, at an angle, as the job would
        make it: its laps lie elsewhere than the piece's if it starts elsewhere
    each : ``map``, or a thread pool's
    """

    piece: Piece
    fixed: tuple[FixedPly, ...]
    goal: Goal
    alike: bool
    locking: float
    zero: Callable[[SurfacePoint], Floats]
    made: Callable[[Floats | None, float], Piece]
    each: Each = field(default=map)

    def start(self, place: SurfacePoint, given: bool = False) -> Start:
        """A place with all that it takes to start from it."""
        at, _ = place_of(self.piece.region.surface, place)
        return Start(place, self.zero(place), at, given)

    def drape(self, start: Start, angle: float, spacing: float) -> Tried:
        """A start and angle, draped and measured."""
        _, normal = place_of(self.piece.region.surface, start.place)
        try:
            warp = warp_direction(normal, start.zero, angle, "")
            trial = try_start(self.piece, start.place, warp, spacing)
        except (AccuracyError, InputError):
            return Tried(start, angle)
        shear = np.inf if trial.assessment is None else trial.assessment.max_shear
        return self._measured(Tried(start, angle, shear=shear), trial.net, trial.moved, spacing)

    def as_given(self, angle: float) -> Tried:
        """The piece itself, measured."""
        return self._of_piece(self.start(self.piece.options.start, given=True), angle, self.piece)

    def make(self, start: Start, angle: float) -> Tried:
        """A start and angle, made as the job would; one that may not be cut counts as none."""
        try:
            piece = self.made(None if start.given else start.at, angle)
        except (AccuracyError, InputError):
            return Tried(start, angle)
        return self._of_piece(start, angle, piece) if piece.valid else Tried(start, angle)

    def _of_piece(self, start: Start, angle: float, piece: Piece) -> Tried:
        tried = Tried(start, angle, shear=piece.assessment.max_shear)
        return self._measured(tried, piece.net, piece.moved, piece.options.spacing)

    def _measured(self, tried: Tried, net: Net, moved: Moved, spacing: float) -> Tried:
        gap, weight = self._gaps(net, moved, spacing)
        there = np.isfinite(gap)
        if not there.any():
            return tried
        size, share = np.abs(gap[there]), weight[there] / weight.sum()
        return replace(
            tried,
            mean=float(share @ size / share.sum()),
            greatest=float(size.max()),
            turn=-best_turn(gap[there], share, self.alike),
            missed=0.0 if there.all() else 1.0 - float(share.sum()),
        )

    def _gaps(self, net: Net, moved: Moved, spacing: float) -> tuple[Floats, Floats]:
        """Differences at all stations where the other ply is, and the length each stands for."""
        gaps, weights = [], []
        for other in self.fixed:
            own = angles_along(net, moved[other.run], other.line, spacing)
            here = np.isfinite(other.angles)
            gaps.append(differences(own, other.angles, self.goal, self.alike)[here])
            weights.append(station_lengths(other.line)[here])
        return np.concatenate(gaps), np.concatenate(weights)


def station_lengths(line: RunLine) -> Floats:
    """(s,) length of the run that each station stands for, mm."""
    if line.closed:
        return np.full(len(line.places), line.length / len(line.places))
    steps = np.diff(line.places)
    return 0.5 * (np.append(steps, 0.0) + np.append(0.0, steps))


def best_turn(gap: Floats, weight: Floats, alike: bool) -> float:
    """What has to be taken from all gaps (k,) to leave the least mean magnitude by weight (k,):
    their median, about their mean on the circle."""
    about = mean_turn(gap, alike)
    rest = wrapped(gap - about, period(alike))
    order = np.argsort(rest, kind="stable")
    passed = np.cumsum(weight[order])
    return about + float(rest[order][np.searchsorted(passed, 0.5 * passed[-1])])
