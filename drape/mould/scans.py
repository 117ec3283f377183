"""A scanned half without its noise: the surface smoothed, its edges smoothed along it.

The quadrics of ``geometry.smoothing`` move vertices along the normals. On an edge the
noise also moves the line sideways, and a lap carried past it would lean with every
vertex: each edge's chain is fitted too, piece by piece, by a quadratic of its arc length.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drape.errors import Finding, Level
from drape.geometry.smoothing import Noise, measure_noise, smoothed
from drape.geometry.surface import Floats, build, readonly, unit
from drape.mould.region import Edge, Region

LARGE_NOISE = 0.05  # mm: past it a scan should be made again; our own choice
FEWEST = 5  # vertices that a quadratic along an edge is fitted to


def without_noise(region: Region, where: str) -> tuple[Region, tuple[Finding, ...]]:
    """The region with its mesh's noise taken out, and a finding; itself if there is none."""
    noise = measure_noise(region.surface)
    if noise.radius == 0.0:
        return region, ()
    surface = smoothed(region.surface, noise)
    sideways = _sideways(region, surface.vertices, surface.corner_normals, noise)
    vertices = surface.vertices + sideways
    surface = build(vertices, surface.faces, corner_normals=surface.corner_normals)
    edges = tuple(_steadied(e, vertices, noise.radius) for e in region.edges)
    message = (
        f"the mesh scatters by {noise.sigma:.3f} mm, as scans do; it was smoothed over a "
        f"radius of {noise.radius:.1f} mm"
    )
    level: Level = "risk" if noise.sigma > LARGE_NOISE else "warning"
    remedy = "details smaller than that are lost; scan again if they matter"
    return replace(region, surface=surface, edges=edges), (Finding(level, where, message, remedy),)


def _sideways(region: Region, vertices: Floats, corner_normals: Floats, noise: Noise) -> Floats:
    """(n, 3) moves in the surface's tangent planes that put edges on smooth lines.

    A vertex where edges meet moves to where all their fitted lines pass.
    """
    normals = np.zeros_like(vertices)
    np.add.at(normals, region.surface.faces.ravel(), corner_normals.reshape(-1, 3))
    normals = unit(normals)
    matrix, rhs = np.zeros((len(vertices), 3, 3)), np.zeros_like(vertices)
    for edge in region.edges:
        line, along = fitted_line(vertices[edge.vertices], edge.closed, noise.radius)
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


def _steadied(edge: Edge, vertices: Floats, radius: float) -> Edge:
    """The edge with its cut normals, which lean with the flange's noise, fitted likewise."""
    if edge.cut_normals is None:
        return edge
    points = vertices[edge.vertices]
    normals = fitted_line(points, edge.closed, radius, edge.cut_normals)[0]
    return replace(edge, cut_normals=readonly(unit(normals)))


def fitted_line(
    points: Floats, closed: bool, radius: float, field: Floats | None = None
) -> tuple[Floats, Floats]:
    """A chain (k, 3) on local quadratics of its arc length, and its unit tangents there.

    With a ``field`` (k, 3) given along the chain: that, fitted likewise, and its change.

    Weights (1 − (distance/radius)²)²; where fewer than FEWEST vertices are near, the
    nearest ones count. Chains shorter than that stay.
    """
    k, values = len(points), points if field is None else field
    if k < FEWEST:
        return values, unit(np.gradient(values, axis=0))
    ring = np.concatenate([points, points[:1]]) if closed else points
    where = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    line, along = np.empty_like(values), np.empty_like(values)
    for i in range(k):
        gap = where[:k] - where[i]
        if closed:
            gap = gap - where[-1] * np.round(gap / where[-1])
        reach = max(radius, 1.01 * float(np.partition(np.abs(gap), FEWEST - 1)[FEWEST - 1]))
        near = np.abs(gap) < reach
        s = gap[near] / reach
        root = 1.0 - s**2  # the root of the weight
        basis = np.stack([np.ones_like(s), s, s * s], axis=1)
        fit = np.linalg.lstsq(root[:, None] * basis, root[:, None] * values[near], rcond=None)[0]
        line[i], along[i] = fit[0], fit[1]
    return line, unit(along)
