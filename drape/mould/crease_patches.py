"""Patches of a half's mesh between its creases, and which of them are flange and cavity.

Words
-----
patch     faces joined without crossing a crease
turn      angle of the surface across a crease, positive where it is convex seen from the
          side of the normals (radians, mean along the shared crease)
land      patches that all look along the closing direction, joined across mild creases:
          the flange with its ramps, or a floor
side      +1, or −1 where an open sheet's normals have to be turned over

Nothing here asks what the outside of a block looks like: the flange is a land with
everything hanging from it, the cavity is what hangs from the flange and looks along the
closing direction, and outer walls hang from it too but look sideways.
"""

from __future__ import annotations

from dataclasses import dataclass

import networkx
import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.geometry.surface import CREASE_ANGLE, Bools, Floats, Ints, Surface
from drape.mould.face_graph import face_graph

SPECK = 2e-5  # of the area: smaller patches are given to a neighbour
SPECK_PASSES = 10
UP_SHARE = 0.95  # of a patch's area that must look along the closing direction in a land
OPENING = 0.15  # least share of its area that a cavity shows along the closing direction
LEVEL = np.cos(np.radians(0.3))
DEPTH = 0.15  # of its height: how far a cavity's rim must stand above its middle
RISING = 0.25  # most length that may rise from a flange, as a share of what hangs from it


@dataclass(frozen=True)
class Strictness:
    """Least n·closing of a land's faces, and the largest turn across which patches join."""

    up: float
    join: float


STRICTNESS = (
    Strictness(0.3, np.radians(72.0)),  # steep ramps
    Strictness(0.5, np.radians(60.0)),
    Strictness(0.9, np.radians(40.0)),  # strongly drafted walls, level flange
)


@dataclass(frozen=True, eq=False)
class Patches:
    """A surface cut along its creases.

    Attributes
    ----------
    label : (m,) patch of each face
    pairs : (q, 2) patches that share a crease; ``turns`` (q,) radians, ``lengths`` (q,) mm
    closed : bool, whether the mesh has no border
    """

    surface: Surface
    label: Ints
    count: int
    pairs: Ints
    turns: Floats
    lengths: Floats
    closed: bool


@dataclass(frozen=True, eq=False)
class Parts:
    """Which faces are the cavity's and the flange's, and with the normals on which side.

    ``score``: area of the cavity seen along the closing direction, mm²; ``level``: area of
    the flange that is square to it, mm².
    """

    cavity: Bools
    flange: Bools
    side: int
    score: float
    level: float
    others: int = 0  # further cavities that were left out


def find_patches(surface: Surface) -> Patches:
    """Cut a surface along its creases; slivers count as turned like the face they belong to."""
    graph = face_graph(surface)
    f, k = np.nonzero(surface.neighbours >= 0)
    g = surface.neighbours[f, k]
    thin = graph.sliver[f] | graph.sliver[g]
    smooth = np.where(thin, np.abs(graph.turn) < CREASE_ANGLE, ~surface.crease[f, k])
    m = len(surface.faces)
    graph = sparse.coo_matrix((np.ones(smooth.sum()), (f[smooth], g[smooth])), (m, m))
    label = connected_components(graph, directed=False)[1].astype(np.int64)
    label = _absorbed(label, surface, f[~smooth], g[~smooth])
    count = int(label.max()) + 1
    f, k, g = (x[label[f] != label[g]] for x in (f, k, g))
    keep = label[f] < label[g]
    pairs, turns, lengths = _shared(surface, label, f[keep], k[keep], g[keep])
    closed = bool((surface.neighbours >= 0).all())
    return Patches(surface, label, count, pairs, turns, lengths, closed)


def _absorbed(label: Ints, surface: Surface, f: Ints, g: Ints) -> Ints:
    """Labels with specks given to a neighbour: a few ill-shaped facets aren't a patch."""
    area = np.bincount(label, surface.face_areas)
    small = area < SPECK * area.sum()
    for _ in range(SPECK_PASSES):
        here, there = label[f], label[g]
        give = small[here] & ~small[there]
        if not give.any():
            break
        target = np.arange(len(area))
        for speck in np.unique(here[give]):
            target[speck] = np.bincount(there[give & (here == speck)]).argmax()
        label = target[label]
    return np.unique(label, return_inverse=True)[1].astype(np.int64)


def _shared(
    surface: Surface, label: Ints, f: Ints, k: Ints, g: Ints
) -> tuple[Ints, Floats, Floats]:
    """Pairs of patches with the mean turn and the length of the creases they share."""
    start = surface.vertices[surface.faces[f, k]]
    edge = surface.vertices[surface.faces[f, (k + 1) % 3]] - start
    length = np.linalg.norm(edge, axis=1)
    n1, n2 = surface.face_normals[f], surface.face_normals[g]
    sine = np.einsum("ei,ei->e", np.cross(n1, n2), edge) / np.maximum(length, 1e-300)
    turn = np.arctan2(sine, np.einsum("ei,ei->e", n1, n2))
    pairs, index = np.unique(np.stack([label[f], label[g]], 1), axis=0, return_inverse=True)
    index = index.ravel()
    total = np.bincount(index, length, len(pairs))
    mean = np.bincount(index, length * turn, len(pairs)) / np.maximum(total, 1e-300)
    return pairs.reshape(-1, 2).astype(np.int64), mean, total.astype(np.float64)


def classify(
    patches: Patches, closing: Floats, side: int, touching: Bools | None = None
) -> Parts | None:
    """Flange and cavity for a closing direction; None if there are none.

    Parameters
    ----------
    closing : (3,) unit vector from this half into the other
    side : +1 or −1, multiplies the normals
    touching : (p,) bool, optional
        Patches that lie on the other half: the flange is among them.
    """
    if len(patches.pairs) == 0:  # a cavity hangs from its flange by a crease: none here
        return None
    tried = [_classify(patches, closing, side, touching, strict) for strict in STRICTNESS]
    found = [parts for parts in tried if parts]
    return max(found, key=lambda parts: parts.score) if found else None


def _classify(
    patches: Patches, closing: Floats, side: int, touching: Bools | None, strictness: Strictness
) -> Parts | None:
    surface, turns = patches.surface, side * patches.turns
    facing = side * (surface.face_normals @ closing)
    area = np.bincount(patches.label, surface.face_areas, patches.count)
    up = np.bincount(patches.label, surface.face_areas * (facing > strictness.up), patches.count)
    upward = up >= UP_SHARE * np.maximum(area, 1e-300)
    flange = _flange_lands(patches, turns, upward, touching, strictness.join)
    rest = [p for p in range(patches.count) if p not in flange]
    joined = (turns < 0) | (turns <= strictness.join)
    bodies = _groups(rest, patches.pairs[joined])
    shown = np.bincount(patches.label, surface.face_areas * facing, patches.count)
    found = []
    for body in bodies:
        members = np.array(sorted(body))
        hung = _hung_from(patches, turns, members, flange)
        projected = shown[members].sum()
        hollow = projected > OPENING * area[members].sum()
        if hung and hollow and _opens(patches, members, closing):
            found.append((float(projected), members, hung))
    if not found:
        return None
    score, members, hung = max(found, key=lambda item: (item[0], -item[1][0]))
    lands = set().union(*(flange[p] for p in hung))
    cavity, land = (np.isin(patches.label, p) for p in (members, sorted(lands)))
    level = surface.face_areas[land & (facing > LEVEL)].sum()
    return Parts(cavity, land, side, score, float(level), len(found) - 1)


def _flange_lands(
    patches: Patches, turns: Floats, upward: Bools, touching: Bools | None, join: float
) -> dict[int, set[int]]:
    """Patches that are flange, each with all patches of its land."""
    both = upward[patches.pairs].all(axis=1) & (np.abs(turns) <= join)
    out: dict[int, set[int]] = {}
    for land in _groups(np.flatnonzero(upward).tolist(), patches.pairs[both]):
        if touching is not None and not touching[sorted(land)].any():
            continue
        inside = np.isin(patches.pairs, sorted(land))
        rim = inside[:, 0] ^ inside[:, 1]
        hanging = patches.lengths[rim & (turns > 0)].sum()
        rising = patches.lengths[rim & (turns < 0)].sum()
        if hanging > 0 and rising <= RISING * hanging:
            out |= {p: land for p in land}
    return out


def _hung_from(
    patches: Patches, turns: Floats, members: Ints, flange: dict[int, set[int]]
) -> set[int]:
    """Flange patches from which the members hang by a convex crease."""
    first, second = np.isin(patches.pairs, members).T
    other = np.where(first, patches.pairs[:, 1], patches.pairs[:, 0])
    meets = (first ^ second) & (turns > 0)
    return {int(p) for p in other[meets] if int(p) in flange}


def _opens(patches: Patches, members: Ints, closing: Floats) -> bool:
    """Whether the rim of some patches stands higher along ``closing`` than the patches do."""
    surface = patches.surface
    inside = np.isin(patches.label, members)
    faces = np.flatnonzero(inside)
    height = surface.vertices @ closing
    here = height[surface.faces[faces]]
    across = surface.neighbours[faces]
    rim = (across < 0) | ~inside[across]
    length = np.linalg.norm(_edges(surface, faces), axis=2)[rim]
    if length.sum() == 0:
        return False
    top = np.average((here + np.roll(here, -1, axis=1))[rim] / 2, weights=length)
    middle = np.average(here.mean(axis=1), weights=surface.face_areas[faces] + 1e-300)
    return bool(top - middle > DEPTH * np.ptp(here))


def _edges(surface: Surface, faces: Ints) -> Floats:
    corners = surface.vertices[surface.faces[faces]]
    return np.roll(corners, -1, axis=1) - corners


def _groups(nodes: list[int], pairs: Ints) -> list[set[int]]:
    """Connected groups of patches, in a fixed order."""
    graph = networkx.Graph()
    graph.add_nodes_from(nodes)
    known = set(nodes)
    graph.add_edges_from((int(a), int(b)) for a, b in pairs if a in known and b in known)
    return sorted(networkx.connected_components(graph), key=min)
