"""The joint strips of a job: what they lie on, and their pieces.

Each strip is draped on a band of the closed mould. Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drape.errors import Finding, InputError, raise_any
from drape.geometry.surface import Floats, Ints
from drape.job.allowance import Stations
from drape.job.job import Job, Ply, Strip
from drape.layup.beds import reach_needed
from drape.layup.directions import warp_direction
from drape.layup.heights import Layer, stack_heights
from drape.layup.laying import Bed, make_bed
from drape.layup.order import PlyAllowances, ply_allowance_defaults
from drape.layup.piece import Piece, PieceOptions
from drape.layup.start_places import chosen_spacing, place_of
from drape.mould.closed.band import Band, cut_band
from drape.mould.closed.closed_mould import ClosedMould
from drape.mould.mould import Mould
from drape.mould.region import Region, at_vertex
from drape.mould.run_line import edge_places

BOTH = " + "  # between the halves' names, of a strip laid after closing


@dataclass(frozen=True)
class RunStrip:
    """A joint strip along one run.

    Attributes
    ----------
    name : str
    strip : Strip
    run : str
    own, other : str
        The half whose side of the line counts negative, and the one past it.
    """

    name: str
    strip: Strip
    run: str
    own: str
    other: str

    @property
    def half(self) -> str:
        """The half it is laid in, or both."""
        return self.own if self.strip.laid == "before" else f"{self.own}{BOTH}{self.other}"

    @property
    def laid(self) -> str:
        """For the bench: what it lies over, and when it is laid."""
        return f"strip over {self.run}, laid {self.strip.laid} closing"


@dataclass(frozen=True, eq=False)
class PreparedStrip:
    """A strip with the band it is draped on, ready for ``make_piece``."""

    of: RunStrip
    ply: Ply
    band: Band
    options: PieceOptions
    findings: tuple[Finding, ...] = ()

    @property
    def region(self) -> Region:
        return self.band.region

    @property
    def lines(self) -> Mapping[str, Ints]:
        """Vertices of the run that is drawn on the pattern, by its name."""
        return {self.of.run: self.band.run}


def run_strips(job: Job, mould: Mould) -> tuple[RunStrip, ...]:
    """The job's strips, run by run, in order of lay-up."""
    out = []
    for strip in job.strips:
        runs = [r for r in mould.runs if strip.run in (None, r)]
        for run in runs:
            own = strip.half or joint_half(job, mould, run)
            other = next(name for name in mould.halves if name != own)
            name = strip.name if len(runs) == 1 else f"{strip.name}-{run}"
            out.append(RunStrip(name, strip, run, own, other))
    return tuple(out)


def joint_half(job: Job, mould: Mould, run: str) -> str:
    """The half whose side counts negative at a run: the lap half, else that of the first
    strip laid before closing or of a seam there, else the first."""
    lap_half = job.joint.lap_half_at(run) if job.joint else None
    laid = [s.half for s in job.strips if s.half is not None and s.run in (None, run)]
    laid += [w.half for w in job.wraps if w.half is not None and w.seam == run]
    return lap_half or next(iter([*laid, *mould.halves]))


def lapping_half(job: Job, mould: Mould, run: str) -> str | None:
    """The lap half at a run; with none, the half whose side counts negative where there is
    a strip or a wrapped ply; None where nothing joins the halves there."""
    lap_half = job.joint.lap_half_at(run) if job.joint else None
    joined = bool(job.wraps) or any(s.run in (None, run) for s in job.strips)
    return joint_half(job, mould, run) if lap_half is None and joined else lap_half


def prepare_strips(job: Job, closed: ClosedMould) -> tuple[PreparedStrip, ...]:
    """The bands, starts, warps and heights of all strips.

    Raises
    ------
    InputError
        A strip that is too wide, or along a run that comes back to itself.
    """
    mould = closed.mould
    strips = run_strips(job, mould)
    beds = {own: closed_bed(job, closed, own) for own in dict.fromkeys(s.own for s in strips)}
    out, errors = [], _wrong_halves(job, mould, strips)
    for number, each in enumerate(strips):
        where = job.where("joint", "strips", each.strip.index)
        try:
            out.append(_prepared(job, mould, strips, number, beds[each.own], where))
        except InputError as error:
            errors.append(error.at(where))
    raise_any(errors)
    return tuple(out)


def _wrong_halves(job: Job, mould: Mould, strips: tuple[RunStrip, ...]) -> list[InputError]:
    """Strips laid before closing on the half that others lap onto: both would stand up."""
    return [
        InputError(
            "a strip laid before closing belongs to the half that laps there",
            value=f"{each.own} at {each.run}",
            limit=joint_half(job, mould, each.run),
            remedy='lay it there, or laid = "after"',
            where=job.where("joint", "strips", each.strip.index),
        )
        for each in strips
        if each.strip.laid == "before" and each.own != joint_half(job, mould, each.run)
    ]


def closed_bed(job: Job, closed: ClosedMould, own: str) -> Bed:
    """The closed mould from one half, measured as far as its plies need it too."""
    return make_bed(closed, own, reach_needed(job, closed, own))


def _prepared(
    job: Job,
    mould: Mould,
    strips: tuple[RunStrip, ...],
    number: int,
    bed: Bed,
    where: str,
) -> PreparedStrip:
    each = strips[number]
    strip, own = each.strip, mould.halves[each.own].region
    layers = ply_layers(job, each.own, strip.laid, bed) + _earlier(strips, number)
    heights = stack_heights(bed, layers, strip.fabric.thickness)
    sides = (f"{each.own} side", f"{each.other} side")
    band = cut_band(bed.stitched, each.run, strip.width, heights, sides)
    places = edge_places(own, own.edge(each.run))
    middle = int(np.argmin(np.abs(places - 0.5 * places.max())))
    start = at_vertex(band.region, int(band.run[middle]))
    _, normal = place_of(band.region.surface, start)
    run_off = job.joint.run_off if job.joint else 0.0
    options = PieceOptions(
        start=start,
        warp=warp_direction(normal, _along(band, places, middle), strip.angle, where),
        allowances={e.name: 0.0 if e.kind == "border" else run_off for e in band.region.edges},
        height=band.heights,
        # as the plies: by its own small area a long narrow band would get too fine a net
        spacing=strip.spacing or chosen_spacing(own),
    )
    return PreparedStrip(each, _as_ply(job, strips, number), band, options)


def flat_line(piece: Piece, vertices: Ints) -> Floats:
    """(k, 2) a chain of the region's vertices in the piece's flat coordinates, mm."""
    places = [at_vertex(piece.region, int(v)) for v in vertices]
    at = [place_of(piece.mid, place) for place in places]
    points, normals = (np.array(part) for part in zip(*at, strict=True))
    flat = piece.net.to_flat(points, normals, np.array([p.face for p in places]))
    return flat[np.isfinite(flat).all(axis=1)]


def _along(band: Band, places: Floats, middle: int) -> Floats:
    """(3,) the run's direction at one of its vertices, from its start on."""
    a, b = max(middle - 1, 0), min(middle + 1, len(band.run) - 1)
    points = band.region.surface.vertices[band.run]
    return (points[b] - points[a]) * np.sign(places[b] - places[a])


def ply_layers(job: Job, half: str, laid: str, bed: Bed) -> list[Layer]:
    """The plies under cloth that goes across the line from ``half``. Before closing the other
    half's laps aren't there yet: they come to lie on a strip, and it on that half's plies
    past the line only."""
    out = []
    for ply, allowances in zip(job.plies, ply_allowance_defaults(job), strict=True):
        ends = {run: allowances.of(run, "parting") for run in bed.runs}
        if ply.half == half:
            out.append(Layer(ply.fabric.thickness, last=ends))
            continue
        first = {run: _turned(own) for run, own in ends.items()}
        if laid == "before":
            first = {run: _at_least_zero(place) for run, place in first.items()}
        out.append(Layer(ply.fabric.thickness, first=first))
    return out


def _turned(allowance: float | Stations) -> float | Stations:
    if isinstance(allowance, Stations):
        return replace(allowance, values=tuple(-v for v in allowance.values))
    return -allowance


def _at_least_zero(place: float | Stations) -> float | Stations:
    if isinstance(place, Stations):
        return replace(place, values=tuple(max(v, 0.0) for v in place.values))
    return max(place, 0.0)


def _earlier(strips: tuple[RunStrip, ...], number: int) -> list[Layer]:
    """The strips that are there already when a strip is laid."""
    each = strips[number]
    out = []
    for k, other in enumerate(strips):
        if other.run != each.run or k == number:
            continue
        late = other.strip.laid == "after"
        if each.strip.laid == "after":
            there = not late or k < number
        else:
            there = not late and (other.own != each.own or k < number)
        if not there:
            continue
        half = 0.5 * other.strip.width
        # the other half's strip comes with that half, when it is closed
        first = 0.0 if each.strip.laid == "before" and other.own != each.own else -half
        out.append(
            Layer(other.strip.fabric.thickness, first={each.run: first}, last={each.run: half})
        )
    return out


def _as_ply(job: Job, strips: tuple[RunStrip, ...], number: int) -> Ply:
    """The strip as a ply of its own: laid before closing after those of its half, else after
    all that is laid before, and before the wrapped plies."""
    each = strips[number]
    strip = each.strip
    before = [s for s in strips if s.strip.laid == "before"]
    if strip.laid == "before":
        same, more = [s for s in before if s.half == each.half], 0
        under = len(job.plies_of(each.own))
    else:
        same, more = [s for s in strips if s.strip.laid == "after"], len(job.wraps)
        under = len(job.plies) + len(before)
    return Ply(
        name=each.name,
        half=each.half,
        fabric=strip.fabric,
        index=len(job.plies) + number,
        order=under + 1 + same.index(each),
        of=under + len(same) + more,
        angle=strip.angle,
        angle_deg=strip.angle_deg,
        spacing=strip.spacing,
    )


def strip_allowances(strips: Sequence[RunStrip], run: str, half: str) -> list[PlyAllowances]:
    """Strips laid before closing as laps of ``half`` at a run, for what closing does to them."""
    return [
        PlyAllowances(s.name, half, 0, 0.0, 0.0, {run: 0.5 * s.strip.width})
        for s in strips
        if s.run == run and s.own == half and s.strip.laid == "before"
    ]
