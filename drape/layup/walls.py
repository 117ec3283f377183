"""The other half's wall at stations of a run, cut out of its cavity's triangles. Lengths in mm."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import InputError
from drape.geometry.section import plane_section
from drape.geometry.surface import Floats, Ints
from drape.layup.closing import in_station_plane
from drape.mould.parting import tangents

NEAR = 0.5  # mm from the station to the wall's end: what the halves of a scan may gape


def walls_along(
    vertices: Floats, faces: Ints, run: ArrayLike, closing: ArrayLike, *, closed: bool = False
) -> list[Floats | None]:
    """For each station the wall (k, 2) from the edge inward, in (inward, height).

    Each is cut by the plane through the station that holds the closing direction, square to
    the run. None where the wall's end isn't found there (the last stations at a mouth that
    leans).

    Parameters
    ----------
    vertices (n, 3), faces (m, 3) : the other half's cavity
    run : (j, 3), stations on the parting line
    closing : (3,), into the other half

    Raises
    ------
    InputError
        The run goes along the closing direction somewhere.
    """
    stations, up = np.asarray(run, float), np.asarray(closing, float) / np.linalg.norm(closing)
    inward = np.cross(up, tangents(stations, closed))
    if np.linalg.norm(inward, axis=1).min() < 1e-6:
        raise InputError("the parting line runs along the closing direction")
    return [_wall(vertices, faces, at, n, up) for at, n in zip(stations, inward, strict=True)]


def _wall(vertices: Floats, faces: Ints, at: Floats, inward: Floats, up: Floats) -> Floats | None:
    ends = []
    for chain, ring in plane_section(vertices, faces, at, np.cross(inward, up)):
        if not ring and len(chain) > 1:
            ends += [chain, chain[::-1]]
    if not ends:
        return None
    wall = min(ends, key=lambda chain: float(np.linalg.norm(chain[0] - at)))
    if np.linalg.norm(wall[0] - at) > NEAR:
        return None
    flat = in_station_plane(wall, at, inward, up)
    return flat * [np.sign(flat[:, 0].mean()) or 1.0, 1.0]
