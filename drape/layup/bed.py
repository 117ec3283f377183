"""What layers are laid on past the parting line: the closed mould as seen from each half.

Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from drape.errors import InputError
from drape.geometry.harmonic import face_gradients
from drape.geometry.surface import Bools, Floats, Ints, readonly
from drape.job.allowance import Stations
from drape.job.job import Job
from drape.job.layers import Ply
from drape.layup.order import LaidLayer
from drape.layup.start_places import chosen_spacing
from drape.mould.closed.closed_mould import ClosedMould
from drape.mould.closed.stitched import Stitched
from drape.mould.run_line import edge_places

MARGIN = 10.0  # mm of surface past the widest allowance, to hold the net's rim
FACETS = 4.0  # that a ramp is long, at least: on two, columns that are grown feel it
MEETING = 0.5  # slope of the distance: on a face with less, ways from two sides meet


@dataclass(frozen=True, eq=False)
class Bed:
    """The closed mould as seen from one half.

    Attributes
    ----------
    half : str, whose plies it is seen from
    stitched : Stitched
    past : (n,) mm past the parting line, negative on the own half, ±∞ out of reach
    meeting : (m,) bool, faces of the other half where ways from two sides meet: no lap
        goes further, or two would lie in one place
    runs : names
    run, place : (n,) number of the nearest run, and mm along it
    facet : mm, size of the facets beside the line
    """

    half: str
    stitched: Stitched
    past: Floats
    meeting: Bools
    runs: tuple[str, ...]
    run: Ints
    place: Floats
    facet: float

    @property
    def room(self) -> float:
        """How far the other half goes from the line, mm; ∞ if farther than was looked for."""
        of_other = self.past[self.stitched.own_count :]
        return float(of_other.max(initial=0.0))

    @property
    def own_room(self) -> float:
        """As ``room``, on the own half."""
        return float(-self.past[: self.stitched.own_count].min(initial=0.0))


@dataclass(frozen=True, eq=False)
class Laid:
    """A bed, and the height (n,) of a ply's mid-surface above it, mm."""

    bed: Bed
    heights: Floats


def make_bed(closed: ClosedMould, half: str, reach: float) -> Bed:
    """The closed mould from one half, measured up to ``reach`` mm from its line.

    Heights take it that beyond all ramps have ended: see ``reach_needed``.
    """
    own, stitched, past = closed.region(half), closed.stitched(half), closed.past(half, reach)
    at, number, place = [], [], []
    edges = [e for e in own.edges if e.kind == "parting"]
    for k, edge in enumerate(edges):
        at.append(edge.vertices)
        number.append(np.full(len(edge.vertices), k))
        place.append(edge_places(own, edge)[: len(edge.vertices)])
    vertices = stitched.surface.vertices
    nearest = cKDTree(vertices[np.concatenate(at)]).query(vertices)[1]
    return Bed(
        half,
        stitched,
        past,
        readonly(_meeting(stitched, past)),
        tuple(e.name for e in edges),
        readonly(np.concatenate(number)[nearest]),
        readonly(np.concatenate(place)[nearest]),
        facet_size(stitched),
    )


def facet_size(stitched: Stitched) -> float:
    """Size of the facets beside the parting line, mm."""
    ends = stitched.surface.vertices[stitched.line]
    return float(np.median(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1)))


def ramp_length(thickness: float, facet: float) -> float:
    """How long the ramps are that cloth of this thickness in all makes where it ends, mm."""
    return max(thickness, FACETS * facet)


def _meeting(stitched: Stitched, past: Floats) -> Bools:
    surface = stitched.surface
    known = stitched.other & np.isfinite(past[surface.faces]).all(axis=1)
    slope = face_gradients(surface.vertices, surface.faces, np.where(np.isfinite(past), past, 0.0))
    across = np.where(surface.neighbours < 0, len(known) - 1, surface.neighbours)
    both = known[:, None] & known[across] & (surface.neighbours >= 0)
    against = np.einsum("fi,fki->fk", slope, slope[across]) < 0.0
    return known & ((np.linalg.norm(slope, axis=1) < MEETING) | (both & against).any(axis=1))


def make_beds(job: Job, closed: ClosedMould, layers: Sequence[LaidLayer]) -> dict[str, Bed]:
    """By half the closed mould seen from it, for all that count from its side of the line;
    empty for one half alone.

    Raises
    ------
    InputError
        A lap goes past the middle of the other half's cavity, where laps from all sides
        meet, or a set-back past the middle of its own.
    """
    if not closed.joined:
        return {}
    beds = {}
    for name in closed.mould.halves:
        mine = [each for each in layers if each.own == name]
        if mine:
            beds[name] = make_bed(closed, name, reach_needed(layers, closed, name))
            for each in mine:
                _refuse_too_wide(job, each, beds[name])
    return beds


def reach_needed(layers: Sequence[LaidLayer], closed: ClosedMould, half: str) -> float:
    """How far from the parting line distances must be known, mm: to the end of every ramp of
    what is laid there, in either half, and of the surface that the half's nets need.

    Heights of all kinds of cloth are found within it, so that it is measured once.
    """
    runs = closed.mould.runs
    ends = [abs(x) for each in layers for run in runs for x in ends_at(each, run)]
    # as long as with all cloth in one stack; those centred on the jump end halfway
    stack = sum(
        each.thickness * max(len(each.spans(run, half)) for run in (*runs, each.run))
        for each in layers
    )
    ramps = max(ends, default=0.0) + ramp_length(stack, facet_size(closed.stitched(half)))
    own = [each for each in layers if each.half == half and isinstance(each.layer, Ply)]
    if not own:
        return ramps
    region = closed.region(half)
    spacing = max(p.spacing or chosen_spacing(region) for p in own)
    widest = max(abs(x) for p in own for run in runs for x in ends_at(p, run))
    return max(ramps, widest + 1.0 + max(MARGIN, 4.0 * spacing))


def ends_at(layer: LaidLayer, run: str) -> tuple[float, ...]:
    """Where a layer ends at a run, mm past the line, as it is cut; none where it goes on."""
    if isinstance(layer.layer, Ply):
        cut = layer.cut(run, "parting")
        return cut.values if isinstance(cut, Stations) else (cut,)
    ends = [x for span in layer.spans(run, layer.own) for x in span if not isinstance(x, Stations)]
    return tuple(x for x in ends if np.isfinite(x))


def _refuse_too_wide(job: Job, layer: LaidLayer, bed: Bed) -> None:
    """For plies; cloth across the line is refused where it is cut out."""
    lap = ("the lap passes the middle of the other half", "a shorter lap", bed.room)
    back = ("the set-back passes the middle of the ply", "a smaller set-back", bed.own_room)
    for run in bed.runs if isinstance(layer.layer, Ply) else ():
        ends = ends_at(layer, run)
        for value, (what, remedy, room) in ((max(ends), lap), (-min(ends), back)):
            if value > 0.0 and value >= room:
                raise InputError(
                    what,
                    value=f"{value:g} mm at {run}",
                    limit=f"less than {room:.1f} mm, where cloth from all runs would meet",
                    remedy=f"use {remedy} there",
                    where=job.where(*layer.place_in_job),
                )
