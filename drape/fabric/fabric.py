"""Fabric: what is known of one cloth, and the built-in fabrics.

Words
-----
kind           woven, unidirectional (tape: one direction of fibre) or non-crimp (layers of
               straight fibre, stitched)
locking angle  shear past which the cloth wrinkles
show limit     shear past which a visible ply looks distorted

Masses, thickness and fractions: see ``drape.fabric.composition``. Lengths in mm, angles in
radians. ``fabric_from`` reads the surface form, in degrees.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal, get_args

from drape.errors import InputError
from drape.fabric.composition import (
    CARBON_DENSITY,
    COMPOSITION_LIMITS,
    DERIVABLE,
    RESIN_DENSITY,
    check_number,
    composition_from,
    mass_follows,
)

SHOW_LIMIT_DEG = 20.0  # low end of 20–25°, from memory
ROLL_WIDTH = 1250.0  # mm, from memory

Kind = Literal["woven", "unidirectional", "non-crimp"]
KINDS: tuple[Kind, ...] = get_args(Kind)

# As those of the composition, which are among them
LIMITS: Mapping[str, float] = MappingProxyType(
    {**COMPOSITION_LIMITS, "roll_width": 10000.0, "locking_angle": 90.0, "show_limit": 90.0}
)
REQUIRED = ("weave", "areal_mass", "locking_angle")


@dataclass(frozen=True)
class Fabric:
    """One cloth.

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
    kind : Kind
    fibre_density, resin_density : float
        g/cm³.
    resin_content : float or None
        By mass as supplied, 0 to 1; None: dry, or not known.

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
    kind: Kind = "woven"
    fibre_density: float = CARBON_DENSITY
    resin_density: float = RESIN_DENSITY
    resin_content: float | None = None

    def __post_init__(self) -> None:
        for key in ("areal_mass", "thickness", "roll_width"):
            check_number(self.name, key, getattr(self, key), LIMITS[key])
        for key in ("locking_angle", "show_limit"):
            check_number(self.name, key, math.degrees(getattr(self, key)), LIMITS[key])

    @property
    def fibre_fraction(self) -> float:
        """Fibre by volume of the cured ply, 0 to 1: what its thickness has room for."""
        return self.areal_mass / (1000.0 * self.fibre_density * self.thickness)

    @property
    def prepreg_areal_mass(self) -> float | None:
        """Fibre and resin as supplied, g/m²; None where the resin content isn't known."""
        return None if self.resin_content is None else self.areal_mass / (1.0 - self.resin_content)


def fabric_from(name: str, values: Mapping[str, Any]) -> Fabric:
    """Make a ``Fabric`` from its surface form (a table of the job file).

    Parameters
    ----------
    name : str
    values : mapping
        ``weave`` (of woven cloth), ``locking_angle`` (deg) and what the areal mass follows
        from (``composition_from``); optional ``show_limit`` (deg), ``roll_width`` (mm),
        ``source``, ``kind``.

    Raises
    ------
    InputError
        A required value is missing, a number is impossible, or values contradict each other.
    """
    missing = missing_from(values)
    if missing:
        raise InputError(f"fabric '{name}' has no {missing[0]}", remedy="add it")
    made = composition_from(name, values)
    locking = float(values["locking_angle"])
    kind = values.get("kind", "woven")
    return Fabric(
        name=name,
        weave=values.get("weave", kind),
        areal_mass=made.areal_mass,
        thickness=made.thickness,
        locking_angle=math.radians(locking),
        # cloth that locks before the usual show limit isn't distorted before it locks
        show_limit=math.radians(values.get("show_limit", min(SHOW_LIMIT_DEG, locking))),
        roll_width=float(values.get("roll_width", ROLL_WIDTH)),
        source=values.get("source", ""),
        kind=kind,
        fibre_density=made.fibre_density,
        resin_density=made.resin_density,
        resin_content=made.resin_content,
    )


def missing_from(values: Mapping[str, Any]) -> list[str]:
    """The keys of ``REQUIRED`` that a fabric's surface form lacks and nothing stands in for."""
    missing = [key for key in REQUIRED if key not in values]
    if values.get("kind", "woven") != "woven":  # the kind stands for it
        missing = [key for key in missing if key != "weave"]
    return [key for key in missing if key != "areal_mass" or not mass_follows(values)]


def started_from(values: Mapping[str, Any]) -> dict[str, Any]:
    """A fabric's surface form, completed from the built-in fabric it takes.

    If it gives thickness, fibre fraction or resin, none of these is taken from the built-in one:
    figures that depend on each other come from one source.

    Parameters
    ----------
    values : mapping
        ``take`` names a built-in fabric; without it ``values`` stand alone.
    """
    taken = dict(shipped()[values["take"]]) if "take" in values else {}
    if values.keys() & set(DERIVABLE):
        taken = {key: value for key, value in taken.items() if key not in DERIVABLE}
    return {**taken, **{key: value for key, value in values.items() if key != "take"}}


@cache
def shipped() -> Mapping[str, Mapping[str, Any]]:
    """The built-in fabrics, in surface form, by name. Editable defaults, from memory."""
    text = Path(__file__).with_name("fabrics.toml").read_text(encoding="utf-8")
    return MappingProxyType({k: MappingProxyType(v) for k, v in tomllib.loads(text).items()})
