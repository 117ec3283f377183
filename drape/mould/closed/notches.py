"""Notches: corners where a rim turns inward, filled up and rounded before it is extended.

In a notch the rulings of its two sides would cross. The surface is carried on into it, as
over a hole (``mould.caps``), up to a round that is tangent to both sides.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.geometry.rims import CORNER, is_hole, rim_normals, rim_turns, rims
from drape.geometry.surface import Bools, Floats, Ints, Surface, build, unit
from drape.mould.closed.caps import carried_on, plane_axes
from drape.mould.rim_stretches import distance_to_polyline

HANDLE = 4.0 / 3.0 * (np.sqrt(2.0) - 1.0)  # a cubic through a quarter circle's middle
NARROWEST = np.radians(10.0)  # of the wedge outside


def fill_notches(surface: Surface, needed: float, radius: float) -> tuple[Surface, Ints]:
    """The surface with its notches filled to a round of ``radius`` where there is room.

    Returns it (old vertices and faces keep their ids) and a level for each new face: 1
    where its middle is within ``needed`` mm of the old rim, else 3. A notch that is no
    graph over its tangent plane, or shares its only edge with another, stays open.
    """
    vertices, faces, normals = [surface.vertices], [surface.faces], [surface.corner_normals]
    levels, count = [np.empty(0, dtype=np.int64)], len(surface.vertices)
    for rim in rims(surface):
        points, of_rim = surface.vertices[rim], rim_normals(surface, rim)
        turns = rim_turns(points, of_rim)
        if is_hole(turns):
            continue
        for at in np.flatnonzero(turns < -CORNER):
            chain = _sides(points, turns, int(at), radius)
            if chain is None:
                continue
            filled = _filled(surface, rim[chain], of_rim[chain], chain == at, count)
            if filled is None:
                continue
            vertices.append(filled[0])
            faces.append(filled[1])
            normals.append(filled[2])
            count += len(filled[0])
            line = points[chain]
            places = np.concatenate(vertices)[filled[1]].mean(axis=1)
            levels.append(np.where(distance_to_polyline(places, line) <= needed, 1, 3))
    if len(levels) == 1:
        return surface, levels[0]
    joined = [np.concatenate(x) for x in (vertices, faces, normals)]
    return build(joined[0], joined[1], corner_normals=joined[2]), np.concatenate(levels)


def _sides(points: Floats, turns: Floats, at: int, radius: float) -> Ints | None:
    """Indices of the rim's vertices from one end of the round to the other, through ``at``.

    The round of ``radius`` touches the sides radius/tan(φ/2) from the corner, φ being the
    wedge between them. Less where a side is shorter; a notch next door gets its half, and
    there is None where that is less than an edge.
    """
    k = len(points)
    wedge = max(np.pi + turns[at], NARROWEST)
    reach = radius / np.tan(0.5 * wedge)
    steps, room = [], []
    for way in (-1, 1):
        index = (at + way * np.arange(k // 2)) % k
        length = np.cumsum(np.linalg.norm(np.diff(points[index], axis=0), axis=1))
        stop = np.flatnonzero(np.abs(turns[index[1:]]) > CORNER)
        end = int(stop[0]) if len(stop) else len(length) - 1
        half = len(stop) > 0 and turns[index[1 + end]] < 0.0
        room.append(float(length[end]) * (0.5 if half else 1.0))
        if half and length[0] > room[-1]:
            return None
        steps.append((index[1:], length))
    reach = min(reach, *room)
    back, ahead = (
        index[: max(1, int(np.searchsorted(length, reach * (1.0 + 1e-9), side="right")))]
        for index, length in steps
    )
    return np.concatenate([back[::-1], [at], ahead])


def _filled(surface: Surface, chain: Ints, normals: Floats, corner: Bools, first: int):
    """Points, faces and corner normals of one filled notch; None if it can't be filled."""
    axes = plane_axes(normals)
    if axes is None:
        return None
    middle = surface.vertices[chain[corner][0]]
    flat = (surface.vertices[chain] - middle) @ axes[:2].T
    free = _round(flat)
    return carried_on(surface, chain, normals, flat, free, middle, axes, first)


def _round(flat: Floats) -> Floats:
    """(f, 2) inner points of a cubic from the end of the chain back to its beginning.

    Tangent to the chain at both; its corner is at the origin.
    """
    start, end = flat[-1], flat[0]
    way, back = unit(flat[-2] - start), unit(flat[1] - end)
    size = HANDLE * min(np.linalg.norm(start), np.linalg.norm(end))
    control = np.stack([start, start + size * way, end + size * back, end])
    step = float(np.median(np.linalg.norm(np.diff(flat, axis=0), axis=1)))
    count = max(3, int(np.ceil(np.linalg.norm(end - start) / step)))
    t = (np.arange(1, count) / count)[:, None]
    weights = np.hstack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t * t * (1 - t), t**3])
    return weights @ control
