"""Fabric: what is known of one woven cloth, and the fabrics that ship.

Words
-----
areal mass     fibre per area of unsheared cloth, g/m² (without resin)
locking angle  shear past which the cloth wrinkles
show limit     shear past which a visible ply looks distorted

Lengths in mm, angles in radians. ``fabric_from`` reads the surface form, in degrees.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from drape.errors import InputError

CARBON_DENSITY = 1.78  # g/cm³, from memory
FIBRE_FRACTION = 0.55  # fibre volume fraction of a cured prepreg, from memory
SHOW_LIMIT_DEG = 20.0  # low end of 20–25°, from memory
ROLL_WIDTH = 1250.0  # mm, from memory

# Greatest sensible value of each number, in surface units; all must be more than 0. The
# angles must stay below it. Far past anything woven: they catch wrong units, not taste.
LIMITS: Mapping[str, float] = MappingProxyType(
    {
        "areal_mass": 5000.0,
        "thickness": 20.0,
        "roll_width": 10000.0,
        "fibre_density": 10.0,
        "fibre_fraction": 1.0,
        "locking_angle": 90.0,
        "show_limit": 90.0,
    }
)
REQUIRED = ("weave", "areal_mass", "locking_angle")


@dataclass(frozen=True)
class Fabric:
    """One woven cloth.

    Attributes
    ----------
    name, weave : str
    areal_mass : float
        Fibre, g/m².
    thickness : float
        Of one cured, unsheared ply, mm.
    locking_angle, show_limit : float
        Shear, radians.
    roll_width : float
        mm.
    source : str
        Where the values come from.

    Raises
    ------
    InputError
        A number that isn't finite, isn't more than 0, or is past ``LIMITS``.
    """

    name: str
    weave: str
    areal_mass: float
    thickness: float
    locking_angle: float
    show_limit: float = math.radians(SHOW_LIMIT_DEG)
    roll_width: float = ROLL_WIDTH
    source: str = ""

    def __post_init__(self) -> None:
        for key in ("areal_mass", "thickness", "roll_width"):
            _check(self.name, key, getattr(self, key))
        for key in ("locking_angle", "show_limit"):
            _check(self.name, key, math.degrees(getattr(self, key)), below=True)


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


def fabric_from(name: str, values: Mapping[str, Any]) -> Fabric:
    """Make a ``Fabric`` from its surface form (a table of the job file).

    Parameters
    ----------
    name : str
    values : mapping
        ``weave``, ``areal_mass`` (g/m²), ``locking_angle`` (deg); optional ``thickness``
        (mm, else computed from ``fibre_density``, g/cm³, and ``fibre_fraction``),
        ``show_limit`` (deg), ``roll_width`` (mm), ``source``.

    Raises
    ------
    InputError
        A required value is missing, or a number is impossible.
    """
    missing = [key for key in REQUIRED if key not in values]
    if missing:
        raise InputError(f"fabric '{name}' has no {missing[0]}", remedy="add it")
    density = values.get("fibre_density", CARBON_DENSITY)
    fraction = values.get("fibre_fraction", FIBRE_FRACTION)
    _check(name, "fibre_density", density)
    _check(name, "fibre_fraction", fraction, below=True)
    computed = cured_thickness(values["areal_mass"], density, fraction)
    locking = float(values["locking_angle"])
    return Fabric(
        name=name,
        weave=values["weave"],
        areal_mass=float(values["areal_mass"]),
        thickness=float(values.get("thickness", computed)),
        locking_angle=math.radians(locking),
        # cloth that locks before the usual show limit shows no earlier than it locks
        show_limit=math.radians(values.get("show_limit", min(SHOW_LIMIT_DEG, locking))),
        roll_width=float(values.get("roll_width", ROLL_WIDTH)),
        source=values.get("source", ""),
    )


@cache
def shipped() -> Mapping[str, Mapping[str, Any]]:
    """The fabrics that ship, in surface form, by name. Editable defaults, from memory."""
    text = Path(__file__).with_name("fabrics.toml").read_text(encoding="utf-8")
    return MappingProxyType({k: MappingProxyType(v) for k, v in tomllib.loads(text).items()})


def shipped_fabric(name: str) -> Fabric:
    """The shipped fabric called ``name``; InputError if there is none."""
    if name not in shipped():
        raise InputError("no such shipped fabric", value=name, limit=", ".join(shipped()))
    return fabric_from(name, shipped()[name])


def _check(name: str, key: str, value: float, *, below: bool = False) -> None:
    high = LIMITS[key]
    good = math.isfinite(value) and value > 0.0 and (value < high if below else value <= high)
    if not good:
        limit = f"more than 0, {'less than' if below else 'at most'} {high:g}"
        raise InputError(f"impossible {key} of fabric '{name}'", value=value, limit=limit)
