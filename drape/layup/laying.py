"""The surface that a ply is laid on, past the parting line too.

On its own half a ply's mid-surface lies above the plies before it. Past the line a lap lies
on the other half: on that half's plies from their set-backs on, and on earlier laps up to
their ends. Where that jumps, the height goes up or down over one stack thickness (or FACETS
facets, if that is more: the mesh can't show less), starting at the jump. An earlier ply that
is set back on its own half counts as there up to the line.

Places past the line are lengths along the cavity here; along the mid-surfaces they are a
few hundredths different, which moves no outline, only a ramp.
Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from drape.geometry.harmonic import face_gradients
from drape.geometry.surface import Bools, Floats, Ints, readonly
from drape.job.allowance import Allowance, values_at
from drape.mould.closed.closed_mould import ClosedMould
from drape.mould.closed.stitched import Stitched
from drape.mould.run_line import edge_places

FACETS = 4.0  # that a ramp is long, at least: on two, columns that are grown feel it
MEETING = 0.5  # slope of the distance: on a face with less, ways from two sides meet


@dataclass(frozen=True)
class Cloth:
    """A ply that others may lie on: cured thickness, mm, and its allowance at each run."""

    thickness: float
    allowances: Mapping[str, Allowance]


@dataclass(frozen=True, eq=False)
class Bed:
    """The closed mould as one half's plies find it.

    Attributes
    ----------
    stitched : Stitched
    past : (n,) mm past the parting line, negative on the own half, ±∞ out of reach
    meeting : (m,) bool, faces of the other half where ways from two sides meet: no lap
        goes further, or two would lie in one place
    runs : names
    run, place : (n,) number of the nearest run, and mm along it
    facet : mm, size of the facets beside the line
    """

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


def make_bed(closed: ClosedMould, half: str, reach: float) -> Bed:
    """The closed mould from one half, measured up to ``reach`` mm from its line.

    Heights take it that beyond all ramps have ended: see ``beds.reach_needed``.
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


def laying_heights(bed: Bed, ply: Cloth, before: Sequence[Cloth], other: Sequence[Cloth]) -> Floats:
    """Height of a ply's mid-surface above the cavity at each vertex of the closed mould, mm.

    Parameters
    ----------
    bed : Bed
    ply : the ply itself; past a run that it doesn't pass the height stays as it is
    before : the plies laid before it in its own half
    other : those of the other half, all of them: laps come to lie on top when it is closed

    Returns
    -------
    (n,)
    """
    under = sum(cloth.thickness for cloth in before)
    heights = np.full(len(bed.past), under + 0.5 * ply.thickness)
    ramp = ramp_length(under + sum(c.thickness for c in other), bed.facet)
    laps = _allowance(bed, ply) > 0.0
    for cloth in before:
        end = np.maximum(_allowance(bed, cloth), 0.0)
        heights -= laps * cloth.thickness * smooth_step((bed.past - end) / ramp)
    for cloth in other:
        begin = np.maximum(-_allowance(bed, cloth), 0.0)
        heights += laps * cloth.thickness * smooth_step((bed.past - begin) / ramp)
    return heights


def _allowance(bed: Bed, cloth: Cloth) -> Floats:
    """(n,) a ply's allowance at the place of the line nearest to each vertex."""
    out = np.zeros(len(bed.past))
    for k, name in enumerate(bed.runs):
        mine = bed.run == k
        out[mine] = values_at(cloth.allowances.get(name, 0.0), bed.place[mine])
    return out


def smooth_step(share: Floats) -> Floats:
    """From 0 at 0 to 1 at 1, level at both ends."""
    t = np.clip(share, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
