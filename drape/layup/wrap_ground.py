"""The plies of a job that go round both halves: what they lie on, and their pieces.

Each is draped on the closed mould, slit along its seam and unrolled. Lengths in mm, angles
in radians.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from drape.errors import Finding, InputError, raise_any
from drape.geometry.surface import Floats, Ints, SurfacePoint
from drape.job.job import Job, Ply
from drape.job.wraps import Wrapped
from drape.layup.directions import hollow_fields, warp_direction, zero_direction
from drape.layup.ground import BOTH, closed_bed, joint_half, ply_layers, run_strips
from drape.layup.heights import Layer, stack_heights
from drape.layup.laying import Bed, ramp_length, smooth_step
from drape.layup.piece import PieceOptions
from drape.layup.start_places import chosen_spacing, nearest, place_of
from drape.mould.centre import centre
from drape.mould.closed.closed_mould import ClosedMould
from drape.mould.closed.tube import Wrap, cut_wrap, distance_past_slit
from drape.mould.mould import Mould
from drape.mould.region import Region


@dataclass(frozen=True)
class RunWrap:
    """A wrapped ply, with the half on whose side of the seam it begins, and the other."""

    wrapped: Wrapped
    own: str
    other: str

    @property
    def name(self) -> str:
        return self.wrapped.name

    @property
    def half(self) -> str:
        """Both halves, the one it begins on first."""
        return f"{self.own}{BOTH}{self.other}"

    @property
    def laid(self) -> str:
        """For the bench: where it begins and ends."""
        seam, overlap = self.wrapped.seam, self.wrapped.overlap
        return f"wrapped: begins at {seam} on {self.own}, ends {overlap:g} mm past it"


@dataclass(frozen=True, eq=False)
class PreparedWrap:
    """A wrapped ply with the region it is draped on, ready for ``make_piece``."""

    of: RunWrap
    ply: Ply
    wrap: Wrap
    options: PieceOptions
    findings: tuple[Finding, ...]

    @property
    def region(self) -> Region:
        return self.wrap.region

    @property
    def lines(self) -> Mapping[str, Ints]:
        """Vertices of the runs that are drawn on the pattern, by name."""
        return self.wrap.lines


def run_wraps(job: Job, mould: Mould) -> tuple[RunWrap, ...]:
    """The job's wrapped plies in order of lay-up."""
    out = []
    for wrapped in job.wraps:
        own = wrapped.half or joint_half(job, mould, wrapped.seam)
        out.append(RunWrap(wrapped, own, next(name for name in mould.halves if name != own)))
    return tuple(out)


def prepare_wraps(job: Job, closed: ClosedMould) -> tuple[PreparedWrap, ...]:
    """The regions, starts, warps and heights of all wrapped plies.

    Raises
    ------
    InputError
        A hollow that is no tube with two mouths, an overlap that goes past its half, a start
        that isn't on the cavity.
    """
    wraps = run_wraps(job, closed.mould)
    out, errors = [], list[InputError]()
    for number, each in enumerate(wraps):
        where = job.where("joint", "wraps", each.wrapped.index)
        try:
            out.append(_prepared(job, closed, wraps, number, where))
        except InputError as error:
            errors.append(error.at(where))
    raise_any(errors)
    return tuple(out)


def along_hollow(mould: Mould, region: Region) -> Floats | None:
    """(n,) the field whose gradient is the zero direction on a wrapped ply's region."""
    return hollow_fields({BOTH: region}, [m.name for m in mould.mouths])[BOTH]


def other_start(
    job: Job,
    prepared: PreparedWrap,
    field: Floats | None,
    point: Sequence[float],
    angle: float,
) -> tuple[SurfacePoint, Floats]:
    """The place nearest to another start (3,) mm of a wrapped ply, and the warp (3,) there.

    ``field`` of ``along_hollow``.

    Raises
    ------
    InputError
        The point isn't on the cavity.
    """
    each, name = prepared.of, prepared.of.name
    start, _ = nearest(prepared.region, point, name)
    turned = replace(each, wrapped=replace(each.wrapped, angle=angle))
    return start, _warp(job, turned, prepared.wrap, field, start, name)


def _prepared(
    job: Job, closed: ClosedMould, wraps: tuple[RunWrap, ...], number: int, where: str
) -> PreparedWrap:
    each, mould = wraps[number], closed.mould
    wrapped, own = each.wrapped, closed.region(each.own)
    bed = closed_bed(job, closed, each.own)
    thickness = wrapped.fabric.thickness
    heights = stack_heights(bed, _layers(job, mould, wraps, number, bed), thickness)
    step = _step(bed, wrapped, thickness)
    ends = (f"begin at {wrapped.seam}", f"end past {wrapped.seam}")
    wrap = cut_wrap(bed.stitched, wrapped.seam, wrapped.overlap, heights, step, ends)
    region = wrap.region
    start, findings = centre(region), tuple[Finding, ...]()
    if wrapped.start is not None:
        start, findings = nearest(region, wrapped.start, where)
    run_off = job.joint.run_off if job.joint else 0.0
    flush = ("border", "hole")
    options = PieceOptions(
        start=start,
        warp=_warp(job, each, wrap, along_hollow(mould, region), start, where),
        allowances={e.name: 0.0 if e.kind in flush else run_off for e in region.edges},
        height=wrap.heights,
        spacing=wrapped.spacing or chosen_spacing(own),
    )
    return PreparedWrap(each, _as_ply(job, mould, wraps, number), wrap, options, findings)


def _step(bed: Bed, wrapped: Wrapped, thickness: float) -> Floats:
    """(n,) what the ply's own beginning adds to the height of its end, mm: it goes up from
    the seam on, as laps do."""
    ramp = ramp_length(thickness, bed.facet)
    past = distance_past_slit(bed.stitched, wrapped.seam, wrapped.overlap + ramp)
    own = np.arange(len(past)) < bed.stitched.own_count
    return np.where(own, thickness * smooth_step(past / ramp), 0.0)


def _layers(
    job: Job, mould: Mould, wraps: tuple[RunWrap, ...], number: int, bed: Bed
) -> list[Layer]:
    """All that lies there already: plies, strips, and the wrapped plies before it."""
    own = wraps[number].own
    out = ply_layers(job, own, "after", bed)
    for strip in run_strips(job, mould):
        half = 0.5 * strip.strip.width
        ends = {"first": {strip.run: -half}, "last": {strip.run: half}}
        out.append(Layer(strip.strip.fabric.thickness, **ends))
    for each in wraps[:number]:
        thickness, seam = each.wrapped.fabric.thickness, each.wrapped.seam
        first, last = sorted(
            (0.0, -each.wrapped.overlap if each.own == own else each.wrapped.overlap)
        )
        out += [Layer(thickness), Layer(thickness, first={seam: first}, last={seam: last})]
    return out


def _warp(
    job: Job, each: RunWrap, wrap: Wrap, field: Floats | None, start: SurfacePoint, where: str
) -> Floats:
    """(3,) the warp at the start: by the zero direction of the half that it lies on."""
    region = wrap.region
    _, normal = place_of(region.surface, start)
    on = each.other if wrap.on_other[start.face] else each.own
    given = next(h.zero for h in job.halves if h.name == on)
    zero = zero_direction(region, field, start) if given is None else np.array(given)
    return warp_direction(normal, zero, each.wrapped.angle, where)


def _as_ply(job: Job, mould: Mould, wraps: tuple[RunWrap, ...], number: int) -> Ply:
    """It as a ply of its own, after all plies and strips."""
    each, under = wraps[number], len(job.plies) + len(run_strips(job, mould))
    wrapped = each.wrapped
    return Ply(
        name=each.name,
        half=each.half,
        fabric=wrapped.fabric,
        index=under + number,
        order=under + number + 1,
        of=under + len(wraps),
        angle=wrapped.angle,
        angle_deg=wrapped.angle_deg,
        start=wrapped.start,
        spacing=wrapped.spacing,
    )
