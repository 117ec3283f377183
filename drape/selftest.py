"""A small net and what is read from it, held against stored numbers.

New machine code has to give these before it is used. The stored numbers were made by the
kernels run as Python (``PLYWRIGHT_KERNELS=python python -m drape.selftest`` writes them again),
so no compiler has had a hand in them.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from drape.compiling import machine
from drape.geometry.distance import MOST_WINDOWS, distance_from
from drape.geometry.noise import measure_noise
from drape.geometry.patches import make_patches, place_near, rows_at, shoot
from drape.geometry.surface import Floats, Ints, Surface, SurfacePoint, build
from drape.net.facets import folded_lengths
from drape.net.net import Net
from drape.net.solver import NetOptions, solve_net

STORED = Path(__file__).with_name("selftest.txt")
NEAR = 1e-9  # of mm and radians: mathematical libraries differ in their last bits


def numbers() -> Floats:
    """What is compared: nodes, shear, curvature, the map both ways, distances; on three sheets."""
    out: list[ArrayLike] = []
    sheets = (_bump(), (0.0, 0.0), 0.3), (_hook(), (-12.0, -12.0), 0.2), (_fold(), (-5.0, 0.0), 0.4)
    for surface, place, warp in sheets:
        middles = surface.vertices[surface.faces].mean(axis=1)
        start = SurfacePoint(int(np.argmin(np.hypot(*(middles[:, :2] - place).T))), 0.3, 0.4)
        way = np.array([np.cos(warp), np.sin(warp), 0.1])
        net = solve_net(surface, start, way, NetOptions(4.0))
        flat = np.stack(np.meshgrid([-6.2, -1.1, 3.7], [-5.3, 0.4, 2.9]), axis=-1).reshape(-1, 2)
        places = net.to_surface(flat)
        up = np.tile([0.0, 0.0, 1.0], (len(flat), 1))
        out += [net.points[net.known], net.shear, places, net.to_flat(places, up)]
        out += [net.shear_at(flat), _lengths(net)]
        if not surface.crease.any():  # on a crease rounding decides whose normal is taken
            out.append(net.curvature_moments(np.isfinite(net.shear)))
    out += [_notched(), *_shot(_bump()), [measure_noise(_rough()).sigma]]
    sheet = _bump()
    everything = np.ones(len(sheet.faces), bool)
    for most in (MOST_WINDOWS, 250):  # exact, and most of it marched
        distance = distance_from(sheet, everything, _border(sheet), 9.0, most)
        out.append(np.minimum(distance, 9.0))
    return np.concatenate([np.asarray(part, float).ravel() for part in out])


def check() -> None:
    """Raise RuntimeError where this process's kernels don't give the stored numbers."""
    wanted, found = np.loadtxt(STORED), numbers()
    if found.shape != wanted.shape:
        raise RuntimeError(f"the self-test gave {found.size} numbers instead of {wanted.size}")
    off = np.where(np.isnan(found) & np.isnan(wanted), 0.0, np.abs(found - wanted))
    if not off.max() <= NEAR:  # a lone NaN too
        raise RuntimeError(f"the self-test is off by {np.nanmax(off):g} (limit {NEAR:g})")


def _lengths(net: Net) -> Floats:
    """Lengths on facets along the net's yarns, where a crease is crossed."""
    i, j = np.nonzero(net.known[1:] & net.known[:-1])
    out = np.empty(len(i))
    folded_lengths(net.patches, net.faces[i, j], net.rows[i, j], net.rows[i + 1, j], out)
    return out


def _notched() -> Floats:
    """Nodes of a net where an arm lies past a margin on which no cloth may."""
    surface = _bump()
    middle = surface.vertices[surface.faces].mean(axis=1)
    notch = (np.abs(middle[:, 0] - 5.0) < 3.0) & (middle[:, 1] > -4.0)
    level = np.where(notch, 3, 0).astype(np.int64)
    face = int(np.argmin(np.hypot(middle[:, 0] + 8.0, middle[:, 1])))
    start, way = SurfacePoint(face, 0.3, 0.4), np.array([1.0, 0.2, 0.0])
    sheets = (middle[:, 0] > 12.0).astype(np.int8)
    net = solve_net(surface, start, way, NetOptions(4.0), level=level, sheets=sheets)
    return net.points[net.known]


def _shot(surface: Surface) -> list[Floats]:
    """Ends of geodesics, and places under points above the surface."""
    patches, faces = make_patches(surface), np.array([40, 90, 150, 200])
    weights = np.full((4, 2), 0.3)
    along = rows_at(patches, faces, weights)[:, 6:9]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    ends, rows, reached = shoot(
        patches, faces, weights, along, np.array([5.0, -3.0, 8.0, 2.0]), 1.0
    )
    above = rows[:, :3] + 0.4 * rows[:, 3:6] + [0.2, -0.1, 0.0]
    placed = place_near(patches, ends, rows[:, 12:14], above)[1]
    return [rows[:, :6], reached, placed[:, :6]]


def _sheet(nx: int, ny: int, width: float, depth: float) -> tuple[Floats, Ints]:
    """Vertices and faces of a flat grid round the origin."""
    x, y = np.linspace(-width, width, nx), np.linspace(-depth, depth, ny)
    points = np.stack([*np.meshgrid(x, y, indexing="ij"), np.zeros((nx, ny))], axis=-1)
    a = (np.arange(nx - 1)[:, None] * ny + np.arange(ny - 1)).ravel()
    faces = np.concatenate(
        [np.stack([a, a + ny, a + 1], 1), np.stack([a + ny, a + ny + 1, a + 1], 1)]
    )
    return points.reshape(-1, 3), faces


def _bump() -> Surface:
    points, faces = _sheet(13, 12, 18.0, 16.0)
    points[:, 2] = 4.0 * np.cos(points[:, 0] / 9.0) * np.cos(points[:, 1] / 11.0)
    return build(points, faces)


def _hook() -> Surface:
    """An L on a cylinder: one arm is reached by growing alone."""
    points, faces = _sheet(11, 11, 20.0, 20.0)
    middle = points[faces].mean(axis=1)
    faces = faces[(middle[:, 0] < -6.0) | (middle[:, 1] < -6.0)]
    used, faces = np.unique(faces, return_inverse=True)
    points = points[used]
    points[:, 2] = 40.0 - np.sqrt(1600.0 - points[:, 0] ** 2) + points[:, 1] ** 2 / 300.0
    return build(points, faces.reshape(-1, 3))


def _fold() -> Surface:
    points, faces = _sheet(5, 7, 14.0, 12.0)
    points[:, 2] = np.maximum(points[:, 0], 0.0) * 0.9
    return build(points, faces)


def _rough() -> Surface:
    points, faces = _sheet(14, 14, 13.0, 13.0)
    points[:, 2] = 0.05 * np.sin(977.0 * np.arange(len(points)))
    return build(points, faces)


def _border(surface: Surface) -> Ints:
    face, side = np.nonzero(surface.neighbours < 0)
    return np.stack([surface.faces[face, side], surface.faces[face, (side + 1) % 3]], axis=1)


def main() -> int:
    """Write the stored numbers again."""
    if not machine.uncompiled():
        sys.stderr.write(f"set {machine.MODE}=python: no compiler may have a hand in it\n")
        return 2
    np.savetxt(STORED, numbers(), fmt="%.12g")
    return 0


if __name__ == "__main__":
    sys.exit(main())
