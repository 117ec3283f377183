"""The tube bag that fits a hollow, and what goes round the closed mould.

girth            inner perimeter of a section, inside the finished laminate
film tube        doesn't stretch: a little wider than the largest girth, folds where that is less
stretch bladder  smaller than the smallest girth, stretched to the largest
lay-flat width   half the girth of a tube

Allowances below are common practice from memory, and are options. Lengths in mm.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike

from drape.bag.hollow_sections import Section
from drape.errors import Finding, InputError
from drape.geometry.surface import Floats
from drape.job.bag_settings import BagOptions

ARC = 32  # sides of a quarter circle round a ridge


@dataclass(frozen=True)
class Girth:
    """Girth inside the laminate at a place along the hollow, mm.

    ``towards`` is the branch's name, empty where the hollow doesn't branch.
    """

    place_mm: float
    branch: int
    girth_mm: float
    towards: str = ""

    @property
    def words(self) -> str:
        """The place as messages have it."""
        return f"{self.place_mm:.0f} mm" + (f" (towards {self.towards})" if self.towards else "")


@dataclass(frozen=True)
class TubeBag:
    """The bag for a hollow, mm.

    Attributes
    ----------
    largest_girth_mm, smallest_girth_mm : float
    lay_flat_mm : float
        Of the film tube: half the largest girth and the oversize.
    stock_mm : float or None
        The narrowest film tube in stock that is wide enough, or the widest bladder that is
        narrow enough; None: no list, or none is.
    bladder_lay_flat_mm, bladder_stretch : float
        Of a stretch bladder (``bladder_stretch``: of the one in stock, if that was chosen),
        and how far it stretches at the largest girth, relative.
    length_mm : float
        With its tails.
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

    The outline moved inward: corners of the hollow stay sharp, ridges into it are rounded. Of
    a smooth convex one that is the outer girth less 2π × stack (Steiner's formula, key
    ``steiner1840``), and of any that the stack doesn't fill or fold.

    Raises
    ------
    InputError
        The stack fills the section.
    """
    polygon = shapely.Polygon(section.outline)
    inside = polygon.buffer(-stack, join_style="round", quad_segs=ARC)
    if inside.is_empty:
        raise InputError(
            "the laminate fills the hollow",
            value=f"{stack:g} mm",
            where=f"{section.place:.0f} mm along the hollow",
        )
    if isinstance(inside, shapely.MultiPolygon):
        inside = max(inside.geoms, key=lambda g: g.area)
    return float(inside.exterior.length)


def tube_bag(
    found: Sequence[Girth],
    length: float,
    stock: Sequence[float] = (),
    options: BagOptions | None = None,
    *,
    tails: int = 2,
) -> TubeBag:
    """The bag for a hollow of ``length`` mm with these girths.

    ``stock`` : lay-flat widths, mm; ``tails`` : 1 where the hollow's other end is closed.
    """
    options = options or BagOptions()
    if not found:
        raise InputError("the hollow has no closed section", remedy="give both mould halves")
    values = [g.girth_mm for g in found]
    largest, smallest = max(values), min(values)
    width = 0.5 * largest * (1.0 + options.oversize)
    bladder = 0.5 * smallest * (1.0 - options.undersize)
    if options.kind == "film":
        chosen = min((s for s in stock if s >= width), default=None)
        stretched = bladder
    else:
        chosen = max((s for s in stock if s <= bladder), default=None)
        stretched = chosen or bladder
    return TubeBag(
        largest,
        smallest,
        width,
        chosen,
        bladder,
        0.5 * largest / stretched - 1.0,
        length + tails * options.tail,
    )


def bag_findings(
    bag: TubeBag,
    found: Sequence[Girth],
    stock: Sequence[float] = (),
    options: BagOptions | None = None,
) -> tuple[Finding, ...]:
    """Where the bag doesn't fit: no tube in stock, folds of film, a bladder's stretch."""
    options = options or BagOptions()
    film = options.kind == "film"
    out = []
    if stock and bag.stock_mm is None:
        wanted = bag.lay_flat_mm if film else bag.bladder_lay_flat_mm
        end = f"the widest is {max(stock):g} mm" if film else f"the narrowest is {min(stock):g} mm"
        text = f"no tube in stock fits: {end} lay-flat"
        remedy = f"take one of {'at least' if film else 'at most'} {wanted:.0f} mm"
        out.append(Finding("risk", ("bag",), text, remedy))
    if film:
        out += _folds(bag, found, options)
    elif bag.bladder_stretch > options.most_stretch:
        text = (
            f"the bladder would stretch by {bag.bladder_stretch:.0%} "
            f"(limit {options.most_stretch:.0%})"
        )
        out.append(Finding("warning", ("bag",), text, "take a wider one, or a film tube"))
    return tuple(out)


def _folds(bag: TubeBag, found: Sequence[Girth], options: BagOptions) -> list[Finding]:
    """A risk for each stretch of the hollow, branch by branch, where the film folds."""
    girth = 2.0 * (bag.stock_mm or bag.lay_flat_mm)
    out = []
    for towards in dict.fromkeys(g.towards for g in found):
        mine = [g for g in found if g.towards == towards]
        folds = [girth / g.girth_mm - 1.0 > options.most_fold for g in mine]
        for folded, group in itertools.groupby(zip(folds, mine, strict=True), lambda p: p[0]):
            if not folded:
                continue
            here = [g for _, g in group]
            worst = min(here, key=lambda g: g.girth_mm)
            text = (
                f"the film folds from {here[0].place_mm:.0f} to {here[-1].words} along the hollow: "
                f"its girth is up to {girth / worst.girth_mm - 1.0:.0%} larger than the hollow's "
                f"(at {worst.words})"
            )
            out.append(
                Finding(
                    "risk", ("bag",), text, "lay the folds by hand, or join tubes of two widths"
                )
            )
    return out


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
