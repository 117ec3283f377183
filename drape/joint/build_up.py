"""Build-up across the joint: how many plies lie where, and how far each pair overlaps.

Words
-----
place     signed length from the parting surface along a ply's own mid-surface, mm: negative
          on the lapping half's own side, positive past the line
edge ply  a ply that reaches a run of the parting line, with its allowance there

Plies of a pair have the same number in their half's order of lay-up. Thicknesses are those
of cured plies that aren't sheared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from drape.errors import Finding
from drape.geometry.surface import Floats
from drape.joint.at_run import AtRun

MARGIN = 10.0  # mm shown beyond the outermost change
SAME_PLACE = 1e-6  # mm


@dataclass(frozen=True)
class Band:
    """A stretch across the joint with the same plies all over; places and thickness in mm."""

    from_mm: float
    to_mm: float
    plies: int
    thickness_mm: float


@dataclass(frozen=True)
class Overlap:
    """Overlap of a pair of plies at a run; negative is a gap.

    Attributes
    ----------
    ply, other : str
        Of the lapping half and of the other half.
    nominal_mm : float
        Lap − set-back; where these change along the run, the smallest.
    least_mm, greatest_mm : float
        With placement scatter, over all stations; nominal where there is none.
    per_thickness : float
        Nominal overlap over the thickness of the thicker ply.
    """

    ply: str
    other: str
    nominal_mm: float
    least_mm: float
    greatest_mm: float
    per_thickness: float


def build_up(
    lapping: Sequence[AtRun],
    other: Sequence[AtRun],
    margin: float = MARGIN,
    strips: Sequence[AtRun] = (),
) -> tuple[Band, ...]:
    """Ply count and thickness against the place across a run.

    Parameters
    ----------
    lapping, other : plies of the lapping half and of the other half that reach the run
    margin : mm
        How far the first and last band go beyond the outermost change, and beyond the line.
    strips : joint strips and wrapped plies over the run; each counts as a ply

    Returns
    -------
    Bands in order of place, each different from its neighbours.
    """
    ends = np.array([p.end() for p in lapping])
    starts = np.array([-p.end() for p in other])
    spans = [(s.thickness, *span) for s in strips for span in s.spans]
    first, last = (np.array([span[k] for span in spans], dtype=float) for k in (1, 2))
    changes = np.concatenate([ends, starts, first, last, [0.0]])
    changes = changes[np.isfinite(changes)]
    places = np.unique(np.append(changes, [changes.min() - margin, changes.max() + margin]))
    places = places[np.append(True, np.diff(places) > SAME_PLACE)]
    middle = 0.5 * (places[1:] + places[:-1])
    across = middle[:, None]
    there = np.hstack([across < ends, across > starts, (across > first) & (across < last)])
    count = there.sum(axis=1)
    each = [p.thickness for p in (*lapping, *other)] + [span[0] for span in spans]
    thickness = there @ np.array(each)
    return _merged(places, count, thickness)


def _merged(places: Floats, count: Floats, thickness: Floats) -> tuple[Band, ...]:
    """Bands between places, neighbours of equal plies and thickness joined."""
    differ = (np.diff(count) != 0) | (np.abs(np.diff(thickness)) > 1e-9)
    first = np.concatenate([[0], np.flatnonzero(differ) + 1, [len(count)]])
    return tuple(
        Band(float(places[a]), float(places[b]), int(count[a]), float(thickness[a]))
        for a, b in pairwise(first)
    )


def nominal_overlaps(
    lapping: Sequence[AtRun], other: Sequence[AtRun], strips: Sequence[AtRun] = ()
) -> tuple[tuple[Overlap, ...], tuple[Finding, ...]]:
    """Overlap of each pair of plies, and an error for each gap, with a strip over it too.

    A ply without a partner is a note; butted edges (overlap 0) as a risk, or as
    a note where a joint strip or a wrapped ply lies over them.
    """
    pairs = tuple(
        pair_overlap(a, b, a.end() + b.end()) for a, b in zip(lapping, other, strict=False)
    )
    out = [finding for pair in pairs for finding in _gap(pair, strips)]
    longer = lapping if len(lapping) > len(other) else other
    for ply in longer[len(pairs) :]:
        text = "the other half has no ply to pair with it at the parting line"
        remedy = "it is left out of the overlap figures"
        out.append(Finding("note", (ply.name,), text, remedy))
    return pairs, tuple(out)


def pair_overlap(
    ply: AtRun, other: AtRun, nominal: float, scatter: tuple[float, float] = (0.0, 0.0)
) -> Overlap:
    """Overlap of one pair; ``scatter``: what placement takes (≤ 0) and adds (≥ 0), mm."""
    least, greatest = (nominal + change for change in scatter)
    per_thickness = nominal / max(ply.thickness, other.thickness)
    return Overlap(ply.name, other.name, nominal, least, greatest, per_thickness)


def _gap(pair: Overlap, strips: Sequence[AtRun]) -> list[Finding]:
    what, about = pair.nominal_mm, (pair.ply, pair.other)
    remedy = "make the lap longer or the set-back smaller"
    if what < -SAME_PLACE:
        text = f"the plies leave a gap of {-what:.1f} mm at the parting line"
        return [Finding("error", about, text, remedy)]
    if what < SAME_PLACE and strips:
        names = ", ".join(s.name for s in strips)
        text = f"the plies only butt at the parting line, under {names}"
        return [Finding("note", about, text, "only the cloth over the butt joins them")]
    if what < SAME_PLACE:
        return [Finding("risk", about, "the plies only butt at the parting line", remedy)]
    return []
