"""Rims of a surface: its border loops, their corners and turns.

Chains of vertices with the surface on the left, seen against the normals.
Lengths in mm, angles in radians.
"""

from __future__ import annotations

import numpy as np

from drape.geometry.surface import Floats, Ints, Surface, unit

CORNER = np.radians(30.0)


def rims(surface: Surface) -> list[Ints]:
    """Border loops as vertex chains, the surface on the left; the longest first."""
    face, k = np.nonzero(surface.neighbours < 0)
    tail, head = surface.faces[face, k], surface.faces[face, (k + 1) % 3]
    following: dict[int, list[int]] = {}
    for a, b in zip(tail.tolist(), head.tolist(), strict=True):
        following.setdefault(a, []).append(b)
    loops = []
    while following:
        first = next(iter(following))
        loop, here = [], first
        while here in following:
            loop.append(here)
            ahead = following[here]
            following_vertex = ahead.pop()
            if not ahead:
                del following[here]
            here = following_vertex
        loops.append(np.array(loop, dtype=np.int64))
    return sorted(loops, key=lambda x: -loop_length(surface.vertices[x]))


def rim_normals(surface: Surface, rim: Ints) -> Floats:
    """(k, 3) unit normals at rim vertices (the mean, where creases meet the rim)."""
    total = np.zeros((len(surface.vertices), 3))
    np.add.at(total, surface.faces.ravel(), surface.corner_normals.reshape(-1, 3))
    return unit(total[rim])


def rim_sides(surface: Surface, rim: Ints) -> tuple[Floats, Floats]:
    """(k, 3) unit normals at rim vertices on the rim's sides behind and ahead.

    They differ where a crease meets the rim.
    """
    count = len(surface.vertices)
    face, k = np.nonzero(surface.neighbours < 0)
    code = surface.faces[face, k] * count + surface.faces[face, (k + 1) % 3]
    order = np.argsort(code)
    at = order[np.searchsorted(code, rim * count + np.roll(rim, -1), sorter=order)]
    ahead = surface.corner_normals[face[at], k[at]]
    behind = np.roll(surface.corner_normals[face[at], (k[at] + 1) % 3], 1, axis=0)
    return behind, ahead


def rim_corners(points: Floats, normals: Floats, angle: float = CORNER) -> Ints:
    """Vertices of a closed rim (k, 3) where it turns by more than ``angle``."""
    return np.flatnonzero(np.abs(rim_turns(points, normals)) > angle)


def rim_turns(points: Floats, normals: Floats) -> Floats:
    """(k,) turn at each vertex of a closed rim, positive to the left."""
    ahead = tangential(np.roll(points, -1, axis=0) - points, normals)
    behind = tangential(points - np.roll(points, 1, axis=0), normals)
    return np.arctan2(
        np.einsum("ij,ij->i", np.cross(behind, ahead), normals),
        np.einsum("ij,ij->i", behind, ahead),
    )


def is_hole(turns: Floats) -> bool:
    """Whether a closed rim with these ``rim_turns`` is a hole's: it turns to the right."""
    return bool(turns.sum() < -np.pi)


def tangential(vectors: Floats, normals: Floats) -> Floats:
    """(k, 3) vectors less their parts along unit ``normals``."""
    return vectors - np.einsum("ij,ij->i", vectors, normals)[:, None] * normals


def loop_length(points: Floats) -> float:
    """Length of a closed polyline, mm."""
    return float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())
