"""Net: the pin-jointed grid of yarns on the surface, and the map between flat and surface.

Flat coordinates (u, v) in mm: origin at the start point, u along the warp, v along the
weft, right-handed seen from inside the hollow. Yarn length along the surface is kept, so
a node's flat coordinates are its yarns' arc lengths. Angles in radians: shear is
π/2 − warp/weft angle, positive where the angle between +u and +v closes.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import cKDTree

from drape.geometry.surface import Bools, Floats, Ints, Surface, readonly
from drape.geometry.walk import Patches
from drape.net.gauss_image import MOST_PARTS, PARTS, SIDE, curvature_moments
from drape.net.grid import KNOWN, LOCKED, Grid, make_grid
from drape.net.mapping import interpolate_field, locate, place
from drape.net.shear import mark_folds, shear_field

SHEETS_APART = 4.0  # cells: farther than the nodes round a place are from it


@dataclass(frozen=True, eq=False)
class Net:
    """Nodes of a draped net; made by ``solver.solve_net``.

    Attributes
    ----------
    surface : Surface
        What the net lies on: the mid-surface, extended past its edges.
    patches : Patches
        Its smooth patches.
    u, v : (p,), (q,) float, mm
    rows : (p, q, ROW) float
        Kernel rows: position 0:3, normal 3:6, derivatives, weights; see geometry.walk.
    faces : (p, q) int
    state : (p, q) int8, see cloth.cells
    origin : (int, int), grid place of the start point
    columns_grown : int
        Yarns that were laid by least shear, having no two known neighbours.
    on_facets : (p, q) bool
        Nodes found on flat facets, where the smooth patches gave no answer.
    sheets : (m,) int or None
        Of the surface's faces, where it lies on itself; see ``cloth.occupancy``.
    """

    surface: Surface
    patches: Patches
    u: Floats
    v: Floats
    rows: Floats
    faces: Ints
    state: Ints
    origin: tuple[int, int]
    columns_grown: int = 0
    on_facets: Bools | None = None
    sheets: Ints | None = None

    @property
    def points(self) -> Floats:
        """(p, q, 3) node positions, mm; meaningless where not ``known``."""
        return self.rows[:, :, :3]

    @cached_property
    def known(self) -> Bools:
        """(p, q) whether the node exists."""
        return readonly(self.state == KNOWN)

    @property
    def locked_nodes(self) -> int:
        """Nodes the geometry forbids: the cell would close to nothing."""
        return int(np.count_nonzero(self.state == LOCKED))

    @property
    def nodes_on_facets(self) -> int:
        """Nodes found on flat facets, where the smooth patches gave no answer."""
        return 0 if self.on_facets is None else int(np.count_nonzero(self.on_facets))

    @cached_property
    def shear(self) -> Floats:
        """(p−1, q−1) signed shear at cell centres, radians; NaN where incomplete."""
        out = np.empty((len(self.u) - 1, len(self.v) - 1))
        shear_field(self.patches, self._grid, out)
        return readonly(out)

    @property
    def _grid(self) -> Grid:
        facets = np.zeros(self.state.shape, np.bool_) if self.on_facets is None else self.on_facets
        return make_grid(self.u, self.v, self.rows, self.faces, self.state, facets)

    @cached_property
    def folds(self) -> Ints:
        """(p−1, q−1) 2 on cells that a crease crosses, 1 on those round them, else 0."""
        out = np.zeros((len(self.u) - 1, len(self.v) - 1), np.int8)
        if self.surface.crease.any():
            mark_folds(self.patches, self._grid, out)
        return readonly(out)

    def curvature_moments(self, wanted: Bools) -> Floats:
        """(3, p−1, q−1) ∬K, ∬K·s, ∬K·t over each ``wanted`` cell, radians; NaN elsewhere.

        K is the smooth surface's, (s, t) the place in the cell, 0 to 1 along warp and weft;
        wanted cells (p−1, q−1) have four known nodes.
        """
        out, rough = np.full((3, *wanted.shape), np.nan), np.zeros(wanted.shape, bool)
        wefts, warps = np.empty((2 * wanted.shape[1], SIDE, 3)), np.empty((4, SIDE, 3))
        scratch = (wefts, warps, out)
        curvature_moments(self.patches, self._grid, wanted, PARTS, *scratch, rough)
        if rough.any():
            curvature_moments(self.patches, self._grid, rough, MOST_PARTS, *scratch, rough.copy())
        return out

    @property
    def _map(self) -> tuple:
        return self.patches, self.rows, self.faces, self.state, self.u, self.v, self.folds

    @cached_property
    def centres(self) -> tuple[Floats, Floats]:
        """Flat coordinates of the cell centres, (p−1,) and (q−1,), mm."""
        return 0.5 * (self.u[1:] + self.u[:-1]), 0.5 * (self.v[1:] + self.v[:-1])

    @cached_property
    def _tree(self) -> tuple[cKDTree, Ints]:
        places = np.argwhere(self.known)
        return cKDTree(self._apart(self.points[self.known], self.faces[self.known])), places

    def _apart(self, points: Floats, faces: Ints) -> Floats:
        """Points (k, 3) on faces (k,), with a fourth coordinate that keeps sheets apart."""
        if self.sheets is None:
            return points
        far = SHEETS_APART * max(np.diff(self.u).max(), np.diff(self.v).max())
        return np.column_stack([points, far * self.sheets[faces]])

    def to_flat(self, points: Floats, normals: Floats, faces: Ints | None = None) -> Floats:
        """(k, 2) flat coordinates of (k, 3) surface points; NaN where the net isn't.

        ``normals`` (k, 3) keep a sheet that runs close by from answering; ``faces`` (k,) of
        the points distinguish sheets where the surface lies on itself, and are needed there.
        """
        points, normals = np.atleast_2d(points), np.atleast_2d(normals)
        out = np.full((len(points), 2), np.nan)
        good = np.isfinite(points).all(axis=1) & np.isfinite(normals).all(axis=1)
        if not good.any():
            return out
        tree, places = self._tree
        if self.sheets is not None and faces is None:
            raise ValueError("where a surface lies on itself, a place needs its face too")
        at = points[good] if faces is None else self._apart(points[good], np.asarray(faces)[good])
        near = tree.query(at, k=min(8, tree.n))[1].reshape(int(good.sum()), -1)
        found = out[good]
        locate(*self._map, points[good], normals[good], places[near], found)
        out[good] = found
        return out

    def to_surface(self, flat: Floats) -> Floats:
        """(k, 3) surface points of (k, 2) flat coordinates; NaN where the net isn't."""
        flat = np.atleast_2d(np.asarray(flat, float))
        out = np.full((len(flat), 3), np.nan)
        place(*self._map, flat, out)
        return out

    def shear_at(self, flat: Floats) -> Floats:
        """(k,) shear at (k, 2) flat coordinates, interpolated between cell centres."""
        flat = np.atleast_2d(np.asarray(flat, float))
        out = np.full(len(flat), np.nan)
        interpolate_field(*self.centres, self.shear, flat, out)
        return out
