"""Start and angle of a ply whose yarns serve a goal across the parting line best.

Turning a net at its start isn't turning its yarns at the line: on a doubly curved surface every
start and angle has to be draped. Only the lapping half's ply is searched, the other one stays as
it is. A match is a difference, so moving both would only move where it is measured; one ply that
stays keeps the fibres of its half where the laminate needs them.

Coarse nets from places spread over the region, at angles all round; on the best few the angle is
refined by golden sections, then the start is moved about it; the best of these are made as the
job would, at the ply's own spacing and with all checks, and only figures measured there are
reported. Cloth sheared past its locking angle is left aside while there is any that isn't.

A difference counts as its magnitude, in the mean over the lengths of all runs that the pair
meets at. Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.optimize import minimize_scalar

from drape.advice.yarn_trials import Found, Search, Start, Tried
from drape.geometry.surface import SurfacePoint
from drape.joint.yarn_match import period, wrapped
from drape.layup.piece import Piece
from drape.layup.start_places import nearest
from drape.layup.starts import Starts
from drape.layup.trial import SPACING

STEP = np.radians(15.0)  # between the angles of coarse nets
YARNS_ACROSS = 20.0  # of a coarse net on a small region
FEW = 6  # starts whose angle is refined
MOVED = 5  # starts that are moved
ROUND = 6  # places round a start
MOVES = 6  # at most
NEAREST = 2.0  # mm: a start is moved no less
FINISHED = 3  # starts that pieces are made from, with all checks passed
MOST = 12  # starts that making them is tried from
PATIENCE = 12  # nets for refining an angle
SURE = np.radians(0.02)  # of a refined angle
SAME = np.radians(0.1)  # finer than any hand lays; start and angle are reported to a tenth
SAME_SHEAR = np.radians(1.0)
REPORTED = 0.1  # mm and degrees: start and angle are rounded to these, then measured


def search_start(
    search: Search, starts: Starts, angle: float, more: Sequence[SurfacePoint] = ()
) -> Found:
    """Look for a start and angle that serve the goal better than the piece's own.

    Parameters
    ----------
    search : Search
    starts : places spread over the region
    angle : of the piece, from the zero direction at its start
    more : further places worth trying

    Returns
    -------
    Found
        Its ``best`` is better by more than ``SAME``, measured at the piece's own spacing.
    """
    given = search.as_given(angle)
    if given.mean <= SAME:
        return Found(given, None, 0, 0)
    rank = _Ranking(search.locking, given.missed)
    spacing = coarse_spacing(search.piece)
    places = _apart([given.start, *(search.start(p) for p in (*more, *starts.places))])
    count = round(period(search.alike) / STEP)
    pairs = [(s, angle + k * STEP) for s in places for k in range(count)]
    tried = list(search.each(lambda pair: search.drape(pair[0], pair[1], spacing), pairs))
    few = rank.leading(tried, FEW)
    tried += _all(search.each(lambda t: _refined(search, rank, t, spacing), few))
    for lead in rank.leading(tried, MOVED, own=False):
        tried += _moved(search, rank, starts, lead, spacing)
    finished = _made(search, rank.leading(tried, MOST))
    nets = len(tried) + len(finished)
    best, locked = rank.better(given, finished)
    return Found(given, best, len(places), nets, locked)


def _apart(starts: Sequence[Start]) -> list[Start]:
    """Those whose reported coordinates differ from those of all before them."""
    out = list[Start]()
    for start in starts:
        if all(np.abs(start.at - other.at).max() > REPORTED for other in out):
            out.append(start)
    return out


def coarse_spacing(piece: Piece) -> float:
    """Of the nets that are searched among: coarse, but some yarns across a small region. mm"""
    side = float(np.sqrt(piece.assessment.surface_area))
    return max(piece.options.spacing, min(SPACING, side / YARNS_ACROSS))


def _all(several: Iterable[list[Tried]]) -> list[Tried]:
    return [t for some in several for t in some]


@dataclass(frozen=True)
class _Ranking:
    """Order of what was tried: first by how its cloth fares, then by its mean.

    ``missed``: of the piece as given; what reaches less of the runs isn't compared with it.
    """

    locking: float
    missed: float

    def level(self, t: Tried) -> int:
        """0 sheared within the locking angle, 1 past it, 2 less of the runs reached, or no
        outline."""
        if t.missed > self.missed + 1e-9 or not np.isfinite(t.shear):
            return 2
        return int(t.shear > self.locking)

    def key(self, t: Tried) -> tuple[int, float]:
        return self.level(t), t.mean

    def leading(self, tried: Sequence[Tried], count: int, own: bool = True) -> list[Tried]:
        """The best of each start, the best starts first; with ``own`` the given one as well."""
        best: dict[Start, Tried] = {}
        for t in tried:
            known = best.get(t.start)
            if known is None or self.key(t) < self.key(known):
                best[t.start] = t
        order = sorted((t for t in best.values() if self.level(t) < 2), key=self.key)
        return order[:count] + [t for t in order[count:] if own and t.start.given]

    def better(self, given: Tried, finished: Sequence[Tried]) -> tuple[Tried | None, bool]:
        """The best that is better than the given one, and whether nothing within the locking
        angle was left to choose from.

        Of equal ones the least sheared, then one at the given start.
        """
        level = min(self.level(t) for t in (given, *finished))
        good = [t for t in finished if self.level(t) == level < 2 and t.mean < given.mean - SAME]
        if not good:
            return None, level == 1
        least = min(t.mean for t in good)
        equal = [t for t in good if t.mean <= least + SAME]
        best = min(equal, key=lambda t: (round(t.shear / SAME_SHEAR), not t.start.given, t.mean))
        return best, level == 1


def _refined(search: Search, rank: _Ranking, t: Tried, spacing: float) -> list[Tried]:
    """Angles about one, by golden sections, with parabolas where these serve (Brent 1973)."""
    tried = []

    def cost(angle: float) -> float:
        tried.append(search.drape(t.start, float(angle), spacing))
        level, mean = rank.key(tried[-1])
        return level * period(search.alike) + min(mean, period(search.alike))

    bounds = (t.angle - STEP, t.angle + STEP)
    minimize_scalar(
        cost, bounds=bounds, method="bounded", options={"xatol": SURE, "maxiter": PATIENCE}
    )
    return tried


def _draped(search: Search, angle: float, spacing: float, start: Start) -> list[Tried]:
    return _turned(search, search.drape(start, angle, spacing), spacing)


def _turned(search: Search, t: Tried, spacing: float) -> list[Tried]:
    """``t``, then twice turned by what its own differences ask for."""
    tried = [t]
    for _ in range(2):
        last = tried[-1]
        if not np.isfinite(last.mean) or abs(last.turn) < SURE:
            break
        tried.append(search.drape(t.start, last.angle + last.turn, spacing))
    return tried


def _moved(search: Search, rank: _Ranking, starts: Starts, t: Tried, spacing: float) -> list[Tried]:
    """Starts about one: to the best of those round it, or half as far."""
    tried, here, far = list[Tried](), t, 0.5 * starts.apart
    for _ in range(MOVES):
        if far < NEAREST:
            break
        about = [search.start(p) for p in starts.beside(here.start.place, far, ROUND)]
        draped = partial(_draped, search, here.angle, spacing)
        found = _all(search.each(draped, about))
        tried += found
        best = min([here, *found], key=rank.key)
        if best is here:
            far *= 0.5
        here = best
    return tried


def _made(search: Search, leading: Sequence[Tried]) -> list[Tried]:
    """Pieces from the given start and the first others, until ``FINISHED`` may be cut.

    By so many at a time, however many threads there are: results don't depend on them.
    """
    leading = sorted(leading, key=lambda t: not t.start.given)
    made, good = list[Tried](), 0
    for k in range(0, len(leading), FINISHED):
        for found in search.each(partial(_finished, search), leading[k : k + FINISHED]):
            made += found
            good += any(np.isfinite(t.mean) for t in found)
        if good >= FINISHED:
            break
    return made


def _finished(search: Search, t: Tried) -> list[Tried]:
    """The piece as the job would make it from there, start and angle rounded as reported;
    and turned by what its own differences ask for, where that is as much."""
    start = t.start if t.start.given else _rounded(search, t.start)
    first = search.make(start, _reported(t.angle))
    again = _reported(first.angle + first.turn)
    if not np.isfinite(first.mean) or again == first.angle:
        return [first]
    return [first, search.make(start, again)]


def _reported(angle: float) -> float:
    """An angle as it is reported: of equivalent ones the one in (−90°, 90°], to a tenth."""
    steps = np.round(np.degrees(wrapped(np.array(angle), np.pi)) / REPORTED)
    return float(np.radians(np.round(steps * REPORTED, 1)))


def _rounded(search: Search, start: Start) -> Start:
    """The start at coordinates with one decimal, as a job would give it."""
    at = np.round(start.at / REPORTED) * REPORTED
    place, _ = nearest(search.piece.region, tuple(at), "")
    return Start(place, search.zero(place), at)
