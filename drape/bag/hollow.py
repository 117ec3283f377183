"""The hollow of a job's closed mould: girths along it, the bag for it, its forces.

The laminate is taken to be as thick as the mean of both halves' stacks all the way round:
exact for a smooth section whose halves turn by half a circle each; laps and set-backs aren't
counted. Lengths in mm.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from drape.bag.bag import Envelope, Girth, TubeBag, bag_findings, envelope, inner_girth, tube_bag
from drape.bag.forces import BagForces, bag_forces, loop_area, projected_area
from drape.bag.hollow_sections import hollow_sections
from drape.bag.hollow_ways import Station, Ways, ways
from drape.errors import Finding, InputError, Level
from drape.geometry.surface import Floats, Ints
from drape.job.bag_settings import Bag, BagOptions
from drape.job.job import Job, Trim
from drape.layup.directions import hollow_fields
from drape.mould.closed.conform import conform
from drape.mould.closed.stitched import Stitched, stitch
from drape.mould.gaps import gap_limit
from drape.mould.inspection import TightZone, tight_zones
from drape.mould.mould import Mould

STEP = 10.0  # mm between sections, at most
FEWEST = 24  # sections along a hollow, at least
MOST_REPORTED = 3  # tight places


@dataclass(frozen=True)
class HollowSection:
    """A section of the hollow, mm: girth of the mould, and inside the laminate (None: full).

    ``branch`` names the mouth that it leads to where the hollow branches, else it is empty; the
    section of a ``fork`` is that of no tube.
    """

    along: float
    branch: str
    centre: tuple[float, float, float]
    mould_girth: float
    girth: float | None
    fork: bool = False


@dataclass(frozen=True, eq=False)
class Hollow:
    """What a job's hollow asks of its bag.

    Attributes
    ----------
    options : BagOptions
        What the bag was sized with.
    sections : tuple of HollowSection
        Within the trim lines, in order of place.
    lengths : dict
        mm between mouths, by their names (``A-B``).
    bag : TubeBag
    around : Envelope or None
    forces : BagForces or None
    """

    options: BagOptions
    sections: tuple[HollowSection, ...]
    lengths: Mapping[str, float]
    bag: TubeBag
    around: Envelope | None
    forces: BagForces | None


@dataclass(frozen=True, eq=False)
class _Closed:
    """The closed mould with its mouths' rims (first mouth first) and the ways through it."""

    whole: Stitched
    mouths: Mapping[str, Ints]
    ways: Ways


def hollow_of(
    job: Job, mould: Mould, findings_so_far: Sequence[Finding] = ()
) -> tuple[Hollow | None, tuple[Finding, ...]]:
    """The hollow of a mould with two halves, and the findings on its bag.

    Parameters
    ----------
    job : Job
    mould : Mould
        Before its trim lines are cut in: the bag goes on to the mouths.
    findings_so_far : a gap that is among them isn't reported again

    Returns
    -------
    Hollow or None, and findings: none of them if the job doesn't ask for a bag.
    """
    findings: tuple[Finding, ...]
    try:
        found, findings = _hollow(job, mould, findings_so_far)
    except InputError as error:
        value = f" ({error.value})" if error.value is not None else ""
        level: Level = "note" if len(mould.halves) < 2 else "warning"
        text = f"no bag was sized: {error.what}{value}"
        found, findings = None, (Finding(level, ("bag",), text, error.remedy),)
    return found, findings if job.bag is not None else ()


def _hollow(
    job: Job, mould: Mould, so_far: Sequence[Finding]
) -> tuple[Hollow, tuple[Finding, ...]]:
    wanted = job.bag or Bag()
    closed, gaps = _closed(mould, so_far)
    wrapped = sum(w.fabric.thickness for w in job.wraps)
    stacks = [
        sum(p.fabric.thickness for p in job.plies_of(name)) + wrapped for name in mould.halves
    ]
    stations = _within(closed, job.trims)
    sections = tuple(_section(s, float(np.mean(stacks)), closed) for s in stations)
    girths = [
        Girth(s.along, station.section.branch, s.girth, s.branch)
        for s, station in zip(sections, stations, strict=True)
        if s.girth is not None and not s.fork
    ]
    tails = min(2, len(closed.mouths))
    longest = closed.ways.longest
    bag = tube_bag(girths, longest, wanted.stock, wanted.options, tails=tails)
    findings = [*gaps, *_full(sections), *_forks(sections)]
    findings += bag_findings(bag, girths, wanted.stock, wanted.options)
    findings += _unsupported(closed, stations, bag, wanted.options)
    findings += _tight(closed, stations, stacks, wanted.options)
    around = forces = None
    if job.bag is not None and wanted.process == "envelope":
        around, findings = _around(mould, closed, wanted), findings + _sheets(mould)
    if wanted.pressure is not None:
        forces = _forces(mould, closed, wanted.pressure)
    lengths = {"-".join(filter(None, pair)): x for pair, x in closed.ways.lengths.items()}
    return Hollow(wanted.options, sections, lengths, bag, around, forces), tuple(findings)


def _closed(mould: Mould, so_far: Sequence[Finding]) -> tuple[_Closed, tuple[Finding, ...]]:
    """The halves stitched, and the sections along their hollow."""
    if len(mould.halves) < 2:
        raise InputError("one mould half alone has no hollow", remedy="give both halves")
    limit = gap_limit(half.surface for half in mould.halves.values())
    regions = {name: half.region for name, half in mould.halves.items()}
    made, gaps = conform(regions, limit=limit, findings=so_far)
    whole = stitch(*made.values())
    rims = {e.name: e.vertices for e in whole.region.edges if e.kind == "mouth" and e.closed}
    mouths = {m.name: rims[m.name] for m in mould.mouths if m.name in rims}
    field = hollow_fields({"whole": whole.region}, list(mouths))["whole"]
    if field is None:
        raise InputError("the mould has no mouth", remedy="a bag needs an open end")
    mesh = whole.surface.vertices, whole.surface.faces, field
    sections = hollow_sections(*mesh, STEP)
    places = len({s.place for s in sections})
    if places < FEWEST:
        sections = hollow_sections(*mesh, STEP * places / FEWEST)
    return _Closed(whole, mouths, ways(*mesh, sections, mouths)), gaps


def _within(closed: _Closed, trims: Sequence[Trim]) -> tuple[Station, ...]:
    """The stations without those between a mouth and its trim line."""
    stations = closed.ways.stations
    first = next(iter(closed.mouths))
    for trim in trims:
        if trim.mouth == first:
            inward = list(stations)
        else:
            inward = [s for s in reversed(stations) if trim.mouth in s.towards]
        dropped = {id(s) for s in itertools.takewhile(partial(_beyond, trim), inward)}
        stations = tuple(s for s in stations if id(s) not in dropped)
    return tuple(s for s in stations if s.section.closed)


def _beyond(trim: Trim, station: Station) -> bool:
    return float((station.section.centre - np.array(trim.point)) @ np.array(trim.normal)) > 0.0


def _section(station: Station, stack: float, closed: _Closed) -> HollowSection:
    section = station.section
    try:
        girth = inner_girth(section, stack)
    except InputError:  # reported together with the others
        girth = None
    first, *others = closed.mouths
    branch = ""
    if len(others) > 1:
        branch = first if set(station.towards) == set(others) else "+".join(station.towards)
    x, y, z = map(float, section.centre)
    return HollowSection(station.along, branch, (x, y, z), section.girth, girth, station.fork)


def _full(sections: Sequence[HollowSection]) -> list[Finding]:
    """A risk where the laminate leaves no room for a bag."""
    full = [s for s in sections if s.girth is None]
    if not full:
        return []
    text = f"the laminate fills the hollow from {full[0].along:.0f} to {full[-1].along:.0f} mm "
    text += f"along it (at {len(full)} of {len(sections)} sections): no bag fits there"
    return [Finding("risk", ("bag",), text, "end the bag before that, or use fewer plies there")]


def _forks(sections: Sequence[HollowSection]) -> list[Finding]:
    """A risk where the hollow branches: no tube fills that."""
    forks = [s for s in sections if s.fork]
    if not forks:
        return []
    widest = max(s.girth or 0.0 for s in forks)
    text = f"the hollow branches from {forks[0].along:.0f} mm on (girth up to {widest:.0f} mm): a "
    text += "plain tube doesn't fill a fork. The bag is sized for the arms"
    return [Finding("risk", ("bag",), text, "join tubes into a bag of the hollow's own shape")]


def _unsupported(
    closed: _Closed, stations: Sequence[Station], bag: TubeBag, options: BagOptions
) -> list[Finding]:
    """A risk where film is smaller than the mould past the trim lines, which no ply lines."""
    if options.kind != "film":
        return []
    kept = {id(s) for s in stations}
    past = [s for s in closed.ways.stations if id(s) not in kept and s.section.closed]
    girth = 2.0 * (bag.stock_mm or bag.lay_flat_mm)
    free = [s for s in past if s.section.girth > girth and not s.fork]
    if not free:
        return []
    worst = max(free, key=lambda s: s.section.girth)
    text = "nothing supports the film past the trim lines: the mould's girth is up to "
    text += (
        f"{worst.section.girth:.0f} mm there (at {worst.along:.0f} mm), the film's {girth:.0f} mm"
    )
    return [Finding("risk", ("bag",), text, "fill or plug the mould there, or take a wider tube")]


def _tight(
    closed: _Closed, stations: Sequence[Station], stacks: Sequence[float], options: BagOptions
) -> list[Finding]:
    """Risks where the hollow under the laminate is tighter than the bag follows."""
    surface = closed.whole.surface
    stack = np.where(closed.whole.other, stacks[1], stacks[0])
    out = []
    tree = cKDTree([s.section.centre for s in closed.ways.stations])
    kept = {id(s) for s in stations}
    for zone in tight_zones(surface, options.least_radius + stack):
        nearest = np.unique(tree.query(surface.vertices[surface.faces[zone.faces]])[1])
        along = [closed.ways.stations[k] for k in nearest]
        along = [s for s in along if id(s) in kept]
        if along:
            reach = along[0].along, along[-1].along
            out.append(_tight_words(zone, reach, float(stack[zone.faces].max())))
    least = options.least_radius
    findings = [
        Finding(
            "risk",
            ("bag",),
            f"the bag will bridge an inside corner {words} (it follows {least:g} mm or more)",
            "press the plies in there with a strip or filler",
        )
        for words in out[:MOST_REPORTED]
    ]
    if len(out) > MOST_REPORTED:
        text = f"the bag will bridge {len(out) - MOST_REPORTED} more inside corners, all smaller"
        findings.append(Finding("risk", ("bag",), text, findings[0].remedy))
    return findings


def _tight_words(zone: TightZone, along: tuple[float, float], stack: float) -> str:
    """Where an inside corner is, and how tight under the laminate."""
    x, y, z = zone.centre
    radius = max(zone.radius - stack, 0.0)
    return (
        f"of about {radius:.1f} mm under the laminate, from {along[0]:.0f} to {along[1]:.0f} mm "
        f"along the hollow, near ({x:.0f}, {y:.0f}, {z:.0f})"
    )


def _around(mould: Mould, closed: _Closed, wanted: Bag) -> Envelope:
    """Envelope and breather round the whole of both meshes, along the longest way's chord."""
    points = np.concatenate([half.surface.vertices for half in mould.halves.values()])
    a, b = max(closed.ways.lengths, key=lambda pair: closed.ways.lengths[pair])
    place = {m.name: m.centre for m in mould.mouths}
    end = place[b] if b else closed.ways.stations[-1].section.centre
    return envelope(points, end - place[a], wanted.options)


def _sheets(mould: Mould) -> list[Finding]:
    """A note where a mesh isn't a solid block: its outside isn't known."""
    sheets = [n for n, half in mould.halves.items() if (half.surface.neighbours < 0).any()]
    if not sheets:
        return []
    text = "envelope and breather are sized round cavity and flange only: the mesh of "
    text += f"{' and '.join(sheets)} is a sheet without an outside"
    return [Finding("note", ("bag",), text, "measure round the closed mould")]


def _forces(mould: Mould, closed: _Closed, pressure: float) -> BagForces:
    """What a pressurised bag does to the mould from mouth to mouth."""
    area = max(
        projected_area(half.region.surface.vertices, half.region.surface.faces, mould.closing)
        for half in mould.halves.values()
    )
    vertices: Floats = closed.whole.surface.vertices
    mouths = {name: loop_area(vertices[rim]) for name, rim in closed.mouths.items()}
    return bag_forces(pressure, area, mouths)
