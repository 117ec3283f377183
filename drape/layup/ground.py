"""What a layer is draped on: its half's cavity, a band along a run, or the unrolled tube.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from drape.errors import InputError
from drape.geometry.surface import Bools, Floats, Ints, SurfacePoint
from drape.job.job import Job
from drape.job.layers import Ply, Strip, Wrapped
from drape.layup.bed import Bed, Laid, ends_at, ramp_length
from drape.layup.directions import hollow_fields
from drape.layup.heights import laying_heights, mid_height, smooth_step, stack_heights
from drape.layup.order import LaidLayer, Layup, is_early, joint_half, under
from drape.layup.start_places import chosen_spacing
from drape.mould.closed.band import Band, cut_band
from drape.mould.closed.closed_mould import ClosedMould
from drape.mould.closed.tube import cut_wrap, distance_past_slit
from drape.mould.region import Region, at_vertex
from drape.mould.run_line import edge_places


@dataclass(frozen=True, eq=False)
class Ground:
    """What a layer is draped on.

    Attributes
    ----------
    region : Region
    heights : mm from the region to the layer's mid-surface, one or (n,)
    spacing : mm, of the net where the layer gives none
    zero_field : (n,) whose gradient is the zero direction, or None
    on_other : (m,) bool, faces of the half past the line; None: none are
    start : where it starts whatever the job gives, or None
    along : (3,) direction its angle counts from whatever the half's zero is, or None
    lines : vertices of the runs that are drawn on the pattern, by name
    """

    region: Region
    heights: float | Floats
    spacing: float
    zero_field: Floats | None = None
    on_other: Bools | None = None
    start: SurfacePoint | None = None
    along: Floats | None = None
    lines: Mapping[str, Ints] = field(default_factory=dict)

    def half_at(self, layer: LaidLayer, place: SurfacePoint) -> str:
        """The half that a place of a layer lies on."""
        other = self.on_other is not None and bool(self.on_other[place.face])
        return layer.other if other else layer.own


def ground_of(
    layer: LaidLayer,
    layup: Layup,
    job: Job,
    closed: ClosedMould,
    beds: Mapping[str, Bed],
    fields: Mapping[str, Floats | None],
) -> Ground:
    """What a layer is draped on.

    Parameters
    ----------
    beds : of ``make_beds``
    fields : by half, of ``hollow_fields``

    Raises
    ------
    InputError
        A strip that is too wide, laid in the wrong half, or along a run that comes back to
        itself; a wrapped ply round a hollow that is no tube with two mouths, or whose overlap
        goes past its half.
    """
    if isinstance(layer.layer, Ply):
        region, height = closed.region(layer.own), mid_height(layup, layer)
        return Ground(region, height, chosen_spacing(region), fields[layer.own])
    try:
        if isinstance(layer.layer, Strip):
            return _band(layer, layer.layer, layup, job, closed, beds[layer.own])
        return _tube(layer, layer.layer, layup, closed, beds[layer.own])
    except InputError as error:
        raise error.at(job.where(*layer.place_in_job)) from error


def past_the_line(layer: LaidLayer, layup: Layup, beds: Mapping[str, Bed]) -> Laid | None:
    """The closed mould under a ply that passes a run; None for one half alone, and for cloth
    across the line, whose ground goes past it."""
    bed = beds.get(layer.own)
    if bed is None or not layer.is_ply or all(max(ends_at(layer, run)) <= 0.0 for run in bed.runs):
        return None
    plies = [each for each in layup if isinstance(each.layer, Ply)]
    before = [p for p in plies if p.own == layer.own and p.order < layer.order]
    other = [p for p in plies if p.own != layer.own]
    return Laid(bed, laying_heights(bed, layer, before, other))


def _band(
    layer: LaidLayer, strip: Strip, layup: Layup, job: Job, closed: ClosedMould, bed: Bed
) -> Ground:
    """A band of the closed mould along the strip's run; the net starts in the run's middle."""
    if is_early(layer) and layer.own != joint_half(job, closed.mould, layer.run):
        raise InputError(  # both would stand up
            "a strip laid before closing must lie in the half that laps there",
            value=f"{layer.own} at {layer.run}",
            limit=joint_half(job, closed.mould, layer.run),
            remedy='lay it there, or laid = "after"',
        )
    own = closed.region(layer.own)
    late = not is_early(layer)
    heights = stack_heights(bed, under(layup, layer), layer.thickness, closed=late)
    sides = (f"{layer.own} side", f"{layer.other} side")
    band = cut_band(bed.stitched, layer.run, strip.width, heights, sides)
    places = edge_places(own, own.edge(layer.run))
    middle = int(np.argmin(np.abs(places - 0.5 * places.max())))
    return Ground(
        band.region,
        band.heights,
        chosen_spacing(own),  # by its own small area a long narrow band would get too fine a net
        start=at_vertex(band.region, int(band.run[middle])),
        along=_along(band, places, middle),
        lines={layer.run: band.run},
    )


def _along(band: Band, places: Floats, middle: int) -> Floats:
    """(3,) the run's direction at one of its vertices, from its start on."""
    a, b = max(middle - 1, 0), min(middle + 1, len(band.run) - 1)
    points = band.region.surface.vertices[band.run]
    return (points[b] - points[a]) * np.sign(places[b] - places[a])


def _tube(
    layer: LaidLayer, wrapped: Wrapped, layup: Layup, closed: ClosedMould, bed: Bed
) -> Ground:
    """The closed mould, slit along the seam and unrolled."""
    heights = stack_heights(bed, under(layup, layer), layer.thickness)
    ramp = ramp_length(layer.thickness, bed.facet)
    past = distance_past_slit(bed.stitched, wrapped.seam, wrapped.overlap + ramp)
    own = np.arange(len(past)) < bed.stitched.own_count
    # its end goes up on its own beginning from the seam on, as laps do
    step = np.where(own, layer.thickness * smooth_step(past / ramp), 0.0)
    ends = f"first edge, flush with {wrapped.seam}", f"last edge, overlapping {wrapped.seam}"
    tube = cut_wrap(bed.stitched, wrapped.seam, wrapped.overlap, heights, step, ends)
    mouths = [m.name for m in closed.mould.mouths]
    return Ground(
        tube.region,
        tube.heights,
        chosen_spacing(closed.region(layer.own)),
        zero_field=hollow_fields({"tube": tube.region}, mouths)["tube"],
        on_other=tube.on_other,
        lines=tube.lines,
    )
