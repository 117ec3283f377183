"""The rim of a cavity: loops of stretches that are parting line, mouth or hole.

Lengths in mm. Loops run counter-clockwise seen against the normals: the cavity is on
the left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drape.geometry.surface import Bools, Floats, Ints, Surface, matching_edge, unit

CORNER = np.cos(np.radians(30.0))  # of the rim: a stretch may end where it turns by more
HANGING_BARE = 0.3  # how steeply a cavity without flange falls away from its parting line
HANGING_BESIDE_FLANGE = 0.7  # likewise beside a flange, where most open stretches are mouths


@dataclass(frozen=True, eq=False)
class Stretch:
    """Part of a rim of one kind: ``parting`` or ``mouth``; ``vertices`` with both its ends."""

    kind: str
    vertices: Ints
    closed: bool = False

    def points(self, surface: Surface) -> Floats:
        """(k, 3) points of the chain; a closed one ends where it begins."""
        chain = np.append(self.vertices, self.vertices[:1]) if self.closed else self.vertices
        return surface.vertices[chain]


def rim_loops(surface: Surface) -> list[Ints]:
    """Loops of border edges, each (k, 2): face and edge number; the longest loop first."""
    border = surface.neighbours < 0
    match = matching_edge(surface.faces, surface.neighbours)
    seen = ~border
    loops = []
    for f, k in np.argwhere(border):
        loop = []
        while not seen[f, k]:
            seen[f, k] = True
            loop.append((f, k))
            f, k = _next_border(surface, match, f, k)
        if loop:
            loops.append(np.array(loop, dtype=np.int64))
    return sorted(loops, key=lambda loop: -_loop_length(surface, loop))


def _next_border(surface: Surface, match: Ints, f: int, k: int) -> tuple[int, int]:
    """The border edge that follows (f, k), turning round its end vertex."""
    k = (k + 1) % 3
    while surface.neighbours[f, k] >= 0:
        f, k = surface.neighbours[f, k], (match[f, k] + 1) % 3
    return f, k


def _loop_length(surface: Surface, loop: Ints) -> float:
    points = surface.vertices[surface.faces[loop[:, 0], loop[:, 1]]]
    return float(np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1).sum())


def split_rim(surface: Surface, loop: Ints, at_flange: Bools, closing: Floats) -> list[Stretch]:
    """Divide the outer rim into runs of the parting line and mouths.

    Parameters
    ----------
    loop : (k, 2) faces and edge numbers
    at_flange : (k,) bool, whether the flange lies across each edge
    closing : (3,) unit vector from this half into the other
    """
    vertices = surface.faces[loop[:, 0], loop[:, 1]]
    points = surface.vertices[vertices]
    edges = np.roll(points, -1, axis=0) - points
    parting = at_flange.copy()
    limit = HANGING_BESIDE_FLANGE if at_flange.any() else HANGING_BARE
    inward = np.cross(surface.face_normals[loop[:, 0]], unit(edges))
    for part in _between_corners(edges, ~at_flange):
        length = np.linalg.norm(edges[part], axis=1)
        parting[part] = np.average(inward[part] @ closing, weights=length) < -limit
    if parting.all() or not parting.any():
        return [Stretch("parting" if parting.all() else "mouth", vertices, closed=True)]
    return [
        Stretch(
            "parting" if parting[part[0]] else "mouth",
            vertices[np.append(part, (part[-1] + 1) % len(vertices))],
        )
        for part in _runs_of(parting)
    ]


def _between_corners(edges: Floats, open_: Bools) -> list[Ints]:
    """Consecutive open edges, divided at the rim's corners."""
    direction = unit(edges)
    corner = np.einsum("ei,ei->e", direction, np.roll(direction, 1, axis=0)) < CORNER
    starts = corner | (open_ != np.roll(open_, 1))
    n = len(edges)
    first = np.flatnonzero(starts)
    if len(first) == 0:
        return [np.arange(n)] if open_.all() else []
    ends = np.append(first[1:], first[0] + n)
    parts = [np.arange(a, b) % n for a, b in zip(first, ends, strict=True)]
    return [part for part in parts if open_[part[0]]]


def _runs_of(flag: Bools) -> list[Ints]:
    """Runs of equal flags round a ring that has both."""
    n = len(flag)
    first = np.flatnonzero(flag != np.roll(flag, 1))
    ends = np.append(first[1:], first[0] + n)
    return [np.arange(a, b) % n for a, b in zip(first, ends, strict=True)]


def tangents(points: Floats, closed: bool) -> Floats:
    """(k, 3) unit tangents of a chain, second order on uneven spacing."""
    if closed:
        before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    else:
        step = np.diff(points, axis=0)
        before, after = np.vstack([step[:1], step]), np.vstack([step, step[-1:]])
    h1, h2 = (np.linalg.norm(d, axis=1, keepdims=True) for d in (before, after))
    h1, h2 = np.maximum(h1, 1e-300), np.maximum(h2, 1e-300)
    return unit(before / h1 * h2 + after / h2 * h1)


def parting_normals(points: Floats, closed: bool, closing: Floats) -> Floats:
    """(k, 3) unit normals of the parting surface, square to the line, away from the cavity."""
    along = tangents(points, closed)
    return unit(closing - (along @ closing)[:, None] * along)


def plane_normal(points: Floats, out: Floats) -> Floats:
    """(3,) unit normal of the plane that fits points best, on the side of ``out``.

    ``out`` itself where the points don't make a plane.
    """
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if len(points) < 3 or spread[1] <= 1e-6 * spread[0]:
        return unit(out)
    normal = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][2]
    return normal if normal @ out >= 0 else -normal


def length_centre(points: Floats) -> tuple[Floats, float]:
    """Centre of a polyline weighted by length, and its length, mm."""
    length = np.linalg.norm(np.diff(points, axis=0), axis=1)
    total = float(length.sum())
    middles = (points[1:] + points[:-1]) / 2
    return (length @ middles / total if total > 0 else points.mean(axis=0)), total


def distance_to_polyline(points: Floats, line: Floats) -> Floats:
    """(k,) distance of each point from a polyline (j, 3), mm."""
    start, step = line[:-1], np.diff(line, axis=0)
    square = np.maximum((step**2).sum(axis=1), 1e-300)
    along = np.einsum("pi,si->ps", points, step) - (start * step).sum(1)
    along = np.clip(along / square, 0.0, 1.0)
    feet = start + along[..., None] * step
    return np.linalg.norm(points[:, None] - feet, axis=2).min(axis=1)
