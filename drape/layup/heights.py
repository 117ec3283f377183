"""How high cloth lies above the cavity: what is under it, with ramps where that ends.

Two formulas, by how the cloth is cut: a ply's lap goes up or down from where the stack jumps
on (``laying_heights``); cloth across the line has half of each ramp on either side of the
jump (``stack_heights``), so that butted edges make none, and no kink is left where ramps meet,
which a net on a curved mould couldn't follow. A ramp is as long as the stack is thick, or
FACETS facets, if that is more: the mesh can't show less.

Places are signed lengths from the line along the cavity, mm: negative on the own half's side;
along the mid-surfaces they are a few hundredths different, which moves no outline, only a
ramp. Thicknesses are those of cured plies that aren't sheared.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from drape.geometry.surface import Floats
from drape.job.allowance import not_below_zero, values_at
from drape.layup.bed import Bed, ramp_length
from drape.layup.order import LaidLayer, Span


def mid_height(layers: Sequence[LaidLayer], ply: LaidLayer) -> float:
    """Height of a ply's mid-surface above its half's cavity, mm: over the plies before it."""
    under = 0.0
    for each in layers:
        if each.half == ply.half and each.order < ply.order:
            under += each.thickness
    return under + 0.5 * ply.thickness


def laying_heights(
    bed: Bed, ply: LaidLayer, before: Sequence[LaidLayer], other: Sequence[LaidLayer]
) -> Floats:
    """Height of a ply's mid-surface above the cavity at each vertex of the closed mould, mm.

    An earlier ply that is set back on its own half counts as there up to the line.

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
    under = sum(each.thickness for each in before)
    heights = np.full(len(bed.past), under + 0.5 * ply.thickness)
    ramp = ramp_length(under + sum(each.thickness for each in other), bed.facet)
    laps = _allowance(bed, ply) > 0.0
    for each in before:
        end = np.maximum(_allowance(bed, each), 0.0)
        heights -= laps * each.thickness * smooth_step((bed.past - end) / ramp)
    for each in other:
        begin = np.maximum(-_allowance(bed, each), 0.0)
        heights += laps * each.thickness * smooth_step((bed.past - begin) / ramp)
    return heights


def _allowance(bed: Bed, ply: LaidLayer) -> Floats:
    """(n,) a ply's allowance at the place of the line nearest to each vertex."""
    out = np.zeros(len(bed.past))
    for k, run in enumerate(bed.runs):
        mine = bed.run == k
        out[mine] = values_at(ply.allowance(run, "parting"), bed.place[mine])
    return out


def stack_heights(
    bed: Bed, layers: Sequence[LaidLayer], thickness: float, *, closed: bool = True
) -> Floats:
    """Height of the mid-surface of cloth laid on ``layers``, at each vertex, mm.

    Parameters
    ----------
    thickness : mm, of the cloth itself
    closed : whether the halves are; before, the other half's laps aren't there yet: they come
        to lie on the cloth, and it on that half's layers past the line only

    Returns
    -------
    (n,)
    """
    heights = np.full(len(bed.past), 0.5 * thickness)
    stretches = [(each.thickness, *ends) for each in layers for ends in _ends(bed, each, closed)]
    ramp = ramp_length(sum(t for t, _, _ in stretches), bed.facet)
    for own, first, last in stretches:
        there = _passed(bed, first, ramp) - _passed(bed, last, ramp)
        heights += own * np.maximum(there, 0.0)  # at a run without it: 0 − 1
    return heights


def _ends(bed: Bed, layer: LaidLayer, closed: bool) -> Iterator[tuple[Floats, Floats]]:
    """(n,) where each of a layer's stretches begins and ends, at the place of the line nearest
    to each vertex; one that isn't there at a run has ended before it began."""
    spans = [list[Span](layer.spans(run, bed.half)) for run in bed.runs]
    for k in range(max(map(len, spans), default=0)):
        first, last = np.full(len(bed.past), np.inf), np.full(len(bed.past), -np.inf)
        for number, here in enumerate(spans):
            if k < len(here):
                begin, end = here[k]
                if not closed and layer.own != bed.half:
                    begin = not_below_zero(begin)
                mine = bed.run == number
                first[mine] = values_at(begin, bed.place[mine])
                last[mine] = values_at(end, bed.place[mine])
        yield first, last


def _passed(bed: Bed, edge: Floats, ramp: float) -> Floats:
    """(n,) how far an edge (n,) has been passed: from 0 to 1 over a ramp centred on it."""
    out = np.where(edge < 0.0, 1.0, 0.0)  # of edges that are out of sight
    at = np.isfinite(edge)
    out[at] = smooth_step((bed.past[at] - edge[at]) / ramp + 0.5)
    return out


def smooth_step(share: Floats) -> Floats:
    """From 0 at 0 to 1 at 1, level at both ends."""
    t = np.clip(share, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
