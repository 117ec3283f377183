"""Moulds in random positions, and comparison of found edges with exact curves."""

from itertools import pairwise

import numpy as np
from exact.split_tubes import HALVES
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from drape.geometry.surface import build
from drape.mould.mould import find_mould


class Placed:
    """A tube's mould in a random rotation, found from its meshes."""

    def __init__(self, tube, form, seed, halves=HALVES, *, along=220, around=80, keep=None):
        random = np.random.default_rng(seed)
        self.tube = tube
        self.turn = Rotation.random(rng=random).as_matrix()
        self.shift = random.uniform(-300, 300, 3)
        self.surfaces = {}
        for half in halves:
            mesh = tube.mesh(half, form, along=along, around=around, seed=seed)
            faces = mesh.faces if keep is None else mesh.faces[keep(mesh)]
            self.surfaces[half] = build(self.place(mesh.vertices), faces)
        self.mould = find_mould(self.surfaces)

    def place(self, points):
        return points @ self.turn.T + self.shift

    @property
    def up(self):
        return self.turn[:, 2]

    def edge_points(self, half, name):
        region = self.mould.halves[half].region
        edge = region.edge(name)
        chain = np.append(edge.vertices, edge.vertices[:1]) if edge.closed else edge.vertices
        return region.surface.vertices[chain]

    def exact_run(self, side):
        return self.place(self.tube.run(side))

    def exact_mouth(self, half, end):
        return self.place(self.tube.mouth(half, end))

    def expected_ends(self):
        """Ends of the centreline in the order of the mouths' names.

        By the exact cavity's longest principal axis, from points spread evenly by area.
        """
        v, t = np.linspace(*self.tube.range, 400), np.linspace(0, 1, 101)
        points, weights = [], []
        for half in self.mould.halves:
            grid = self.place(self.tube.cavity_point(half, v[:, None], t[None]))
            a, b = grid[1:, :-1] - grid[:-1, :-1], grid[:-1, 1:] - grid[:-1, :-1]
            points.append(grid[:-1, :-1].reshape(-1, 3))
            weights.append(np.linalg.norm(np.cross(a, b), axis=-1).ravel())
        points, weights = np.vstack(points), np.concatenate(weights)
        spread = points - weights @ points / weights.sum()
        axis = np.linalg.eigh((spread * weights[:, None]).T @ spread)[1][:, -1]
        axis *= np.sign(axis[np.abs(axis).argmax()])
        ends = [e for e in (0, 1) if not self.tube.caps[e]]
        centre = {e: self.place(self.tube.run("left")[[0, -1]][e]) @ axis for e in ends}
        return sorted(ends, key=centre.get), axis

    def expected_sides(self):
        """Sides of the tube in the order of the runs' numbers: along closing × axis."""
        _, axis = self.expected_ends()
        closing = self.up if "lower" in self.mould.halves else -self.up
        across = np.cross(closing, axis)
        place = {s: self.exact_run(s).mean(axis=0) @ across for s in ("left", "right")}
        return sorted(place, key=place.get)


def densified(line, step=0.02):
    """Points along a polyline, at most ``step`` mm apart."""
    parts = []
    for a, b in pairwise(line):
        n = max(2, int(np.ceil(np.linalg.norm(b - a) / step)) + 1)
        parts.append(np.linspace(a, b, n))
    return np.vstack(parts)


def distance_both_ways(a, b):
    """Largest distance between two polylines, mm: k-d trees of dense points."""
    a, b = densified(a), densified(b)
    return max(cKDTree(a).query(b)[0].max(), cKDTree(b).query(a)[0].max())
