"""What a joint strip lies on across the parting line.

Places are signed lengths from the line along the cavity, mm: negative on the own half's
side. Where the stack jumps, cloth on it can't dip under the edge it comes down from: the
height goes up or down outside that edge, over one stack thickness (or ``laying.FACETS``
facets, if that is more). Where edges butt, the stack doesn't jump. Thicknesses are those of
cured plies that aren't sheared.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from drape.geometry.surface import Bools, Floats
from drape.layup.allowance import Allowance, values_at
from drape.layup.laying import FACETS, Bed, smooth_step

SIDE = 1e-6  # mm beside an edge, to see what lies on either side of it


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
    if not layers:
        return np.full(len(bed.past), 0.5 * thickness)
    ramp = max(sum(layer.thickness for layer in layers), FACETS * bed.facet)
    places = np.array([[_places(bed, ends, sign) for ends, sign in _ends(x)] for x in layers])
    each = np.array([layer.thickness for layer in layers])
    first, last = places[:, 0], places[:, 1]
    under = each @ _there(bed.past, first, last)
    heights = under.copy()
    for edge in (*first, *last):
        at = np.flatnonzero(np.isfinite(edge) & np.isfinite(bed.past))
        stacks = [
            each @ _there(edge[at] + step, first[:, at], last[:, at]) for step in (-SIDE, SIDE)
        ]
        near = 1.0 - smooth_step(np.abs(bed.past[at] - edge[at]) / ramp)
        beside = under[at] + near * (np.maximum(*stacks) - under[at])
        heights[at] = np.maximum(heights[at], beside)
    return heights + 0.5 * thickness


def _ends(layer: Layer) -> tuple[tuple[Mapping[str, Allowance], float], ...]:
    return ((layer.first, -1.0), (layer.last, 1.0))


def _there(place: Floats, first: Floats, last: Floats) -> Bools:
    """(k, n) whether each layer lies at the places (n,); (k, n) its first and last ones."""
    return (place >= first) & (place < last)


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
