"""What a joint strip lies on across the parting line.

Places are signed lengths from the line along the cavity, mm: negative on the own half's
side. Where the stack jumps, the height goes up or down over one stack thickness (or
``laying.FACETS`` facets, if that is more), half of it on either side of the jump: in the
middle it is off by at most half the jump, butted edges make none, and no kink is left where
ramps meet, which a net on a curved mould couldn't follow.
Thicknesses are those of cured plies that aren't sheared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from drape.geometry.surface import Floats
from drape.job.allowance import Allowance, values_at
from drape.layup.laying import Bed, ramp_length, smooth_step


@dataclass(frozen=True)
class Layer:
    """Cloth between two places across each run; without a place it goes on to the middle.

    Attributes
    ----------
    thickness : float, mm
    first, last : run → mm
        Where it begins and ends there; a run that isn't named has none of it.
    """

    thickness: float
    first: Mapping[str, Allowance] = field(default_factory=dict)
    last: Mapping[str, Allowance] = field(default_factory=dict)


def stack_heights(bed: Bed, layers: Sequence[Layer], thickness: float) -> Floats:
    """Height of the mid-surface of cloth laid on ``layers``, at each vertex, mm.

    Parameters
    ----------
    thickness : mm, of the cloth itself

    Returns
    -------
    (n,)
    """
    heights = np.full(len(bed.past), 0.5 * thickness)
    ramp = ramp_length(sum(layer.thickness for layer in layers), bed.facet)
    for layer in layers:
        first, last = _places(bed, layer.first, -1.0), _places(bed, layer.last, 1.0)
        there = _passed(bed, first, ramp) - _passed(bed, last, ramp)
        heights += layer.thickness * np.maximum(there, 0.0)  # at a run without it: 0 − 1
    return heights


def _passed(bed: Bed, edge: Floats, ramp: float) -> Floats:
    """(n,) how far an edge (n,) has been passed: from 0 to 1 over a ramp centred on it."""
    out = np.where(edge < 0.0, 1.0, 0.0)  # of edges that are out of sight
    at = np.isfinite(edge)
    out[at] = smooth_step((bed.past[at] - edge[at]) / ramp + 0.5)
    return out


def _places(bed: Bed, ends: Mapping[str, Allowance], sign: float) -> Floats:
    """(n,) where a layer ends at the place of the line nearest to each vertex.

    Without a place it goes on, at a run that isn't named it has ended before it began.
    """
    if not ends:
        return np.full(len(bed.past), sign * np.inf)
    out = np.full(len(bed.past), -sign * np.inf)
    for k, name in enumerate(bed.runs):
        if name in ends:
            mine = bed.run == k
            out[mine] = values_at(ends[name], bed.place[mine])
    return out
