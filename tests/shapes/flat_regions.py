"""Flat regions of several shapes as meshes with exact outlines, and ways to roll them up. mm."""

import numpy as np
import shapely

STEP = 2.0  # edge of a facet


def blocks(*boxes):
    """Union of boxes (x0, y0, x1, y1), multiples of STEP: (k, 2) vertices, faces, polygon."""
    polygon = shapely.union_all([shapely.box(*b) for b in boxes])
    x0, y0, x1, y1 = np.round(np.array(polygon.bounds) / STEP).astype(int)
    i, j = (a.ravel() for a in np.meshgrid(np.arange(x0, x1), np.arange(y0, y1), indexing="ij"))
    inside = shapely.contains_xy(polygon, (i + 0.5) * STEP, (j + 0.5) * STEP)
    i, j = i[inside], j[inside]
    square = np.stack([[i, j], [i + 1, j], [i + 1, j + 1], [i, j + 1]]).transpose(2, 0, 1)
    turned = ((i + j) % 2 == 1)[:, None, None]
    one = np.where(turned, square[:, [0, 1, 3]], square[:, [0, 1, 2]])
    two = np.where(turned, square[:, [1, 2, 3]], square[:, [0, 2, 3]])
    return *welded(np.concatenate([one, two]), STEP * np.eye(2)), polygon


def three_arms(half, length):
    """A Y: three arms 120° apart, ``half`` and ``length`` in facets of an even lattice."""
    lattice = STEP * np.array([[1.0, 0.0], [0.5, np.sqrt(0.75)]])
    n = np.arange(-2 * length, 2 * length)
    i, j = (a.ravel() for a in np.meshgrid(n, n, indexing="ij"))
    up = np.stack([[i, j], [i + 1, j], [i, j + 1]]).transpose(2, 0, 1)
    down = np.stack([[i + 1, j], [i + 1, j + 1], [i, j + 1]]).transpose(2, 0, 1)
    cells = np.concatenate([up, down])
    middle = cells.mean(axis=1)
    kept = np.zeros(len(cells), bool)
    for _ in range(3):
        kept |= (np.abs(middle[:, 1]) < half) & (middle[:, 0] > -half) & (middle[:, 0] < length)
        middle = np.stack([-middle.sum(axis=1), middle[:, 0]], 1)  # a turn by 120°
    vertices, faces = welded(cells[kept], lattice)
    return vertices, faces, shapely.union_all(shapely.polygons(vertices[faces])).simplify(1e-6)


def welded(cells, lattice):
    """(k, 2) places and (m, 3) faces of triangles (m, 3, 2) in whole numbers."""
    places, number = np.unique(cells.reshape(-1, 2), axis=0, return_inverse=True)
    return places @ lattice, number.reshape(-1, 3)


SHAPES = {
    "L": blocks((-10, -10, 50, 10), (-10, -10, 10, 40)),
    "T": blocks((-40, -10, 40, 10), (-10, -50, 10, 10)),
    "U": blocks((-40, -10, 40, 10), (-40, -10, -20, 50), (20, -10, 40, 50)),
    "Y": three_arms(5, 22),
}


def rolled(flat, radius, angle):
    """(k, 3) places of flat points (k, 2) on a cylinder whose axis lies at ``angle`` to x."""
    c, s = np.cos(angle), np.sin(angle)
    along, round_it = flat @ [c, s], flat @ [-s, c]
    across, up = radius * np.sin(round_it / radius), -radius * np.cos(round_it / radius)
    return np.stack([c * along - s * across, s * along + c * across, up], 1)


def folded_back(flat, gap):
    """(k, 3) places on two sheets ``gap`` apart, joined along x by a half round at y = 0.

    Below, y < 0, runs one sheet and past the half round's arc the other one, over it.
    """
    radius = 0.5 * gap
    turn = np.clip(flat[:, 1] / radius, 0.0, np.pi)
    back = np.maximum(flat[:, 1] - np.pi * radius, 0.0)
    y = np.minimum(flat[:, 1], 0.0) + radius * np.sin(turn) - back
    return np.stack([flat[:, 0], y, radius * (1.0 - np.cos(turn))], 1)
