"""Extension: the surface carried on past the rim of a region, straight along its tangent.

Outlines need the net to run past every edge, and laps and run-offs lie out there. Each
rim vertex sends out a straight ruling in its tangent plane, square to the rim, so that
distance along a ruling is distance from the edge. At corners (a turn of the rim of more
than CORNER) the ruling is the mitre's. Where rulings would cross (a rim that turns
inward within the width, as a step of the parting line does) their directions are
smoothed along the rim; the surface stays tangent, distances are then measured on it.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drape.geometry.surface import Bools, Floats, Ints, Surface, build, readonly, unit
from drape.mould.region import Region

CORNER = np.radians(30.0)
MOST_ROWS = 12
HOLE_SHARE = 0.6  # of a hole's mean radius: how far its extension reaches inward


@dataclass(frozen=True, eq=False)
class Extended:
    """A region's surface with its extension; base vertices and faces keep their ids.

    Attributes
    ----------
    surface : Surface
    level : (m,) int
        0 on the region's faces, 1 on those beyond a trim line, 2 on the extension.
    """

    surface: Surface
    level: Ints


def extend(region: Region, surface: Surface, width: float) -> Extended:
    """Carry ``surface`` (the region's, or a parallel of it) ``width`` mm past its rims.

    Only ``continuation = tangent`` is made here: the surface goes on straight.
    """
    vertices, faces, normals = [surface.vertices], [surface.faces], [surface.corner_normals]
    count = len(surface.vertices)
    for rim in rims(surface):
        points, strip, corner = _strip(surface, rim, width, count)
        vertices.append(points)
        faces.append(strip)
        normals.append(corner)
        count += len(points)
    whole = build(np.concatenate(vertices), np.concatenate(faces), corner_normals=_join(normals))
    level = np.full(len(whole.faces), 2, dtype=np.int64)
    level[: len(region.inside)] = np.where(region.inside, 0, 1)
    return Extended(whole, readonly(level))


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
    return sorted(loops, key=lambda x: -_length(surface.vertices[x]))


def rim_normals(surface: Surface, rim: Ints) -> Floats:
    """(k, 3) unit normals at rim vertices (the mean, where creases meet the rim)."""
    total = np.zeros((len(surface.vertices), 3))
    np.add.at(total, surface.faces.ravel(), surface.corner_normals.reshape(-1, 3))
    return unit(total[rim])


def rulings(points: Floats, normals: Floats, width: float) -> tuple[Floats, Bools]:
    """Directions of the rulings, (k, 3), for a closed rim (k, 3) with unit normals.

    Their length is such that all of the strip is ``width`` wide measured square to the
    rim (a mitre's ruling is longer). Also returns which vertices are corners.
    """
    ahead = unit(_tangential(np.roll(points, -1, axis=0) - points, normals))
    behind = unit(_tangential(points - np.roll(points, 1, axis=0), normals))
    turn = np.arctan2(
        np.einsum("ij,ij->i", np.cross(behind, ahead), normals),
        np.einsum("ij,ij->i", behind, ahead),
    )
    out_a, out_b = np.cross(ahead, normals), np.cross(behind, normals)
    corner = turn > CORNER
    gap = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    share = np.roll(gap, 1) / (gap + np.roll(gap, 1))  # the nearer edge counts for more
    mean = np.where(corner[:, None], 0.5, share[:, None]) * out_a
    mean = unit(mean + np.where(corner[:, None], 0.5, 1.0 - share[:, None]) * out_b)
    inward = -turn / (0.5 * (gap + np.roll(gap, 1)))
    if (inward * width > 0.5).any() and not _is_hole(turn):
        mean = _smoothed(mean, normals, gap, corner, width)
    stretch = np.einsum("ij,ij->i", mean, unit(out_a + out_b)) * np.cos(0.5 * turn * corner)
    return mean / np.clip(stretch, 0.5, None)[:, None], corner


def _strip(surface: Surface, rim: Ints, width: float, first: int) -> tuple[Floats, Ints, Floats]:
    """Points, faces and corner normals of one rim's strip; new ids start at ``first``."""
    points, base = surface.vertices[rim], rim_normals(surface, rim)
    perimeter = _length(points)
    if _is_hole(_turns(points, base)):
        width = min(width, HOLE_SHARE * perimeter / (2.0 * np.pi))
    ray, corner = rulings(points, base, width)
    k, rows = len(rim), int(np.clip(np.ceil(width * len(rim) / perimeter), 2, MOST_ROWS))
    heights = width * np.arange(rows + 1) / rows
    grid = points[None] + heights[:, None, None] * ray[None]
    normals = np.stack([_row_normals(grid[r], ray, corner, base) for r in range(rows + 1)])
    normals = unit(normals + (base - normals[0])[None])
    ids = np.concatenate([rim, first + np.arange(rows * k)]).reshape(rows + 1, k)
    near, far = ids[:-1], ids[1:]
    near_next, far_next = np.roll(near, -1, axis=1), np.roll(far, -1, axis=1)
    faces = np.concatenate(
        [np.stack([near_next, near, far], -1), np.stack([near_next, far, far_next], -1)]
    ).reshape(-1, 3)
    by_id = {**dict(zip(ids.ravel().tolist(), normals.reshape(-1, 3), strict=True))}
    corner_normals = np.array([by_id[i] for i in faces.ravel().tolist()]).reshape(-1, 3, 3)
    return grid[1:].reshape(-1, 3), faces, corner_normals


def _row_normals(row: Floats, ray: Floats, corner: Bools, base: Floats) -> Floats:
    """Normals of the ruled strip along one row of it: ruling × tangent of the row."""
    ahead, behind = np.roll(row, -1, axis=0) - row, row - np.roll(row, 1, axis=0)
    gap_a, gap_b = np.linalg.norm(ahead, axis=1), np.linalg.norm(behind, axis=1)
    slope = ahead * (gap_b / gap_a)[:, None] + behind * (gap_a / gap_b)[:, None]
    normal = unit(np.cross(ray, slope))
    return np.where(corner[:, None], base, normal)


def _smoothed(ray: Floats, normals: Floats, gap: Floats, corner: Bools, width: float) -> Floats:
    """Ruling directions averaged along the rim over about the width, corners kept."""
    k = len(ray)
    out = ray.copy()
    where = np.concatenate([[0.0], np.cumsum(gap)])[:-1]
    total = gap.sum()
    stops = np.flatnonzero(corner)
    for i in range(k):
        if corner[i]:
            continue
        distance = np.abs(where - where[i])
        distance = np.minimum(distance, total - distance)
        weight = np.exp(-0.5 * (distance / width) ** 2) * 0.5 * (gap + np.roll(gap, 1))
        if len(stops):
            weight[_across_corner(i, stops, k)] = 0.0
        out[i] = weight @ ray
    return unit(_tangential(out, normals))


def _across_corner(i: int, stops: Ints, k: int) -> Bools:
    """(k,) vertices that lie at or past the corners on both sides of vertex i."""
    ahead, behind = (stops - i) % k, (i - stops) % k
    step = (np.arange(k) - i) % k
    return (step >= ahead.min()) & ((k - step) % k >= behind.min()) & (step != 0)


def _turns(points: Floats, normals: Floats) -> Floats:
    ahead = _tangential(np.roll(points, -1, axis=0) - points, normals)
    behind = _tangential(points - np.roll(points, 1, axis=0), normals)
    return np.arctan2(
        np.einsum("ij,ij->i", np.cross(behind, ahead), normals),
        np.einsum("ij,ij->i", behind, ahead),
    )


def _is_hole(turns: Floats) -> bool:
    return bool(turns.sum() < -np.pi)


def _tangential(vectors: Floats, normals: Floats) -> Floats:
    return vectors - np.einsum("ij,ij->i", vectors, normals)[:, None] * normals


def _length(points: Floats) -> float:
    return float(np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1).sum())


def _join(parts: list[Floats]) -> Floats:
    return np.concatenate(parts)
