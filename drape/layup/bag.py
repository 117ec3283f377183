"""The tube bag that fits a hollow, and what goes round the closed mould.

girth            inner perimeter of a section, inside the finished laminate
film tube        doesn't stretch: as wide as the largest girth and some, folds where it is less
stretch bladder  smaller than the smallest girth, stretched to the largest
lay-flat width   half the girth of a tube

Allowances below are common practice from memory, and are options. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike

from drape.errors import Finding, InputError
from drape.geometry.section import Section
from drape.geometry.surface import Floats

MITRE_LIMIT = 5.0


@dataclass(frozen=True)
class BagOptions:
    """Allowances for bag, envelope and breather; all defaults from memory."""

    oversize: float = 0.10  # film tube's girth over the largest girth
    undersize: float = 0.10  # bladder's girth under the smallest girth
    tail: float = 150.0  # mm of bag past each mouth
    most_fold: float = 0.35  # a film tube larger than the girth by more folds
    film_radius: float = 3.0  # mm: film doesn't follow a tighter inside corner
    envelope_ease: float = 0.20  # envelope's girth over the mould's
    envelope_tail: float = 150.0  # mm past each end of the mould
    breather_overlap: float = 50.0  # mm
    most_stretch: float = 1.0  # of a bladder, relative


@dataclass(frozen=True)
class Girth:
    """Girth inside the laminate at a place along the hollow, mm."""

    place_mm: float
    branch: int
    girth_mm: float


@dataclass(frozen=True)
class TubeBag:
    """The bag for a hollow, mm.

    Attributes
    ----------
    largest_girth_mm, smallest_girth_mm : float
    lay_flat_mm : float
        Of the film tube: half the largest girth and the oversize.
    stock_mm : float or None
        The narrowest tube in stock that is wide enough; None: no list, or none is.
    bladder_lay_flat_mm, bladder_stretch : float
        Of a stretch bladder, and how far it stretches at the largest girth, relative.
    length_mm : float
        With both tails.
    """

    largest_girth_mm: float
    smallest_girth_mm: float
    lay_flat_mm: float
    stock_mm: float | None
    bladder_lay_flat_mm: float
    bladder_stretch: float
    length_mm: float


@dataclass(frozen=True)
class Envelope:
    """Round the closed mould: envelope tube's lay-flat width and length, breather's size, mm."""

    lay_flat_mm: float
    length_mm: float
    breather_width_mm: float
    breather_length_mm: float


def inner_girth(section: Section, stack: float) -> float:
    """Girth of a closed section inside a laminate of ``stack`` mm.

    The outline moved inward, sharp corners mitred; for a smooth convex one that is the outer
    girth less 2π × stack (Steiner).

    Raises
    ------
    InputError
        The stack fills the section.
    """
    polygon = shapely.Polygon(section.outline)
    inside = polygon.buffer(-stack, join_style="mitre", mitre_limit=MITRE_LIMIT)
    if inside.is_empty:
        raise InputError(
            "the laminate fills the hollow",
            value=f"{stack:g} mm",
            where=f"{section.place:.0f} mm along the hollow",
        )
    if isinstance(inside, shapely.MultiPolygon):
        inside = max(inside.geoms, key=lambda g: g.area)
    return float(inside.exterior.length)


def girths(sections: Sequence[Section], stack: float) -> tuple[Girth, ...]:
    """Girth inside the laminate of each closed section."""
    return tuple(Girth(s.place, s.branch, inner_girth(s, stack)) for s in sections if s.closed)


def hollow_length(sections: Sequence[Section]) -> float:
    """Length of the line through the sections' middles, from mouth to mouth, mm.

    The sections leave out as much at either end as at their start. Of a branching hollow the
    first branch counts: the bag that goes through it.
    """
    line = np.array([s.centre for s in sections if s.branch == 0])
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    return float(steps.sum()) + 2.0 * sections[0].place


def tube_bag(
    found: Sequence[Girth],
    length: float,
    stock: Sequence[float] = (),
    options: BagOptions | None = None,
) -> TubeBag:
    """The bag for a hollow of ``length`` mm with these girths; ``stock``: lay-flat widths."""
    options = options or BagOptions()
    if not found:
        raise InputError("no closed section along the hollow", remedy="give both mould halves")
    values = [g.girth_mm for g in found]
    largest, smallest = max(values), min(values)
    width = 0.5 * largest * (1.0 + options.oversize)
    bladder = smallest * (1.0 - options.undersize)
    return TubeBag(
        largest,
        smallest,
        width,
        min((s for s in stock if s >= width), default=None),
        0.5 * bladder,
        largest / bladder - 1.0,
        length + 2.0 * options.tail,
    )


def bag_findings(
    bag: TubeBag,
    found: Sequence[Girth],
    stock: Sequence[float] = (),
    *,
    inside_radius: float | None = None,
    stack: float = 0.0,
    options: BagOptions | None = None,
) -> tuple[Finding, ...]:
    """Where the bag doesn't fit: no stock tube, folds, a bladder's stretch, tight corners.

    ``inside_radius`` is the cavity's smallest; less ``stack`` it is the bag's.
    """
    options = options or BagOptions()
    out = []
    if stock and bag.stock_mm is None:
        text = f"no tube in stock is {bag.lay_flat_mm:.0f} mm wide laid flat"
        out.append(Finding("risk", "bag", text, f"widest in stock: {max(stock):g} mm"))
    girth = 2.0 * (bag.stock_mm or bag.lay_flat_mm)
    folded = [g for g in found if girth / g.girth_mm - 1.0 > options.most_fold]
    if folded:
        worst = min(folded, key=lambda g: g.girth_mm)
        text = (
            f"a film tube is {girth / worst.girth_mm - 1.0:.0%} larger than the hollow at "
            f"{worst.place_mm:.0f} mm (and folds at {len(folded)} of {len(found)} sections)"
        )
        out.append(Finding("risk", "bag", text, "lay the folds by hand, or join two widths"))
    if bag.bladder_stretch > options.most_stretch:
        text = f"a stretch bladder would stretch by {bag.bladder_stretch:.0%}"
        out.append(Finding("warning", "bag", text, f"limit {options.most_stretch:.0%}"))
    if inside_radius is not None and inside_radius - stack < options.film_radius:
        text = f"inside corners of {max(inside_radius - stack, 0.0):.1f} mm under the laminate"
        text += f", tighter than {options.film_radius:g} mm: the bag will bridge them"
        out.append(Finding("risk", "bag", text, "press with a strip or filler, or use a bladder"))
    return tuple(out)


def envelope(mould: ArrayLike, along: ArrayLike, options: BagOptions | None = None) -> Envelope:
    """Sizes round the closed mould, from its shadow (convex) along a direction.

    Parameters
    ----------
    mould : (n, 3), mm
        All vertices of both halves, closed.
    along : (3,)
        Direction of the envelope's tube, such as from one mouth to the other.
    """
    options = options or BagOptions()
    points, axis = np.asarray(mould, float), np.asarray(along, float)
    axis = axis / np.linalg.norm(axis)
    girth, length = _hull_girth(points, axis), float(np.ptp(points @ axis))
    return Envelope(
        0.5 * girth * (1.0 + options.envelope_ease),
        length + 2.0 * options.envelope_tail,
        girth + options.breather_overlap,
        length + 2.0 * options.breather_overlap,
    )


def _hull_girth(points: Floats, axis: Floats) -> float:
    """Perimeter of the convex hull of points seen along an axis, mm."""
    basis = np.linalg.svd(axis[None])[2][1:]
    return float(shapely.MultiPoint(points @ basis.T).convex_hull.length)
