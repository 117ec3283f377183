"""The locking angle of a measured curve: where the cloth begins to resist shear.

Cloth shears easily at first, yarns turning on each other, and stiffens once they touch. The
rule: lay one tangent to the easy stretch and one to the stiff stretch; the locking angle is
where they cross (key ``prodromou1997``). How each tangent is found is a choice of our own:

- the curve counts up to its greatest force; past it the cloth slips or wrinkles;
- it is averaged over ``CELLS`` even cells of shear, so that readings taken closer together
  don't count for more, and noise is averaged out;
- the easy tangent is the flattest straight line of least squares over any stretch as wide as
  a quarter of the shear reached, so that friction at the very start doesn't decide it;
- the stiff tangent is the steepest such line behind it, over stretches of 15 %.

A curve that bends gradually has no one knee: the stiffer its end, the later the crossing, so
the answer depends on how far it was pulled. The crossing is therefore found again with
narrower and wider stretches and with the last part of the curve left out, and the least and
the greatest are given beside it.

Shear in radians, force per length in N/mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import degrees, nan

import numpy as np

from drape.errors import InputError
from drape.fabric.specimens import ShearCurve
from drape.geometry.arrays import Floats

CELLS = 400
EASY, STIFF = 0.25, 0.15  # of the shear reached: the stretches that tangents are laid to
STIFFER = 2.0  # times as steep: less is no knee
NARROWER, WIDER = 2.0 / 3.0, 1.5  # stretches tried besides
END = 0.8  # of the greatest force: where the curve is cut to see what its end decides


@dataclass(frozen=True)
class Tangent:
    """A straight line: slope (N/mm per radian), its force at no shear, its stretch."""

    slope: float
    intercept: float
    first: float
    last: float


@dataclass(frozen=True)
class Locking:
    """A locking angle by two tangents.

    Attributes
    ----------
    shear : float
        Where they cross, radians.
    least, greatest : float
        Of the crossings with other stretches and without the curve's end, radians.
    easy, stiff : Tangent
    """

    shear: float
    least: float
    greatest: float
    easy: Tangent
    stiff: Tangent


def two_tangents(curve: ShearCurve) -> Locking:
    """The locking angle by the rule above.

    Raises
    ------
    InputError
        The curve has no stiff stretch behind an easy one.
    """
    shear, force = _evenly(curve)
    easy, stiff = _tangents(shear, force, EASY, STIFF)
    crossing = _crossing(easy, stiff)
    if np.isnan(crossing):
        raise InputError(
            "the force doesn't rise enough to show where the cloth locks",
            value=f"a slope of {stiff.slope:.3g} after {easy.slope:.3g} N/mm per radian, up to "
            f"{degrees(shear[-1]):.0f} degrees",
            limit=f"{STIFFER:g} times as steep or more",
            remedy="pull farther, or give a limit of your own",
        )
    others = [crossing]
    for factor in (NARROWER, WIDER):
        others.append(_crossing(*_tangents(shear, force, factor * EASY, factor * STIFF)))
    near = int(np.argmax(force >= END * force.max())) + 1
    cut = ShearCurve(shear[:near], force[:near])
    others.append(_crossing(*_tangents(*_evenly(cut), EASY, STIFF)))
    return Locking(crossing, float(np.nanmin(others)), float(np.nanmax(others)), easy, stiff)


def shear_at_force(curve: ShearCurve, limit: float) -> float:
    """Shear at which the force per length first reaches a limit, N/mm; radians.

    Raises
    ------
    InputError
        It never does, or does before any shear.
    """
    reached = curve.force >= limit
    if not reached.any() or reached[0]:
        low, high = float(curve.force[0]), float(curve.force.max())
        raise InputError(
            "the force limit isn't on the curve",
            value=f"{limit:g} N/mm",
            limit=f"more than {low:.3g}, at most {high:.3g} N/mm",
            remedy="give a force that the pull reaches",
        )
    i = int(np.argmax(reached))
    part = (limit - curve.force[i - 1]) / (curve.force[i] - curve.force[i - 1])
    return float(curve.shear[i - 1] + part * (curve.shear[i] - curve.shear[i - 1]))


def _evenly(curve: ShearCurve) -> tuple[Floats, Floats]:
    """Cell centres and mean forces, (CELLS,), of the curve up to its greatest force.

    The mean over a cell is of the polygon through the readings, from its running integral.
    """
    end = max(int(np.argmax(curve.force)) + 1, 2)
    shear, force = curve.shear[:end], curve.force[:end]
    edges = np.linspace(shear[0], shear[-1], CELLS + 1)
    knots = np.union1d(shear, edges)
    values = np.interp(knots, shear, force)
    steps = np.diff(knots) * 0.5 * (values[1:] + values[:-1])
    total = np.concatenate([[0.0], np.cumsum(steps)])
    means = np.diff(total[np.searchsorted(knots, edges)]) / np.diff(edges)
    return 0.5 * (edges[1:] + edges[:-1]), means


def _tangents(shear: Floats, force: Floats, easy: float, stiff: float) -> tuple[Tangent, Tangent]:
    """The flattest line over stretches of ``easy``, the steepest of ``stiff`` behind it."""
    slopes, width = _slopes(shear, force, easy)
    at = int(np.argmin(slopes))
    first = _line(shear, force, at, width, float(slopes[at]))
    slopes, narrow = _slopes(shear, force, stiff)
    start = min(at + width, len(slopes) - 1)
    then = start + int(np.argmax(slopes[start:]))
    return first, _line(shear, force, then, narrow, float(slopes[then]))


def _slopes(shear: Floats, force: Floats, share: float) -> tuple[Floats, int]:
    """Slopes of the lines of least squares over all stretches of a width, and that width."""
    width = max(round(share * len(shear)), 2)
    lever = np.arange(width) - 0.5 * (width - 1)
    step = shear[1] - shear[0]
    return np.correlate(force, lever, "valid") / (step * np.sum(lever * lever)), width


def _line(shear: Floats, force: Floats, at: int, width: int, slope: float) -> Tangent:
    part = slice(at, at + width)
    intercept = float(force[part].mean() - slope * shear[part].mean())
    return Tangent(slope, intercept, float(shear[at]), float(shear[at + width - 1]))


def _crossing(easy: Tangent, stiff: Tangent) -> float:
    """Where the tangents cross; NaN where that is no knee."""
    if not stiff.slope > max(STIFFER * easy.slope, 0.0):
        return nan
    crossing = (easy.intercept - stiff.intercept) / (stiff.slope - easy.slope)
    return crossing if easy.first <= crossing <= stiff.last else nan
