"""Shear of cloth from what is measured on a bench or a testing machine: plain formulas.

All four follow from yarns that keep their length and turn about their crossings. A square of
them is sheared into a rhombus whose diagonals are √(1 ± sin γ) times the square's.

Methods
-------
square  a square cut on the bias, pulled by hand along a diagonal until it wrinkles
frame   picture frame: a hinged square frame of a given side, pulled along a diagonal
bias    bias extension: a strip cut at 45°, at least twice as long as wide, pulled along
yarns   yarn width and pitch: where yarns side by side touch

Lengths in mm, forces in N, force per length in N/mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drape.errors import InputError
from drape.geometry.arrays import Floats, readonly

SLENDER = 2.0  # least length over width of a bias strip: common practice
BACKLASH = 0.01  # of the whole travel: how far a reading may fall back, a choice of our own
LEAST_READINGS = 8  # of a curve that tangents are laid to, a choice of our own
LEAST_SHEAR_DEG = 5.0  # a pull that ends before this shows nothing, a choice of our own


@dataclass(frozen=True, eq=False)
class ShearCurve:
    """One pull: shear (k,) radians, growing, and shear force per length (k,) N/mm."""

    shear: Floats
    force: Floats


def square_shear(before: Floats, grown: Floats) -> Floats:
    """Shear of a bias square from its diagonal along the pull before and while pulled, mm.

    grown/before = √(1 + sin γ), from the rhombus's angles.

    Raises
    ------
    InputError
        A diagonal that didn't grow, or grew past √2 times.
    """
    before, grown = np.asarray(before, dtype=float), np.asarray(grown, dtype=float)
    bad = ~((grown > before) & (grown < np.sqrt(2.0) * before))
    if bad.any():
        first = int(np.argmax(np.broadcast_to(bad, bad.shape).ravel()))
        one = float(np.ravel(before)[first])
        raise InputError(
            "the diagonal of a bias square can't grow like that",
            value=f"{np.ravel(grown)[first]:g} mm from {one:g} mm",
            limit=f"more than {one:g}, less than {np.sqrt(2.0) * one:g} mm",
            remedy="measure the diagonal along the pull, 1.414 times the side before the pull",
        )
    return np.arcsin((grown / before) ** 2 - 1.0)


def frame_shear(displacement: Floats, side: float) -> Floats:
    """Shear in a picture frame: γ = 90° − 2 acos(1/√2 + d/2L) (key ``cao2008``).

    Parameters
    ----------
    displacement : (k,) mm, of the cross-head along the diagonal, from the square frame
    side : float, mm, of the frame from hinge to hinge

    Raises
    ------
    InputError
        A displacement outside what the frame allows, 0 to (2 − √2) times its side.
    """
    _within(displacement, (2.0 - np.sqrt(2.0)) * side, f"a frame of side {side:g} mm")
    cosine = 1.0 / np.sqrt(2.0) + np.asarray(displacement, dtype=float) / (2.0 * side)
    return 0.5 * np.pi - 2.0 * np.arccos(cosine)


def frame_force(force: Floats, shear: Floats, side: float) -> Floats:
    """Shear force per length of the frame's sides: F/(2 L cos(45° − γ/2)), N/mm.

    Balance of forces at a corner (key ``cao2008``): two sides at 45° − γ/2 to the pull.
    """
    return np.asarray(force) / (2.0 * side * np.cos(0.25 * np.pi - 0.5 * np.asarray(shear)))


def bias_shear(displacement: Floats, length: float, width: float) -> Floats:
    """Shear in the middle of a bias strip: γ = 90° − 2 acos((D + d)/(√2 D)) (key ``cao2008``).

    D = length − width is the length of the zone that shears most, between the two triangles
    at the clamps, which don't shear.

    Parameters
    ----------
    displacement : (k,) mm, from the unsheared strip
    length, width : float, mm, between and along the clamps

    Raises
    ------
    InputError
        A strip too short for its width, or a displacement outside 0 to (√2 − 1) D.
    """
    if length < SLENDER * width:
        raise InputError(
            "the bias strip is too short for its width",
            value=f"length {length:g} mm, width {width:g} mm",
            limit=f"a length of {SLENDER * width:g} mm or more",
            remedy="use a longer strip, so that yarns in its middle are free at both ends",
        )
    zone = length - width
    _within(displacement, (np.sqrt(2.0) - 1.0) * zone, f"a strip of {length:g} mm by {width:g} mm")
    cosine = (zone + np.asarray(displacement, dtype=float)) / (np.sqrt(2.0) * zone)
    return 0.5 * np.pi - 2.0 * np.arccos(cosine)


def bias_force(force: Floats, shear: Floats, length: float, width: float) -> Floats:
    """Shear force per length in a bias strip, N/mm.

    Work of the pull = work in the middle, area W(2L − 3W)/2 at γ, plus in the zones beside the
    triangles, area W² at γ/2 (key ``cao2008``); so with f the force per length

    f(γ) (2L − 3W) cos γ = (L/W − 1) F (cos γ/2 − sin γ/2) − W f(γ/2) cos γ/2.

    f(γ/2) is read from what was found before it. Below the first reading, and where readings
    lie more than twice as far apart as that, the nearest found before stands for it.
    """
    shear, force = np.asarray(shear, dtype=float), np.asarray(force, dtype=float)
    half = 0.5 * shear
    pull = (length / width - 1.0) * force * (np.cos(half) - np.sin(half))
    middle = (2.0 * length - 3.0 * width) * np.cos(shear)
    beside = width * np.cos(half)
    out = np.empty(len(shear))
    out[0] = pull[0] / (middle[0] + beside[0])
    for i in range(1, len(shear)):
        found = np.interp(half[i], shear[:i], out[:i])
        out[i] = (pull[i] - beside[i] * found) / middle[i]
    return out


def yarns_touch(width: Floats, pitch: Floats) -> Floats:
    """Shear at which yarns side by side touch: cos γ = width/pitch (key ``prodromou1997``).

    Yarns keep their width, so do the gaps between them their count: the pitch across the
    yarns shrinks by cos γ.

    Raises
    ------
    InputError
        Yarns as wide as their pitch, or wider.
    """
    width, pitch = np.asarray(width, dtype=float), np.asarray(pitch, dtype=float)
    bad = ~(width < pitch)
    if bad.any():
        first = int(np.argmax(bad.ravel()))
        raise InputError(
            "the yarns are as wide as their pitch: they touch before any shear",
            value=f"width {np.ravel(width)[first]:g} mm, pitch {np.ravel(pitch)[first]:g} mm",
            limit="a width below the pitch",
            remedy="measure the pitch from the middle of one yarn to the middle of the next",
        )
    return np.arccos(width / pitch)


def loading(displacement: Floats, force: Floats) -> tuple[Floats, Floats]:
    """The readings of one pull that go further than all before them.

    Parameters
    ----------
    displacement, force : (k,) mm, N, in the order they were taken

    Raises
    ------
    InputError
        Too few readings, a displacement that falls back by more than ``BACKLASH`` of the
        travel, or no pull at all.
    """
    if len(displacement) < LEAST_READINGS:
        raise _too_few(len(displacement))
    farthest = np.maximum.accumulate(displacement)
    travel = farthest[-1] - displacement[0]
    back = farthest - displacement
    if not travel > 0.0 or back.max() > BACKLASH * travel:
        at = int(np.argmax(back > BACKLASH * max(travel, 0.0))) if back.max() > 0.0 else 0
        raise InputError(
            f"the displacement doesn't grow (reading {at + 1})",
            value=f"{displacement[at]:g} mm after {farthest[at]:g} mm",
            limit="one pull, starting from the unsheared cloth",
            remedy="leave out the way back and further pulls",
        )
    if not force.max() > 0.0:
        what, remedy = "no force is more than 0", "write a pull as a positive force"
        raise InputError(what, value=f"at most {force.max() + 0.0:g} N", remedy=remedy)
    ahead = np.concatenate([[True], np.diff(farthest) > 0.0])
    if ahead.sum() < LEAST_READINGS:
        raise _too_few(int(ahead.sum()))
    return displacement[ahead], force[ahead]


def frame_curve(displacement: Floats, force: Floats, side: float) -> ShearCurve:
    """The curve of a picture frame's readings, (k,) mm and N; InputError as above."""
    displacement, force = loading(displacement, force)
    shear = frame_shear(displacement, side)
    return _curve(shear, frame_force(force, shear, side))


def bias_curve(displacement: Floats, force: Floats, length: float, width: float) -> ShearCurve:
    """The curve of a bias strip's readings, (k,) mm and N; InputError as above."""
    displacement, force = loading(displacement, force)
    shear = bias_shear(displacement, length, width)
    return _curve(shear, bias_force(force, shear, length, width))


def _curve(shear: Floats, force: Floats) -> ShearCurve:
    if np.degrees(shear[-1]) < LEAST_SHEAR_DEG:
        raise InputError(
            "the pull ends before the cloth is sheared",
            value=f"{np.degrees(shear[-1]):.2g} degrees",
            limit=f"{LEAST_SHEAR_DEG:g} degrees or more",
            remedy="check the units of displacement and size",
        )
    return ShearCurve(readonly(shear), readonly(force))


def _within(displacement: Floats, most: float, of: str) -> None:
    bad = ~((np.asarray(displacement) >= 0.0) & (np.asarray(displacement) < most))
    if bad.any():
        worst = np.ravel(displacement)[int(np.argmax(bad.ravel()))]
        raise InputError(
            f"the displacement is impossible for {of}",
            value=f"{worst:g} mm",
            limit=f"0 to less than {most:.6g} mm",
            remedy="count it from the unsheared cloth, and check the units and the size",
        )


def _too_few(count: int) -> InputError:
    remedy = "take readings more often"
    return InputError(
        "too few readings", value=count, limit=f"{LEAST_READINGS} or more", remedy=remedy
    )
