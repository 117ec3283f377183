"""A surface's faces as a graph, with the turns across their edges; slivers borrow their normals.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.geometry.surface import Bools, Floats, Ints, Surface
from drape.mould.repair import heights

SLIVER = 1e-5  # of the size: facets lower than this have no reliable normal
NO_NORMAL = 1e-6  # of the size: lower than this no neighbour makes it good
LOW = 0.05  # of a neighbour's height over the same edge: those of a fine mesh aren't slivers


def find_slivers(surface: Surface) -> Bools:
    """(m,) faces too low to have a normal of their own: in themselves, and beside what is next.

    In a fine mesh, or round tiny details of a large part, all faces are low, and none is a sliver.
    """
    height = heights(surface.vertices, surface.faces)[0]
    corners = surface.vertices[surface.faces]
    length = np.linalg.norm(np.roll(corners, -1, axis=1) - corners, axis=2)
    # slivers come in pairs along a diagonal: the highest of what is over the long edges counts
    over = 2.0 * surface.face_areas[surface.neighbours] / np.maximum(length, 1e-300)
    long = (surface.neighbours >= 0) & (length > 0.5 * length.max(axis=1, keepdims=True))
    beside = np.where(long, over, 0.0).max(axis=1)
    low = (height < SLIVER * surface.size) & (height < LOW * beside)
    return low | (height < NO_NORMAL * surface.size)


@dataclass(frozen=True, eq=False)
class FaceGraph:
    """Faces and the edges between them, both ways.

    Attributes
    ----------
    f, g : (e,) faces that share an edge; ``length`` (e,) of it, mm
    turn : (e,) of the normals across it, positive where convex
    normals : (m, 3) unit; slivers have that of a neighbour across their longest edges
    sliver : (m,) whether a face is too low to have a normal of its own
    """

    surface: Surface
    f: Ints
    g: Ints
    length: Floats
    turn: Floats
    normals: Floats
    sliver: Bools

    @property
    def closed(self) -> bool:
        """Whether the mesh has no border."""
        return bool((self.surface.neighbours >= 0).all())

    def groups(self, joined: Bools) -> Ints:
        """(m,) number of the part that each face is in; ``joined`` (e,) edges join."""
        ends, m = (self.f[joined], self.g[joined]), len(self.normals)
        graph = sparse.coo_matrix((np.ones(len(ends[0]), np.int8), ends), (m, m))
        return connected_components(graph, directed=False)[1].astype(np.int64)


def face_graph(surface: Surface) -> FaceGraph:
    """The graph of a surface's faces."""
    sliver = find_slivers(surface)
    corners = surface.vertices[surface.faces]
    edges = np.roll(corners, -1, axis=1) - corners
    lengths = np.linalg.norm(edges, axis=2)
    normals = _borrowed(surface, sliver, lengths)
    f, k = np.nonzero(surface.neighbours >= 0)
    g = surface.neighbours[f, k]
    here, there = normals[f], normals[g]
    across = np.cross(here, there)
    angle = np.arctan2(np.linalg.norm(across, axis=1), np.einsum("ei,ei->e", here, there))
    convex = np.einsum("ei,ei->e", across, edges[f, k]) > 0.0
    turn = np.where(convex, angle, -angle)
    return FaceGraph(surface, f, g, lengths[f, k], turn, normals, sliver)


def _borrowed(surface: Surface, sliver: Bools, lengths: Floats) -> Floats:
    """Normals of the faces; slivers' are those across their longest edge to one that has one."""
    normals, todo = np.array(surface.face_normals), sliver.copy()
    for _ in range(20):
        faces = np.flatnonzero(todo)
        across = surface.neighbours[faces]
        share = np.where((across >= 0) & ~todo[across], lengths[faces], 0.0)
        can, best = share.max(axis=1, initial=0.0) > 0.0, share.argmax(axis=1)
        if not can.any():
            break
        normals[faces[can]] = normals[across[can, best[can]]]
        todo[faces[can]] = False
    return normals
