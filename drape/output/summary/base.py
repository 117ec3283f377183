"""What all records of summary.json are made of: base class, numbers, points."""

from __future__ import annotations

from typing import Annotated

import numpy as np
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, FiniteFloat


def _rounded(value: float) -> float:
    return round(value, 3) + 0.0  # + 0.0: no negative zero


Coordinate = Annotated[FiniteFloat, AfterValidator(_rounded)]
Point2 = tuple[Coordinate, Coordinate]
Point3 = tuple[Coordinate, Coordinate, Coordinate]
Vector3 = tuple[FiniteFloat, FiniteFloat, FiniteFloat]
Amount = Annotated[FiniteFloat, Field(ge=0)]


class Model(BaseModel):
    """Base: frozen, no keys but its own."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def degrees(value: float | None) -> float | None:
    """Degrees to six places; None for None and NaN."""
    return None if value is None or np.isnan(value) else round(float(np.degrees(value)), 6)


def number(value: float | None, digits: int = 3) -> float | None:
    """A rounded number; None for None and NaN."""
    return None if value is None or np.isnan(value) else round(float(value), digits)
