"""Flange and cavity of a half without creases between them: the cavity begins where the
surface falls away from the level flange.

For shallow panels, rounded rims and irregular meshes, where the edge of a cavity turns too
little, or over too many facets, to be a crease. All of it is per face, for one closing direction.

Words
-----
land     connected faces that are level (square to the closing direction) and fall away at
         their border: flange
piece    other faces, joined across concave edges and convex turns below JOINED
hollow   a piece that shows area along the closing direction, whose rim stands above its
         middle, and that rises from no land (a ramp does): where a cavity is certain
outside  the bottom of a block, and what meets it

What is none of these is shared out: each face goes to where it gets over the smallest largest
turn (a minimum spanning forest, as in watersheds; common knowledge). A ramp so goes to the land
at its foot, a rounded rim to the cavity.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components, minimum_spanning_tree

from drape.geometry.surface import Bools, Floats, Ints, Surface
from drape.mould.crease_patches import DEPTH, OPENING, Parts
from drape.mould.face_graph import FaceGraph, face_graph

LEVEL = np.radians(0.5)  # a face turned by less is level, on a mesh without noise
NOISY = np.radians(8.0)  # the most that noise may add to that
NEAR = np.radians(12.0)  # faces turned by less show how noisy the level ones are
JOINED = np.radians(12.0)
OVER_BORDER = np.radians(60.0)  # counts more across the border of a land
ABOUT_LEVEL = np.radians(2.0)  # most of a land's faces are that level, noise or not
LEAST_LEVEL = 0.02  # of the area that is: less has no flange in it
ON_LAND = 0.2  # of an open sheet's border that lies on its flange, at least
FALLING = 0.2  # of a land's rim: how much more must fall away than rise; a step in a floor has 0
LEAST = 1e-3  # of the area: a smaller land or hollow is none
BACK = -0.7  # share of its area that a block's bottom shows along the closing direction
FOOT = 0.02  # of the root of a piece's area: one that rises from a land along more is a ramp
SAME_HEIGHT = 1e-6  # of the size
FLANGE, CAVITY, OUTSIDE = 1, 2, 3


class LevelLands:
    """A surface, asked for its flange and cavity along one direction after the other."""

    def __init__(self, surface: Surface) -> None:
        self.surface = surface

    @cached_property
    def graph(self) -> FaceGraph:
        """Made only if a direction needs it."""
        return face_graph(self.surface)

    def classify(self, closing: Floats, side: int) -> Parts | None:
        """Flange and cavity for a closing direction; None if there are none.

        Parameters
        ----------
        closing : (3,) unit vector from this half into the other
        side : +1 or −1, multiplies the normals
        """
        if not _may_have_flange(self.surface, closing, side):
            return None
        return _classified(self.graph, closing, side)


def _classified(graph: FaceGraph, closing: Floats, side: int) -> Parts | None:
    surface, area = graph.surface, graph.surface.face_areas
    facing = side * (graph.normals @ closing)
    slivers = graph.sliver[graph.f] | graph.sliver[graph.g]
    turn = np.where(slivers, np.abs(graph.turn), side * graph.turn)
    height = (surface.vertices @ closing)[surface.faces]
    noise = _noise(graph, facing, turn)
    tolerance = float(np.cos(min(LEVEL + 3.0 * noise, NOISY)))
    flat = np.ptp(height, axis=1) < SAME_HEIGHT * surface.size
    level = (facing > tolerance) & (~graph.sliver | flat)
    flange = _lands(graph, level, height.mean(axis=1))
    if not flange.any():
        return None
    seed = _hollows(graph, flange, facing, turn, height)
    if not (seed == CAVITY).any():
        return None
    rises = _rises(graph, flange, facing, height.mean(axis=1))
    leaves = (flange[graph.f] ^ flange[graph.g]) & ~(rises[graph.f] | rises[graph.g])
    border = leaves & (noise < LEVEL)
    label = _shared_out(graph, np.maximum(turn, 0.0) + OVER_BORDER * border, seed)
    label[graph.sliver & flat & (seed == 0)] = FLANGE
    part = graph.groups(label[graph.f] == label[graph.g])
    seen = np.bincount(part, area * facing * (label == CAVITY))
    others = int((np.bincount(part[seed == CAVITY], minlength=len(seen)) > 0).sum()) - 1
    square = area[flange] @ (facing[flange] - tolerance) / (1.0 - tolerance)
    cavity = part == seen.argmax()
    return Parts(cavity, label == FLANGE, side, float(seen.max()), float(square), others)


def _may_have_flange(surface: Surface, closing: Floats, side: int) -> bool:
    """Whether enough is level, at an open sheet's border too: what can be said at once."""
    about = side * (surface.face_normals @ closing) > np.cos(ABOUT_LEVEL)
    area = surface.face_areas
    if area[about].sum() < LEAST_LEVEL * area.sum():
        return False
    face, k = np.nonzero(surface.neighbours < 0)
    ends = surface.vertices[surface.faces[face, (k + 1) % 3]]
    length = np.linalg.norm(ends - surface.vertices[surface.faces[face, k]], axis=1)
    return bool(length[about[face]].sum() >= ON_LAND * length.sum())


def _rises(graph: FaceGraph, flange: Bools, facing: Floats, middle: Floats) -> Bools:
    """(m,) faces of ramps that rise from a land beside them; ``middle`` (m,): heights.

    Among facets of any shape single ones rise a little, or turn the other way: a ramp is one
    that is tilted for good.
    """
    f, g = graph.f, graph.g
    up = flange[f] & ~flange[g] & (middle[g] > middle[f]) & (facing[g] < np.cos(ABOUT_LEVEL))
    out = np.zeros(len(flange), dtype=bool)
    out[g[up]] = True
    return out


def _noise(graph: FaceGraph, facing: Floats, turn: Floats) -> float:
    """Mean turn to and fro within what is about level: a smooth surface turns one way."""
    near = (facing > np.cos(NEAR)) * graph.surface.face_areas
    both = (near[graph.f] > 0.0) & (near[graph.g] > 0.0)
    out, fro = np.zeros(len(facing)), np.zeros(len(facing))
    np.maximum.at(out, graph.f[both], turn[both])
    np.maximum.at(fro, graph.f[both], -turn[both])
    return float(np.minimum(out, fro) @ near / max(near.sum(), 1e-300))


def _lands(graph: FaceGraph, level: Bools, middle: Floats) -> Bools:
    """(m,) faces of lands: level ones whose surroundings fall away. ``middle`` (m,): heights."""
    f, g = graph.f, graph.g
    land = graph.groups(level[f] & level[g])
    area = np.bincount(land, graph.surface.face_areas)
    rim = level[f] & ~level[g]
    falls = np.bincount(
        land[f[rim]], graph.length[rim] * np.sign(middle[f[rim]] - middle[g[rim]]), len(area)
    )
    whole = np.bincount(land[f[rim]], graph.length[rim], len(area))
    flange = (falls > FALLING * whole) & (whole > 0.0) & (area > LEAST * area.sum())
    return level & flange[land]


def _hollows(graph: FaceGraph, flange: Bools, facing: Floats, turn: Floats, height: Floats) -> Ints:
    """(m,) FLANGE, CAVITY in hollows, OUTSIDE of a block, 0 elsewhere; ``height`` (m, 3)."""
    f, g, area = graph.f, graph.g, graph.surface.face_areas
    inside = ~flange[f] & ~flange[g]
    piece = graph.groups(inside & (turn < JOINED))
    total = np.maximum(np.bincount(piece, area), 1e-300)
    count = len(total)
    shown = np.bincount(piece, area * facing, count) / total
    back = (shown < BACK) & graph.closed
    outside = back | (np.bincount(piece[g], inside & back[piece[f]], count) > 0)
    rises = _rises(graph, flange, facing, height.mean(axis=1))
    foot = flange[f] & rises[g]
    ramp = np.bincount(piece[g[foot]], graph.length[foot], count) > FOOT * np.sqrt(total)
    hollow = (shown > OPENING) & ~outside & ~ramp & (total > LEAST * area.sum())
    hollow &= _opens(graph, piece, total, height)
    return np.where(flange, FLANGE, np.where(hollow[piece], CAVITY, OUTSIDE * outside[piece]))


def _opens(graph: FaceGraph, piece: Ints, total: Floats, height: Floats) -> Bools:
    """(p,) whether a piece's rim stands higher than its middle."""
    surface, count = graph.surface, len(total)
    beyond = np.where(surface.neighbours >= 0, piece[surface.neighbours], -1)
    face, k = np.nonzero(beyond != piece[:, None])
    ends = surface.vertices[surface.faces[face, (k + 1) % 3]]
    length = np.linalg.norm(ends - surface.vertices[surface.faces[face, k]], axis=1)
    rim = 0.5 * (height[face, k] + height[face, (k + 1) % 3])
    whole = np.maximum(np.bincount(piece[face], length, count), 1e-300)
    top = np.bincount(piece[face], rim * length, count) / whole
    most, least = np.full(count, -np.inf), np.full(count, np.inf)
    np.maximum.at(most, piece, height.max(axis=1))
    np.minimum.at(least, piece, height.min(axis=1))
    middle = np.bincount(piece, height.mean(axis=1) * surface.face_areas, count) / total
    return np.asarray(top - middle > DEPTH * (most - least))


def _shared_out(graph: FaceGraph, weight: Floats, seed: Ints) -> Ints:
    """(m,) labels: each face gets that of the seed it reaches over the smallest largest weight."""
    m, seeds = len(seed), np.flatnonzero(seed)
    use = (graph.f < graph.g) & ((seed[graph.f] == 0) | (seed[graph.g] == 0))
    # node m is joined to all seeds by edges lighter than any other
    tail = np.append(graph.f[use], np.full(len(seeds), m))
    values = np.append(weight[use] + 1e-6, np.full(len(seeds), 1e-9))
    ends = (tail, np.append(graph.g[use], seeds))
    tree = minimum_spanning_tree(sparse.coo_matrix((values, ends), (m + 1, m + 1))).tocoo()
    kept = (tree.row < m) & (tree.col < m)
    forest = sparse.coo_matrix((tree.data[kept], (tree.row[kept], tree.col[kept])), (m, m))
    group = connected_components(forest, directed=False)[1]
    name = np.zeros(group.max() + 1, np.int64)
    name[group[seeds]] = seed[seeds]
    return name[group]
