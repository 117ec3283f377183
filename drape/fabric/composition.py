"""What a ply is made of: fibre and resin, by mass and by volume, and what follows.

Words
-----
areal mass           fibre per area of unsheared cloth, g/m²
prepreg areal mass   fibre and resin per area as supplied, g/m²
resin content        resin by mass of prepreg as supplied; percent at the surface
fibre fraction       fibre by volume of the cured ply, without voids
bleed                resin let out in the cure

Figures that aren't given are worked out from those that are; where more are given than needed
they have to agree. All formulas are conservation of mass and volume, per unit of area.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from drape.errors import InputError

CARBON_DENSITY = 1.78  # g/cm³, from memory
RESIN_DENSITY = 1.20  # g/cm³, of cured epoxy, from memory
FIBRE_FRACTION = 0.55  # fibre volume fraction of a cured prepreg, from memory
# How far apart, relatively, two ways to one figure may be; a choice of our own. Data sheets
# round (0.21 mm for 0.2043 is 2.8 % off) and allow resin contents ±2 % (fibre fraction ±4 %).
TOLERANCE = 0.05

# Greatest sensible value of each number, in surface units; all must be more than 0. Those in
# ``BELOW`` must stay below it. They lie far past anything woven: only wrong units exceed them.
COMPOSITION_LIMITS: Mapping[str, float] = MappingProxyType(
    {
        "areal_mass": 5000.0,
        "prepreg_areal_mass": 10000.0,
        "thickness": 20.0,
        "fibre_density": 10.0,
        "resin_density": 5.0,
        "resin_content": 100.0,
        # round fibres of one size, packed as close as they go: π/(2√3)
        "fibre_fraction": 0.907,
    }
)
BELOW = ("resin_content", "fibre_fraction", "locking_angle", "show_limit")
# If a job gives any of these, none is taken from the built-in fabric it starts from
DERIVABLE = ("thickness", "fibre_fraction", "resin_content", "prepreg_areal_mass", "bleed")

SURE = "leave out the one you are least sure of"
BLED = f"{SURE}, or set bleed = true if the cure lets resin out"


@dataclass(frozen=True)
class Composition:
    """Fibre and resin of one ply.

    Attributes
    ----------
    areal_mass : float, g/m²
    thickness : float, mm, cured and unsheared
    resin_content : float or None
        By mass as supplied, 0 to 1; None: not known, or dry.
    fibre_density, resin_density : float, g/cm³
    """

    areal_mass: float
    thickness: float
    resin_content: float | None
    fibre_density: float
    resin_density: float


def cured_thickness(
    areal_mass: float,
    fibre_density: float = CARBON_DENSITY,
    fibre_fraction: float = FIBRE_FRACTION,
) -> float:
    """Thickness of a cured ply: areal mass/(fibre density × fibre volume fraction).

    Parameters
    ----------
    areal_mass : float, g/m²
    fibre_density : float, g/cm³
    fibre_fraction : float
        Fibre volume fraction, 0 to 1.

    Returns
    -------
    float
        mm. All fibre stays in the ply: conservation of its volume, per unit of area.
    """
    return areal_mass / (1000.0 * fibre_density * fibre_fraction)


def fraction_without_bleed(
    resin_content: float,
    fibre_density: float = CARBON_DENSITY,
    resin_density: float = RESIN_DENSITY,
) -> float:
    """Fibre volume fraction of a cured ply that keeps all its resin and has no voids.

    Parameters
    ----------
    resin_content : float
        By mass, 0 to 1.
    fibre_density, resin_density : float, g/cm³

    Returns
    -------
    float
        Volume of fibre over that of fibre and resin, of one gram of prepreg.
    """
    fibre, resin = (1.0 - resin_content) / fibre_density, resin_content / resin_density
    return fibre / (fibre + resin)


def composition_from(name: str, values: Mapping[str, Any]) -> Composition:
    """Work out what isn't given, and check what is given twice.

    Parameters
    ----------
    name : str
        Of the fabric, for messages.
    values : mapping
        Surface form: the keys of ``COMPOSITION_LIMITS`` (g/m², mm, g/cm³, percent) and
        ``bleed`` (bool), all optional; the areal mass has to follow from them.

    Raises
    ------
    InputError
        A number is impossible, two ways to one figure are more than ``TOLERANCE`` apart, or
        the areal mass or, with ``bleed``, the fibre fraction can't be worked out.
    """
    for key in COMPOSITION_LIMITS:
        if key in values:
            check_number(name, key, values[key], COMPOSITION_LIMITS[key])
    fibre = values.get("fibre_density", CARBON_DENSITY)
    resin = values.get("resin_density", RESIN_DENSITY)
    content = _content(name, values)
    supplied = None if content is None else fraction_without_bleed(content, fibre, resin)
    mass = _areal_mass(name, values, content, supplied, fibre)
    fraction = _fraction(name, values, supplied, mass, fibre)
    thickness = values.get("thickness", cured_thickness(mass, fibre, fraction))
    return Composition(float(mass), float(thickness), content, float(fibre), float(resin))


def mass_follows(values: Mapping[str, Any]) -> bool:
    """Whether the areal mass is given, or can be worked out."""
    by_volume = "thickness" in values and values.keys() & {"fibre_fraction", "resin_content"}
    by_mass = {"prepreg_areal_mass", "resin_content"} <= values.keys()
    return "areal_mass" in values or by_mass or bool(by_volume)


def check_number(name: str, key: str, value: float, high: float) -> None:
    """InputError where a number of fabric ``name`` isn't more than 0 and within its limit."""
    below = key in BELOW
    good = math.isfinite(value) and value > 0.0 and (value < high if below else value <= high)
    if not good:
        limit = f"more than 0, {'less than' if below else 'at most'} {high:g}"
        raise InputError(f"fabric '{name}' has an impossible {key}", value=value, limit=limit)


def _content(name: str, values: Mapping[str, Any]) -> float | None:
    """Resin content as supplied, 0 to 1."""
    given = values["resin_content"] / 100.0 if "resin_content" in values else None
    if not {"areal_mass", "prepreg_areal_mass"} <= values.keys():
        return given
    mass, total = values["areal_mass"], values["prepreg_areal_mass"]
    if total <= mass:
        what = f"prepreg_areal_mass of fabric '{name}' leaves no room for resin"
        remedy = "give the fibre alone as areal_mass, fibre and resin as prepreg_areal_mass"
        raise InputError(what, value=f"{total:g}", limit=f"more than {mass:g}", remedy=remedy)
    if given is not None:
        said = _said(values, "prepreg_areal_mass", "resin_content")
        _agree(name, "areal mass", {"areal_mass": mass, said: total * (1.0 - given)}, SURE)
    return 1.0 - mass / total


def _areal_mass(
    name: str,
    values: Mapping[str, Any],
    content: float | None,
    supplied: float | None,
    fibre: float,
) -> float:
    if not mass_follows(values):
        raise InputError(f"fabric '{name}' has no areal_mass", remedy="add it")
    if "areal_mass" in values:
        return values["areal_mass"]
    if content is not None and "prepreg_areal_mass" in values:
        return values["prepreg_areal_mass"] * (1.0 - content)
    fraction = values.get("fibre_fraction", None if values.get("bleed") else supplied)
    if fraction is None:
        raise _needs_fraction(name)
    return 1000.0 * fibre * fraction * values["thickness"]


def _fraction(
    name: str, values: Mapping[str, Any], supplied: float | None, mass: float, fibre: float
) -> float:
    """Fibre fraction of the cured ply, by the surest of the ways to it."""
    ways: dict[str, float] = {}
    if "fibre_fraction" in values:
        ways["fibre_fraction"] = values["fibre_fraction"]
    if "thickness" in values:
        said = f"thickness {values['thickness']:g} mm with {mass:g} g/m2 at {fibre:g} g/cm3"
        ways[said] = mass / (1000.0 * fibre * values["thickness"])
        _check_packing(name, said, ways[said])
    if supplied is None:
        _agree(name, "fibre_fraction", ways)
        return next(iter(ways.values()), FIBRE_FRACTION)
    said = _said(values, "resin_content") if "resin_content" in values else "prepreg_areal_mass"
    _check_packing(name, said, supplied)
    if not values.get("bleed"):
        ways[f"{said} without bleed"] = supplied
        _agree(name, "fibre_fraction", ways)
        return next(iter(ways.values()))
    _agree(name, "fibre_fraction", ways)
    if not ways:
        raise _needs_fraction(name)
    least = min(ways.values())
    if least < supplied * (1.0 - TOLERANCE):
        what = f"fabric '{name}' has less fibre after bleed than {said} gives without"
        limit = f"{supplied:.3f} or more"
        raise InputError(what, value=f"fibre_fraction {least:.3f}", limit=limit, remedy=SURE)
    return next(iter(ways.values()))


def _needs_fraction(name: str) -> InputError:
    what = f"fabric '{name}' bleeds, but how much resin it loses isn't given"
    return InputError(what, remedy="add fibre_fraction or thickness of the cured ply")


def _check_packing(name: str, said: str, fraction: float) -> None:
    high = COMPOSITION_LIMITS["fibre_fraction"]
    if fraction >= high:
        what = f"{said} of fabric '{name}' leaves no room between the fibres"
        raise InputError(what, value=f"fibre_fraction {fraction:.3f}", limit=f"less than {high:g}")


def _agree(name: str, figure: str, ways: Mapping[str, float], remedy: str = BLED) -> None:
    """InputError where ways to one figure are too far apart; ``ways`` by what was said."""
    if not ways or max(ways.values()) <= min(ways.values()) * (1.0 + TOLERANCE):
        return
    found = ", ".join(f"{value:.4g} ({said})" for said, value in ways.items())
    raise InputError(
        f"fabric '{name}' contradicts itself about its {figure}",
        value=found,
        limit=f"within {100.0 * TOLERANCE:g} % of each other",
        remedy=remedy,
    )


def _said(values: Mapping[str, Any], *keys: str) -> str:
    return " with ".join(f"{key} {values[key]:g}" for key in keys)
