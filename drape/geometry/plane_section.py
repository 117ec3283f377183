"""Where a plane cuts a surface."""

from __future__ import annotations

import numpy as np

from drape.geometry.surface import Floats, Ints


def plane_section(
    vertices: Floats, faces: Ints, origin: Floats, normal: Floats
) -> list[tuple[Floats, bool]]:
    """Chains (k, 3) where a plane cuts triangles, and whether each is closed.

    A closed chain doesn't repeat its first point. Vertices in the plane count as behind it,
    so that chains hold together where the plane runs through vertices.
    """
    height = (vertices - np.asarray(origin, float)) @ np.asarray(normal, float)
    _, ends, points = cut_edges(vertices, faces, height)
    place = dict(zip(ends.ravel().tolist(), points.reshape(-1, 3), strict=True))
    return [(np.array([place[cut] for cut in chain]), closed) for chain, closed in chains(ends)]


def chains(links: Ints) -> list[tuple[list[int], bool]]:
    """Keys joined by links (c, 2), chain by chain, and whether each is closed.

    An open one begins at the lower of its ends, a closed one at its lowest key. (A graph of
    named nodes would do the same; hundreds of sections a run are too many for one.)
    """
    beside: dict[int, list[int]] = {}
    for a, b in links.tolist():
        beside.setdefault(a, []).append(b)
        beside.setdefault(b, []).append(a)
    out, seen = [], set[int]()
    for first in beside:
        if first in seen:
            continue
        part = _walked(beside, first)
        tips = [key for key in part if len(beside[key]) == 1]
        out.append((_walked(beside, min(tips or part)), not tips))
        seen.update(part)
    return out


def _walked(beside: dict[int, list[int]], first: int) -> list[int]:
    """All that hangs together with the first, each followed by one beside it where it can be."""
    order, seen, waiting = [], set[int](), [first]
    while waiting:
        at = waiting.pop()
        if at not in seen:
            seen.add(at)
            order.append(at)
            waiting += reversed(beside[at])
    return order


def cut_edges(vertices: Floats, faces: Ints, value: Floats) -> tuple[Ints, Ints, Floats]:
    """Where a field is zero on the edges of faces.

    Returns (c,) faces crossed, (c, 2) keys of the two edges cut in each (the same key in
    both faces of an edge), and (c, 2, 3) the cuts.
    """
    above = (value > 0.0)[faces]
    first, second, third = above.T
    crossed = np.flatnonzero((first != second) | (second != third))
    f, above = faces[crossed], above[crossed]
    keys, ends = np.empty((len(f), 2), np.int64), np.empty((len(f), 2, 3))
    filled = np.zeros(len(f), dtype=int)
    for k in range(3):
        cut = np.flatnonzero(above[:, k] != above[:, (k + 1) % 3])
        pair = np.sort(f[cut][:, [k, (k + 1) % 3]], axis=1)  # the same arithmetic from both sides
        low, high = vertices[pair[:, 0]], vertices[pair[:, 1]]
        share = value[pair[:, 0]] / (value[pair[:, 0]] - value[pair[:, 1]])
        ends[cut, filled[cut]] = low + share[:, None] * (high - low)
        keys[cut, filled[cut]] = pair[:, 0] * len(vertices) + pair[:, 1]
        filled[cut] += 1
    return crossed, keys, ends
