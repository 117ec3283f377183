"""What draping makes of the cloth: thickness, areal mass, and fibre directions on mesh faces.

At constant fibre volume fraction (prepreg that doesn't bleed) cloth sheared by γ covers cos γ
of its area: thickness t₀/cos γ and areal mass m₀/cos γ (conservation of the fibres' volume).
Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry as Geometry

from drape.geometry.patches import make_patches, rows_at
from drape.geometry.surface import Floats, Ints, Surface, readonly, unit
from drape.net.net import Net

STEP = 0.02  # mm, of the differences that give directions


@dataclass(frozen=True, eq=False)
class DrapedFaces:
    """The cloth at the middles of mesh faces, of those that it covers.

    Attributes
    ----------
    faces : (k,) int
    normals : (k, 3) of the smooth surface, into the hollow
    warp, weft : (k, 3) unit, tangent to the smooth surface
    shear : (k,) radians, signed
    """

    faces: Ints
    normals: Floats
    warp: Floats
    weft: Floats
    shear: Floats


def thickening(shear: Floats) -> Floats:
    """1/cos γ, how many times as thick and as heavy per area sheared cloth is."""
    return 1.0 / np.cos(shear)


def draped_faces(net: Net, surface: Surface, faces: Ints, within: Geometry) -> DrapedFaces:
    """Fibre directions and shear at the middles of faces under a flat polygon.

    Parameters
    ----------
    net : Net
    surface : the ply's mid-surface, which the net lies on
    faces : (n,) int, of the surface
    within : flat polygon, mm
        Faces whose middle lies outside it, or out of the net's reach, are left out.
    """
    faces = np.asarray(faces, dtype=np.int64)
    rows = rows_at(make_patches(surface), faces, np.full((len(faces), 2), 1.0 / 3.0))
    flat = net.to_flat(rows[:, :3], rows[:, 3:6], faces)
    there = np.flatnonzero(np.isfinite(flat).all(axis=1))
    there = there[shapely.contains_xy(within, flat[there])]
    flat, normals, faces = flat[there], rows[there, 3:6], faces[there]
    warp = directions(net, flat, normals, np.array([1.0, 0.0]))
    weft = directions(net, flat, normals, np.array([0.0, 1.0]))
    shear = net.shear_at(flat)
    known = np.isfinite(np.column_stack([warp, weft, shear])).all(axis=1)
    parts = (faces, normals, warp, weft, shear)
    return DrapedFaces(*(readonly(part[known]) for part in parts))


def directions(net: Net, flat: Floats, normals: Floats, way: Floats) -> Floats:
    """(k, 3) unit directions on the surface of a flat direction ``way`` (2,) at flat places."""
    ahead, back = (net.to_surface(flat + sign * STEP * way) for sign in (1.0, -1.0))
    along = ahead - back
    return unit(along - np.einsum("ki,ki->k", along, normals)[:, None] * normals)


def turned_from(zero: Floats, directions: Floats, normals: Floats) -> Floats:
    """(k,) radians from ``zero`` (k, 3), laid on the surface, to ``directions`` (k, 3).

    Counter-clockwise seen from inside the hollow; NaN where ``zero`` is square to the surface.
    """
    flat = zero - np.einsum("ki,ki->k", zero, normals)[:, None] * normals
    side = np.einsum("ki,ki->k", np.cross(normals, flat), directions)
    ahead = np.einsum("ki,ki->k", flat, directions)
    size = np.linalg.norm(flat, axis=1)
    return np.where(size > 1e-6, np.arctan2(side, ahead), np.nan)
