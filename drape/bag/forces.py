"""Forces of a pressurised bag in a clamped mould. Lengths in mm, pressure in bar, forces in N.

The pressure on a surface with a rim gives a force that depends on the rim alone:
p ∫ n dA = p × ½ ∮ r × dr (the divergence theorem). Undercuts change nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import InputError
from drape.geometry.surface import Floats, Ints, face_vectors

BAR = 0.1  # N/mm²
CAUTION = (
    "A pressurised bag pushes the mould open with pressure × projected area (500 × 50 mm at "
    "5 bar: 12.5 kN) and its ends out with pressure × mouth area. Clamps, plugs and mould are "
    "for a qualified person."
)


@dataclass(frozen=True)
class BagForces:
    """What clamps and plugs must hold.

    Attributes
    ----------
    pressure_bar : float
        Above the surroundings.
    projected_area_mm2, opening_force_n : float
        Of the cavity seen along the closing direction; what pushes the halves apart.
    mouth_areas_mm2, end_thrusts_n : dict of mouth to float
    caution : str
    """

    pressure_bar: float
    projected_area_mm2: float
    opening_force_n: float
    mouth_areas_mm2: dict[str, float]
    end_thrusts_n: dict[str, float]
    caution: str = CAUTION


def projected_area(vertices: Floats, faces: Ints, closing: ArrayLike) -> float:
    """Area of a cavity's shadow along the closing direction, mm²: |∫ n·c dA|."""
    along = np.asarray(closing, float) / np.linalg.norm(closing)
    return float(abs(face_vectors(vertices, faces).sum(axis=0) @ along))


def loop_area(loop: ArrayLike) -> float:
    """Area that a closed chain (k, 3) frames, mm²; of a chain that isn't plane, its largest
    shadow. The first point isn't repeated.
    """
    r = np.asarray(loop, dtype=float)
    r = r - r.mean(axis=0)
    return float(np.linalg.norm(0.5 * np.cross(r, np.roll(r, -1, axis=0)).sum(axis=0)))


def bag_forces(pressure: float, area: float, mouths: dict[str, float]) -> BagForces:
    """Opening force and end thrusts.

    Parameters
    ----------
    pressure : bar above the surroundings
    area : mm², ``projected_area`` of one half's cavity
    mouths : mm² by mouth, ``loop_area``

    Raises
    ------
    InputError
        A pressure that isn't positive.
    """
    if not 0.0 < pressure < np.inf:
        raise InputError("the bag's pressure must be positive", value=f"{pressure} bar")
    thrusts = {name: pressure * BAR * size for name, size in mouths.items()}
    return BagForces(pressure, area, pressure * BAR * area, dict(mouths), thrusts)
