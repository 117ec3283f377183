"""The other half's wall at stations of a run, cut out of its cavity's triangles. Lengths in mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drape.geometry.plane_section import plane_section
from drape.geometry.surface import Floats, Ints, readonly, unit
from drape.joint.tuck_plane import in_station_plane

NEAR = 0.5  # mm from the station to the wall's end: what the halves of a scan may gape
SAME_POINT = 1e-4  # mm
LEAST_INWARD = 1e-6  # sine of the angle between run and closing direction


@dataclass(frozen=True, eq=False)
class Wall:
    """A wall in its station's plane.

    Attributes
    ----------
    origin : (3,), mm, the wall's edge
    inward, up : (3,), unit
        ``up`` points into the half whose wall it is.
    line : (k, 2), mm
        From the edge on, (inward, height).
    """

    origin: Floats
    inward: Floats
    up: Floats
    line: Floats

    def in_space(self, flat: Floats) -> Floats:
        """(..., 3) places of (..., 2) coordinates in the plane."""
        return self.origin + flat[..., :1] * self.inward + flat[..., 1:] * self.up


def wall_at(
    vertices: Floats, faces: Ints, at: Floats, along: Floats, closing: Floats
) -> Wall | None:
    """The wall at one station, its edge taken for the origin.

    None where its end isn't found there, or the run goes along the closing direction.

    Parameters
    ----------
    at, along : (3,)
        The station, and the run's direction there.
    """
    up = unit(np.asarray(closing, float))
    inward = np.cross(up, along)
    if np.linalg.norm(inward) < LEAST_INWARD * np.linalg.norm(along):
        return None
    found = _wall(vertices, faces, at, inward, up)
    if found is None:
        return None
    line, across = found
    origin = at + line[0, 0] * across + line[0, 1] * up
    return Wall(readonly(origin), readonly(across), readonly(up), readonly(line - line[0]))


def _wall(
    vertices: Floats, faces: Ints, at: Floats, inward: Floats, up: Floats
) -> tuple[Floats, Floats] | None:
    """The wall, and the unit vector towards it; ``inward`` may point the other way."""
    ends = []
    for chain, ring in plane_section(vertices, faces, at, np.cross(inward, up)):
        if not ring and len(chain) > 1:
            ends += [chain, chain[::-1]]
    if not ends:
        return None
    wall = min(ends, key=lambda chain: float(np.linalg.norm(chain[0] - at)))
    if np.linalg.norm(wall[0] - at) > NEAR:
        return None
    # a plane that cuts triangles beside a vertex leaves points that are nearly the same
    wall = wall[np.append(True, np.linalg.norm(np.diff(wall, axis=0), axis=1) > SAME_POINT)]
    if len(wall) < 2:
        return None
    flat = in_station_plane(wall, at, inward, up)
    sign = np.sign(flat[:, 0].mean()) or 1.0
    return flat * [sign, 1.0], sign * unit(inward)
