"""Candidates for the closing direction, and which patches of two halves lie on each other.

Directions are unit vectors; lengths in mm.
"""

from __future__ import annotations

import numpy as np
from trimesh.triangles import closest_point

from drape.geometry.surface import Bools, Floats, Surface, unit
from drape.mould.crease_patches import OPENING, Parts, Patches

SAME_DIRECTION = np.cos(np.radians(1.0))
VERY_SAME_DIRECTION = np.cos(np.radians(0.1))
MOST_CANDIDATES = 8
SAMPLES = 40  # faces of a patch that are tried for contact with the other half
CONTACT_SHARE = 0.1  # of the tried area that must lie on the other half
PLANE_TRIALS = 400
PLANE_TOLERANCE = 3e-4  # of the size: how far off a plane the rim may be
FLATNESS = 0.01  # of the size: an open sheet less deep than this has no hollow
UNDERCUT_WEIGHT = 5.0
MOST_UNDERCUT = 0.25  # of its area: with more looking back, an open sheet is no cavity


def dominant_normals(normals: Floats, areas: Floats) -> Floats:
    """(k, 3) directions that most area looks along, largest first."""
    keep = areas > 0
    normals, areas = normals[keep], areas[keep]
    if len(areas) == 0:
        return np.zeros((0, 3))
    _, index = np.unique(np.round(normals / 0.02), axis=0, return_inverse=True)
    index = index.ravel()
    weight = np.bincount(index, areas)
    found: list[Floats] = []
    for bin_ in np.argsort(-weight, kind="stable")[: 4 * MOST_CANDIDATES]:
        inside = index == bin_
        seed = unit(areas[inside] @ normals[inside])
        near = normals @ seed > SAME_DIRECTION
        direction = unit(areas[near] @ normals[near])
        close = normals @ direction > VERY_SAME_DIRECTION
        if areas[close].sum() > 0.5 * areas[near].sum():  # else a scan's scatter
            direction = unit(areas[close] @ normals[close])
        if near.any() and all(direction @ d < SAME_DIRECTION for d in found):
            found.append(direction)
        if len(found) == MOST_CANDIDATES:
            break
    return np.array(found).reshape(-1, 3)


def touching(here: Patches, there: Patches) -> Bools:
    """(p,) patches of ``here`` that lie on the other half, back to back."""
    surface, other = here.surface, there.surface
    tolerance = 0.5 + 1e-3 * surface.size
    order = np.lexsort((-surface.face_areas, here.label))
    rank = np.arange(len(order)) - np.searchsorted(here.label[order], here.label[order])
    faces = order[rank < SAMPLES]
    near = _lies_on(surface, faces, other, tolerance)
    tried = np.bincount(here.label[faces], surface.face_areas[faces], here.count)
    lying = np.bincount(here.label[faces], surface.face_areas[faces] * near, here.count)
    return lying > CONTACT_SHARE * np.maximum(tried, 1e-300)


def _lies_on(surface: Surface, faces: np.ndarray, other: Surface, tolerance: float) -> Bools:
    """Whether each face's middle is within tolerance of a face that is parallel to it."""
    middles = surface.vertices[surface.faces[faces]].mean(axis=1)
    normals = surface.face_normals[faces]
    triangles = other.vertices[other.faces]
    centres = triangles.mean(axis=1)
    radii = np.linalg.norm(triangles - centres[:, None], axis=2).max(axis=1) + tolerance
    out = np.zeros(len(faces), bool)
    for i, (point, normal) in enumerate(zip(middles, normals, strict=True)):
        near = np.einsum("ti,ti->t", centres - point, centres - point) < radii**2
        near &= np.abs(other.face_normals @ normal) > 0.9
        found = np.flatnonzero(near)
        if len(found):
            places = closest_point(triangles[found], np.broadcast_to(point, (len(found), 3)))
            out[i] = np.linalg.norm(places - point, axis=1).min() < tolerance
    return out


def rim_edges(surface: Surface) -> tuple[Floats, Floats]:
    """Start and end points of the border's edges, (e, 3) each."""
    f, k = np.nonzero(surface.neighbours < 0)
    faces = surface.faces
    return surface.vertices[faces[f, k]], surface.vertices[faces[f, (k + 1) % 3]]


def rim_planes(surface: Surface) -> Floats:
    """(k, 3) normals of the planes that hold most of an open sheet's border.

    Random planes through three of its points, most content first; the random numbers are
    always the same.
    """
    start, end = rim_edges(surface)
    if len(start) < 3:
        return np.zeros((0, 3))
    length = np.linalg.norm(end - start, axis=1)
    random = np.random.default_rng(0)
    tolerance = PLANE_TOLERANCE * surface.size
    chosen = random.choice(len(start), (PLANE_TRIALS, 3), p=length / length.sum())
    share = random.uniform(size=(PLANE_TRIALS, 3, 1))
    a, b, c = (start[chosen[:, i]] + share[:, i] * (end - start)[chosen[:, i]] for i in range(3))
    normal = unit(np.cross(b - a, c - a))
    offset = (a * normal).sum(1)[:, None]
    # both ends have to lie in the plane: the middle of a long edge lies in many
    distance = np.maximum(
        np.abs(np.einsum("ei,ti->te", start, normal) - offset),
        np.abs(np.einsum("ei,ti->te", end, normal) - offset),
    )
    content = (distance < tolerance) @ length * (np.linalg.norm(normal, axis=1) > 0.5)
    found: list[Floats] = []
    for trial in np.argsort(-content, kind="stable")[:50]:
        inside = distance[trial] < tolerance
        points = np.vstack([start[inside], end[inside]])
        if len(points) < 3:  # one edge holds no plane
            continue
        direction = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][2]
        if all(abs(direction @ d) < SAME_DIRECTION for d in found):
            found.append(direction)
    return np.array(found[:MOST_CANDIDATES]).reshape(-1, 3)


def bare_candidates(surface: Surface) -> Floats:
    """(k, 3) candidates for an open sheet without flange: its mean normal, its rim's planes."""
    mean = unit(surface.face_vectors.sum(axis=0))[None]
    planes = rim_planes(surface)
    both = np.vstack([mean, planes, -mean, -planes])
    return both[np.linalg.norm(both, axis=1) > 0.5]


def classify_bare(surface: Surface, closing: Floats) -> Parts | None:
    """An open sheet without flange, all of it cavity; None if it has no hollow that way.

    Its level rewards a rim square to the closing direction and punishes undercut.
    """
    start, end = rim_edges(surface)
    if len(start) == 0:
        return None
    height = surface.vertices @ closing
    shown = surface.face_vectors @ closing
    side = 1 if shown.sum() > 0 else -1
    opens = (start @ closing).mean() > np.average(
        height[surface.faces].mean(axis=1), weights=surface.face_areas
    )
    if not opens or np.ptp(height) < FLATNESS * surface.size:
        return None
    if surface.pieces > 1:
        return None
    area = surface.face_areas
    undercut = area[side * shown < -np.sin(np.radians(1.0)) * area].sum()
    if undercut > MOST_UNDERCUT * area.sum() or side * shown.sum() < OPENING * area.sum():
        return None
    share = _level_share(start, end, closing, PLANE_TOLERANCE * surface.size)
    level = float(share * area.sum() - UNDERCUT_WEIGHT * undercut)
    everything = np.ones(len(area), bool)
    return Parts(everything, ~everything, side, float(side * shown.sum()), level)


def _level_share(start: Floats, end: Floats, closing: Floats, tolerance: float) -> float:
    """Share of the rim's length that lies in one plane square to ``closing``."""
    length = np.linalg.norm(end - start, axis=1)
    height = (start + end) @ closing / 2
    level = np.abs((end - start) @ closing) <= 2 * tolerance  # not just in its middle
    total, height, length = length.sum(), height[level], length[level]
    if not level.any():
        return 0.0
    order = np.argsort(height)
    sums = np.concatenate([[0.0], np.cumsum(length[order])])
    top = np.searchsorted(height[order], height[order] + 2 * tolerance, side="right")
    return float((sums[top] - sums[:-1]).max() / total)
