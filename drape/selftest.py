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

from drape.cloth.solver import NetOptions, solve_net
from drape.compiling import machine
from drape.geometry.distance import distance_from
from drape.geometry.smoothing import measure_noise
from drape.geometry.surface import Floats, Ints, Surface, SurfacePoint, build

STORED = Path(__file__).with_name("selftest.txt")
NEAR = 1e-9  # of mm and radians: mathematical libraries differ in their last bits


def numbers() -> Floats:
    """What is compared: nodes, shear, the map both ways and distances on three sheets."""
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
    sheet = _bump()
    everything = np.ones(len(sheet.faces), bool)
    distance = distance_from(sheet, everything, _border(sheet), 9.0)
    out += [np.minimum(distance, 9.0), [measure_noise(_rough()).sigma]]
    return np.concatenate([np.asarray(part, float).ravel() for part in out])


def check() -> None:
    """Raise RuntimeError where this process's kernels don't give the stored numbers."""
    wanted, found = np.loadtxt(STORED), numbers()
    if found.shape != wanted.shape:
        raise RuntimeError(f"the self-test gave {found.size} numbers instead of {wanted.size}")
    if not np.allclose(found, wanted, rtol=0.0, atol=NEAR, equal_nan=True):
        off = float(np.nanmax(np.abs(found - wanted)))
        raise RuntimeError(f"the self-test is off by {off:g} (limit {NEAR:g})")


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
