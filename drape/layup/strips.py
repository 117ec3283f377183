"""What a joint strip lies on across the parting line.

Places are signed lengths from the line along the cavity, mm: negative on the own half's
side. Where the stack jumps, cloth on it can't dip under the edge it comes down from: the
height goes up or down outside that edge, over one stack thickness (or ``laying.FACETS``
facets, if that is more). Thicknesses are those of cured plies that aren't sheared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from drape.geometry.surface import Floats
from drape.layup.allowance import Allowance, values_at
from drape.layup.laying import FACETS, Bed, smooth_step


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
    ramp = max(sum(layer.thickness for layer in layers), FACETS * bed.facet)
    heights = np.full(len(bed.past), 0.5 * thickness)
    for layer in layers:
        there = np.ones(len(bed.past))
        for ends, sign in ((layer.first, -1.0), (layer.last, 1.0)):
            if ends:
                there *= 1.0 - smooth_step(sign * (bed.past - _places(bed, ends, sign)) / ramp)
        heights += layer.thickness * there
    return heights


def _places(bed: Bed, ends: Mapping[str, Allowance], sign: float) -> Floats:
    """(n,) where a layer ends at the place of the line nearest to each vertex.

    At a run that isn't named it has ended before it began.
    """
    out = np.full(len(bed.past), -sign * np.inf)
    for k, name in enumerate(bed.runs):
        if name in ends:
            mine = bed.run == k
            out[mine] = values_at(ends[name], bed.place[mine])
    return out
