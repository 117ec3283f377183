"""Closing of a job's halves, run by run: how far each lap must be tucked in, and its lines.

At each station of a run the other half's wall is cut out of its cavity, and each lapping ply
is stood up against it, over the other half's plies and the laps that were laid before it.
Thicknesses are those of unsheared plies. Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drape.errors import Finding, InputError
from drape.geometry.polyline import arc_positions
from drape.geometry.surface import Floats, Ints, readonly
from drape.job.allowance import values_at
from drape.job.bench_settings import Bench
from drape.job.job import Job
from drape.joint.at_run import AtRun, laps_at, plies_at
from drape.joint.stations import nearest_on
from drape.joint.tuck_plane import Cover, LapPly, Tuck, folded_out, standing, tuck_findings
from drape.joint.walls import Wall, wall_at
from drape.layup.order import Layup, lapping_half
from drape.mould.mould import Half, Mould
from drape.mould.run_line import RunLine, run_line

FAR = 1e6  # mm: a ply of the other half goes on to its bottom
NO_LIMIT = np.pi  # rad
# mm along the run: where a mouth cuts the wall off, one from farther inside stands for it
INSIDE = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0)
MARGIN = 5.0  # mm of wall past the longest lap: cloth on it takes some of its length


@dataclass(frozen=True, eq=False)
class LapClosing:
    """A ply's lap along a run; s stations, k places from root to tip.

    Attributes
    ----------
    ply : str
    laps : (s,), mm
    tucks : one at each station
    folded, tucked, closed : (s, k, 3), mm
        Its lines while it lies on the flange, tucked in, and in the closed, uncured stack.
    stations : (s,) int, numbers of the run's stations that it has a lap and a wall at
    """

    ply: str
    laps: Floats
    tucks: tuple[Tuck, ...]
    folded: Floats
    tucked: Floats
    closed: Floats
    stations: Ints


@dataclass(frozen=True, eq=False)
class RunClosing:
    """Closing at one run.

    Attributes
    ----------
    lap_half : str
    line : RunLine, its stations
    flange : (s,), mm, width of the lapping half's flange; NaN where there is none
    hollow : (s,), mm, width of the hollow at the parting line; NaN: no wall
    laps : tuple of LapClosing, plies that lap somewhere along the run
    findings : tuple of Finding
    """

    lap_half: str
    line: RunLine
    flange: Floats
    hollow: Floats
    laps: tuple[LapClosing, ...]
    findings: tuple[Finding, ...]


def closings_of(job: Job, layup: Layup, mould: Mould) -> dict[str, RunClosing]:
    """Closing at each run that two halves share and one laps at; empty without a joint."""
    out = {}
    for run in mould.runs:
        lap_half = lapping_half(job, mould, run)
        halves = [h for h in mould.halves.values() if any(e.name == run for e in h.region.edges)]
        if lap_half is None or len(halves) < 2:
            continue
        own, other = sorted(halves, key=lambda h: h.name != lap_half)
        up = mould.closing if own.name == next(iter(mould.halves)) else -mould.closing
        out[run] = _closing(job, layup, run, own, other, up)
    return out


def _closing(job: Job, layup: Layup, run: str, own: Half, other: Half, up: Floats) -> RunClosing:
    whole = run_line(own.region, own.region.edge(run))
    line = whole.spread()
    here, there = laps_at(layup, run, own.name), plies_at(layup, run, other.name)
    longest = max((float(values_at(p.allowance, line.places).max()) for p in here), default=0.0)
    walls = _cut_all(_walls(whole, other, run, up), whole, line, longest + MARGIN)
    flanges = _cut_all(_flanges(whole, own, up), whole, line, 0.0)
    stacks = _Stacks(run, line.places, here, there)
    found = [_lap(stacks, i, walls, flanges, job.bench) for i in range(len(here))]
    laps = tuple(lap for lap, _ in found if len(lap.laps))
    closing = RunClosing(
        own.name,
        line,
        readonly(np.array([np.nan if f is None else arc_positions(f.line)[-1] for f in flanges])),
        readonly(np.array([np.nan if w is None else w.line[-1, 0] for w in walls])),
        laps,
        (),
    )
    reported = [*_missing(run, walls), *(f for _, findings in found for f in findings)]
    reported += [f for lap in laps for f in _findings(closing, lap, run, job.bench)]
    return replace(closing, findings=tuple(reported))


Cut = Callable[[float], Wall | None]  # the wall at a place along the run


def _walls(whole: RunLine, other: Half, run: str, up: Floats) -> Cut:
    """The other half's wall, cut from its own edge: the halves of a scan may gape."""
    surface = other.region.surface
    there = run_line(other.region, other.region.edge(run)).points

    def cut(place: float) -> Wall | None:
        at, along = whole.at(place)
        segment, share = nearest_on(there, at[None])
        foot = there[segment[0]] + share[0] * (there[segment[0] + 1] - there[segment[0]])
        return wall_at(surface.vertices, surface.faces, foot, along, up)

    return cut


def _flanges(whole: RunLine, own: Half, up: Floats) -> Cut:
    """The lapping half's flange."""
    faces = own.surface.faces[own.flange]

    def cut(place: float) -> Wall | None:
        return wall_at(own.surface.vertices, faces, *whole.at(place), up)

    return cut if len(faces) else lambda _: None


def _cut_all(cut: Cut, whole: RunLine, line: RunLine, deep: float) -> list[Wall | None]:
    """A wall for each station, ``deep`` mm long if there is one."""
    out = []
    for place in line.places.tolist():
        wall = cut(place)
        if not _deep(wall, deep) and not line.closed:
            wall = _from_inside(cut, wall, whole, place, deep)
        out.append(wall)
    return out


def _deep(wall: Wall | None, deep: float) -> bool:
    return wall is not None and float(arc_positions(wall.line)[-1]) >= deep


def _from_inside(
    cut: Cut, wall: Wall | None, whole: RunLine, place: float, deep: float
) -> Wall | None:
    """A wall from farther inside the run, turned into the station's plane; else ``wall``."""
    inside = 1.0 if place < 0.5 * whole.length else -1.0
    for step in INSIDE:
        if step > 0.5 * whole.length:
            break
        found = cut(place + inside * step)
        if found is not None and _deep(found, deep):
            return _moved(found, *whole.at(place), whole.at(place + inside * step)[0])
    return wall


def _moved(wall: Wall, at: Floats, along: Floats, from_place: Floats) -> Wall:
    """A wall with its plane at another station."""
    inward = np.cross(wall.up, along)
    inward = inward / np.linalg.norm(inward) * (np.sign(inward @ wall.inward) or 1.0)
    return replace(wall, origin=readonly(wall.origin + at - from_place), inward=readonly(inward))


@dataclass(frozen=True)
class _Stacks:
    """The plies at a run: what each lap lies on at each station."""

    run: str
    places: Floats
    here: Sequence[AtRun]
    there: Sequence[AtRun]

    def lap(self, number: int, place: float) -> LapPly:
        """The ply of the lapping half with this number."""
        ply = self.here[number]
        before = [(p, p.end(place)) for p in self.here[:number]]
        layers = [Cover(max(-p.end(place), 0.0), FAR, p.thickness) for p in self.there]
        layers += [Cover(0.0, own, p.thickness) for p, own in before if own > 0.0]
        below = sum(p.thickness for p, own in before if own >= 0.0)
        return LapPly(ply.name, ply.end(place), ply.thickness, below, tuple(layers))

    def on_flange(self, number: int, place: float) -> float:
        """Cured thickness of the laps under it while they lie on the flange."""
        return sum(p.thickness for p in self.here[:number] if p.end(place) > 0.0)


def _lap(
    stacks: _Stacks,
    number: int,
    walls: Sequence[Wall | None],
    flanges: Sequence[Wall | None],
    bench: Bench,
) -> tuple[LapClosing, tuple[Finding, ...]]:
    """A ply's lap at all stations it has one at, and a finding where it can't be placed."""
    tucks, lines, laps, at = list[Tuck](), list[list[Floats]](), list[float](), list[int]()
    refused: list[tuple[float, InputError]] = []
    for i, (place, wall) in enumerate(zip(stacks.places.tolist(), walls, strict=True)):
        ply = stacks.lap(number, place)
        if wall is None or ply.lap <= 0.0:
            continue
        try:
            found = standing(
                wall.line, ply, station=place, bulk=bench.bulk, clearance=bench.tack_clearance
            )
        except InputError as error:
            refused.append((place, error))
            continue
        flat = folded_out(
            _outward(flanges[i], wall), ply, stacks.on_flange(number, place), bulk=bench.bulk
        )
        tucks.append(found.tuck)
        lines.append([wall.in_space(x) for x in (flat, found.tucked, found.closed)])
        laps.append(ply.lap)
        at.append(i)
    name = stacks.here[number].name
    array = np.array(lines).reshape(len(lines), 3, -1, 3) if lines else np.empty((0, 3, 0, 3))
    folded, tucked, closed = (readonly(array[:, k]) for k in range(3))
    stations = readonly(np.array(at, np.int64))
    lap = LapClosing(name, readonly(np.array(laps)), tuple(tucks), folded, tucked, closed, stations)
    return lap, _refused(stacks.run, name, refused)


def _outward(flange: Wall | None, wall: Wall) -> Floats:
    """The flange in the wall's plane coordinates; square to the closing direction if unknown."""
    if flange is None or len(flange.line) < 2:
        return np.array([[0.0, 0.0], [-1.0, 0.0]])
    sign = np.sign(flange.inward @ wall.inward) or 1.0
    return flange.line * [sign, 1.0]


def _refused(run: str, ply: str, found: list[tuple[float, InputError]]) -> tuple[Finding, ...]:
    if not found:
        return ()
    place, error = found[0]
    text = (
        f"{error.what}, at {place:.0f} mm along the run (got {error.value}, allowed: {error.limit})"
    )
    return (Finding("risk", (run, ply), text, error.remedy),)


def _missing(run: str, walls: Sequence[Wall | None]) -> list[Finding]:
    lost = sum(w is None for w in walls)
    if not lost:
        return []
    text = "no tuck could be worked out along part of the run: the other half has no wall "
    text += f"beside the parting line at {lost} of {len(walls)} stations"
    return [Finding("warning", (run,), text, "check the mesh there")]


def _findings(closing: RunClosing, lap: LapClosing, run: str, bench: Bench) -> list[Finding]:
    """At most one of each kind: the lap leans too far, meets the bag, passes the flange."""
    about = (run, lap.ply)
    out = [*tuck_findings(lap.tucks, about, lean_limit=bench.tuck_limit)]
    if bench.bag_width is not None:
        room = 0.5 * (closing.hollow[lap.stations] - bench.bag_width)
        worst = int(np.argmin(room - [t.tip_mm[0] for t in lap.tucks]))
        left = max(float(room[worst]), 0.0)
        out += tuck_findings([lap.tucks[worst]], about, lean_limit=NO_LIMIT, room=left)
    flange = closing.flange[lap.stations]
    if np.isfinite(flange).any():
        worst = int(np.nanargmax(lap.laps - flange))
        width, longest = float(flange[worst]), float(lap.laps[worst])
        at = lap.tucks[worst].station_mm
        out += tuck_findings([], about, flange=width, laps=[longest], flange_at=at)
    return out
