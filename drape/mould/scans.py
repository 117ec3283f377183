"""A scanned half without its noise: the surface smoothed, its edges smoothed along it.

The quadrics of ``geometry.noise`` move vertices along the normals. On an edge the
noise also moves the line sideways, and a lap carried past it would lean with every
vertex: each edge's chain is fitted too, piece by piece, by a quadratic of its arc length.

Lengths in mm.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from drape.errors import Finding, Level
from drape.geometry.noise import FITS, SHRINK, Noise, measure_noise, smoothed
from drape.geometry.rims import CORNER
from drape.geometry.surface import Floats, build, readonly, unit
from drape.mould.region import Edge, Region

LARGE_NOISE = 0.05  # mm: past it a scan should be made again; our own choice
FAR_MOVED = 8.0  # times the noise: more than outliers explain (two steps of four each)
FEWEST_SCANNED = 400  # vertices: a scan has thousands, a coarse CAD export may scatter like one
FEWEST = 5  # vertices that a quadratic along an edge is fitted to


def without_noise(region: Region, where: str) -> tuple[Region, tuple[Finding, ...]]:
    """The region with its mesh's noise taken out, and a finding; itself if there is none."""
    if len(region.surface.vertices) < FEWEST_SCANNED:
        return region, ()
    noise = measure_noise(region.surface)
    if noise.radius == 0.0:
        return region, ()
    surface = smoothed(region.surface, noise)
    sideways = _sideways(region, surface.vertices, surface.corner_normals, noise)
    vertices = surface.vertices + sideways
    surface = build(vertices, surface.faces, corner_normals=surface.corner_normals)
    edges = tuple(_steadied(e, vertices, noise) for e in region.edges)
    moved = float(np.linalg.norm(vertices - region.surface.vertices, axis=1).max())
    message = (
        f"the mesh is noisy, like a scan ({noise.sigma:.3f} mm): it was smoothed over a "
        f"radius of {noise.radius:.1f} mm, which moved it by {moved:.2f} mm at most"
    )
    rough = noise.sigma > LARGE_NOISE or moved > FAR_MOVED * noise.sigma
    level: Level = "risk" if rough else "warning"
    remedy = "if details smaller than that matter, scan again: they are lost"
    return replace(region, surface=surface, edges=edges), (
        Finding(level, (where,), message, remedy),
    )


def _sideways(region: Region, vertices: Floats, corner_normals: Floats, noise: Noise) -> Floats:
    """(n, 3) moves in the surface's tangent planes that put edges on smooth lines.

    A vertex where edges meet moves to where all their fitted lines pass.
    """
    normals = np.zeros_like(vertices)
    np.add.at(normals, region.surface.faces.ravel(), corner_normals.reshape(-1, 3))
    normals = unit(normals)
    matrix, rhs = np.zeros((len(vertices), 3, 3)), np.zeros_like(vertices)
    for edge in region.edges:
        line, along = _fitted(vertices[edge.vertices], edge.closed, noise)
        move = line - vertices[edge.vertices]
        across = unit(np.cross(along, normals[edge.vertices]))
        wanted = np.einsum("ij,ij->i", move, across)
        np.add.at(rhs, edge.vertices, wanted[:, None] * across)
        np.add.at(matrix, edge.vertices, across[:, :, None] * across[:, None, :])
    out = np.zeros_like(vertices)
    rim = np.unique(np.concatenate([e.vertices for e in region.edges]))
    inverse = np.linalg.pinv(matrix[rim], rcond=1e-2, hermitian=True)
    out[rim] = np.einsum("kij,kj->ki", inverse, rhs[rim])
    return out


def _steadied(edge: Edge, vertices: Floats, noise: Noise) -> Edge:
    """The edge with its cut normals, which lean with the flange's noise, fitted likewise."""
    if edge.cut_normals is None:
        return edge
    normals = _fitted(vertices[edge.vertices], edge.closed, noise, edge.cut_normals)[0]
    return replace(edge, cut_normals=readonly(unit(normals)))


def _fitted(
    points: Floats, closed: bool, noise: Noise, field: Floats | None = None
) -> tuple[Floats, Floats]:
    """As ``fitted_line``, between the chain's corners; a corner moves to its sides' mean."""
    k = len(points)
    before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    corner = np.einsum("ij,ij->i", unit(before), unit(after)) < np.cos(CORNER)
    if not closed:
        corner[[0, -1]] = True
    at = np.flatnonzero(corner)
    if not len(at):
        return fitted_line(points, True, noise, field)
    stops = np.append(at, at[0] + k) if closed else at
    line, along, count = np.zeros_like(points), np.zeros_like(points), np.zeros((k, 1))
    for a, b in itertools.pairwise(stops):
        index = np.arange(a, b + 1) % k
        part = fitted_line(points[index], False, noise, None if field is None else field[index])
        np.add.at(line, index, part[0])
        np.add.at(along, index, part[1])
        np.add.at(count, index, 1.0)
    return line / count, unit(along)


def fitted_line(
    points: Floats, closed: bool, noise: Noise, field: Floats | None = None
) -> tuple[Floats, Floats]:
    """A smooth chain (k, 3) on local quadratics of its arc length, and its unit tangents.

    With a ``field`` (k, 3) given along the chain: that, fitted likewise, and its change.
    Weights (1 − (distance/radius)²)². The radius shrinks until the line's residual is
    explained by the noise or FEWEST vertices are left. Chains shorter than that stay.
    """
    k, values = len(points), points if field is None else field
    if k < FEWEST:
        return values, unit(np.gradient(values, axis=0)) if k > 1 else np.zeros_like(values)
    ring = np.concatenate([points, points[:1]]) if closed else points
    where = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    line, along = np.empty_like(values), np.empty_like(values)
    for i in range(k):
        gap = where[:k] - where[i]
        if closed:
            gap = gap - where[-1] * np.round(gap / where[-1])
        least = 1.2 * float(np.partition(np.abs(gap), FEWEST - 1)[FEWEST - 1])
        reach = max(noise.radius, least)
        while True:
            near = np.abs(gap) < reach
            s = gap[near] / reach
            root = (1.0 - s**2)[:, None]  # the root of the weight
            basis = np.stack([np.ones_like(s), s, s * s], axis=1)
            both = np.concatenate([points[near], values[near]], axis=1)
            fit = np.linalg.lstsq(root * basis, root * both, rcond=None)[0]
            off = ((root * (points[near] - basis @ fit[:, :3])) ** 2).sum() / (root**2).sum()
            free = max(len(s) - 3, 1) / len(s)
            # in space the noise of a point is three times that along one direction
            if off <= 3.0 * free * (FITS * noise.sigma) ** 2 or reach <= least:
                break
            reach = max(SHRINK * reach, least)
        line[i], along[i] = fit[0, 3:], fit[1, 3:]
    return line, unit(along)
