"""Noise of scanned meshes: how much there is, and a surface without it.

A scan's vertices scatter about the surface. Each vertex is compared with the quadric
through its neighbours, itself left out: on a smooth surface that misses by a slowly
varying amount, whereas noise differs from vertex to vertex. Where there is noise, each
vertex moves onto the quadric fitted to the vertices within a radius: as large as the
noise asks for, and smaller where the surface is no quadric over that radius.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Ints1, local_indices, local_matrix, local_vector
from drape.geometry.fitting import add_row, clear, frame, in_frame, misfit, ring, solve_ridge
from drape.geometry.surface import Floats, Ints, Surface, build, rows_of

SLOPE_WANTED = np.radians(0.1)  # error of the normals that smoothing aims at
MOST_RINGS = 8
MOST_NEAR = 300
ROOM = MOST_NEAR + 2  # of a list of neighbours
FEWEST = 9  # neighbours that a quadric is fitted to
MARGIN = 1.2  # on the distance of the farthest of them, whose weight would be 0
FITS = 1.3  # times the noise: a larger residual means that the surface is no quadric there
BREAKS = 2.0  # times that: no quadric fits, the vertex stays
SHRINK = 0.7  # of the radius, a try
NORMALISED = 1.4826  # median absolute deviation → standard deviation of a normal distribution
LONE = 1.5  # variance of a vertex against its ring's quadric less the ring's mean, in σ²
NEAR, FAR = 3.1, 4.7  # vertex distances: two radii that the scatter is measured over
OF_NOISE = (0.82, 1.0)  # of the nearer one: what the farther one is for noise; measured
EDGE_OF_AREA = 1.52  # edge of an equilateral triangle over the root of its area


@dataclass(frozen=True)
class Noise:
    """Measured noise of a mesh and the radius of the fit that takes it out.

    sigma : standard deviation along the normals, mm
    spacing : mm between vertices
    radius : mm; 0 where nothing needs smoothing
    """

    sigma: float
    spacing: float
    radius: float


@kernel
def fit_height(
    points: Floats2,
    v: int,
    found: Ints1,
    count: int,
    axes: Floats2,
    radius: float,
    with_self: bool,
    matrix: Floats2,
    rhs: Floats1,
) -> float:
    """Fit z = r·(x, y, x², xy, y², 1) round vertex ``v`` in the frame ``axes``.

    Weights (1 − (distance/radius)²)². Fills ``rhs`` (6,) with the coefficients; returns
    the root mean square residual per degree of freedom, mm.
    """
    row = local_vector(6)
    clear(matrix, rhs)
    used, total, weight = 0, 0.0, 0.0
    for repeat in range(2):
        for i in range(0 if with_self else 1, count):
            x, y, z = in_frame(points, v, found[i], axes)
            t = (x * x + y * y + z * z) / (radius * radius)
            if t >= 1.0:
                continue
            w = (1.0 - t) ** 2
            row[0], row[1], row[2], row[3], row[4], row[5] = x, y, x * x, x * y, y * y, 1.0
            if repeat == 0:
                used += 1
                add_row(row, z, w, matrix, rhs)
            else:
                total += w * misfit(row, z, rhs) ** 2
                weight += w
        if repeat == 0:
            solve_ridge(matrix, rhs)
    return np.sqrt(total / weight * used / max(used - 6, 1))


@kernel
def reach_of(points: Floats2, v: int, found: Ints1, count: int) -> float:
    """Distance from vertex ``v`` to the farthest of the found ones, mm."""
    farthest = 0.0
    for i in range(count):
        distance = 0.0
        for c in range(3):
            distance += (points[found[i], c] - points[v, c]) ** 2
        farthest = max(farthest, distance)
    return np.sqrt(farthest)


@entry(writes="mark out")
def fit_heights(
    points: Floats2,
    normals: Floats2,
    radius: float,
    sigma: float,
    rings: int,
    with_self: bool,
    start: Ints1,
    neighbour: Ints1,
    mark: Ints1,
    out: Floats2,
) -> None:
    """Fill ``out`` (n, 4): height of the fitted quadric above each vertex, and its normal.

    The radius shrinks until the residual is explained by ``sigma`` or two rings are
    left. ``mark`` as in ``fitting.ring``. Height NaN, and the normal given, where there are too
    few from the beginning or the residual is never explained.
    """
    found = local_indices(ROOM)
    axes, matrix, rhs = local_matrix(3, 3), local_matrix(6, 6), local_vector(6)
    for v in range(points.shape[0]):
        out[v, 0] = np.nan
        for c in range(3):
            out[v, 1 + c] = normals[v, c]
        # two rings at least: over one row of vertices beside it a quadric tilts freely
        count = ring(v, 2, start, neighbour, mark, found)
        least = MARGIN * reach_of(points, v, found, count)
        count = ring(v, rings, start, neighbour, mark, found)
        if count <= FEWEST:
            continue
        frame(normals[v, 0], normals[v, 1], normals[v, 2], axes)
        r, residual = max(radius, least), 0.0
        while True:
            residual = fit_height(points, v, found, count, axes, r, with_self, matrix, rhs)
            if residual <= FITS * sigma or r <= least:
                break
            r = max(SHRINK * r, least)
        if residual > BREAKS * FITS * sigma:
            continue
        out[v, 0] = rhs[5]
        size = np.sqrt(1.0 + rhs[0] ** 2 + rhs[1] ** 2)
        for c in range(3):
            out[v, 1 + c] = (axes[2, c] - rhs[0] * axes[0, c] - rhs[1] * axes[1, c]) / size


def measure_noise(surface: Surface) -> Noise:
    """Standard deviation of a mesh's noise, and the radius that taking it out needs.

    Within radius r there are N ≈ 3.6 (r/h)² vertices h apart; a plane fitted to them with
    the weights (1 − (distance/r)²)² is tilted by about 5 σ/(r √N) (least squares). The
    radius makes that SLOPE_WANTED; none where a single ring is good enough already.

    On a coarse mesh quadrics miss an exact surface too, unevenly where its facets are
    uneven. That grows or falls with the radius they are fitted over; noise hardly does.
    """
    spacing = EDGE_OF_AREA * float(np.median(np.sqrt(surface.face_areas)))
    sigma = _scatter(surface, NEAR * spacing, 3)
    if sigma < SLOPE_WANTED * spacing:
        return Noise(sigma, spacing, 0.0)
    low, high = OF_NOISE
    if not low * sigma <= _scatter(surface, FAR * spacing, 5) <= high * sigma:
        return Noise(sigma, spacing, 0.0)
    wanted = np.sqrt(5.0 * sigma * spacing / (np.sqrt(3.6) * SLOPE_WANTED))
    return Noise(sigma, spacing, float(np.clip(wanted, 2.6 * spacing, MOST_RINGS * 0.8 * spacing)))


def _scatter(surface: Surface, radius: float, rings: int) -> float:
    """Spread of how far vertices lie off their neighbours' quadrics, less its slow part, mm."""
    points, normals, start, neighbour = _sectors(surface)
    n = len(points)
    fits = np.empty((n, 4))
    fit_heights(
        points, normals, radius, np.inf, rings, False, start, neighbour, np.full(n, -1), fits
    )
    there = np.isfinite(fits[:, 0])
    if there.sum() < 20:
        return 0.0
    near = sparse.csr_matrix((np.ones(len(neighbour)), neighbour, start), (n, n))
    filled = np.where(there, fits[:, 0], 0.0)
    change = (filled - near @ filled / np.maximum(near @ there.astype(float), 1.0))[there]
    spread = NORMALISED * float(np.median(np.abs(change - np.median(change))))
    return spread / float(np.sqrt(LONE))


def smoothed(surface: Surface, noise: Noise) -> Surface:
    """The surface with each vertex on the quadric fitted round it; normals are theirs.

    Vertices on a crease move by the mean of what their sectors ask for.
    """
    if noise.radius == 0.0:
        return surface
    points, normals, start, neighbour = _sectors(surface)
    fits = np.empty((len(points), 4))
    rings = min(int(np.ceil(1.3 * noise.radius / noise.spacing)), MOST_RINGS)
    mark = np.full(len(points), -1)
    fit_heights(
        points, normals, noise.radius, noise.sigma, rings, True, start, neighbour, mark, fits
    )
    lift = np.nan_to_num(fits[:, 0])[:, None] * normals
    moved, count = np.zeros_like(surface.vertices), np.zeros(len(surface.vertices))
    first = np.unique(surface.sectors, return_index=True)[1]
    owner = surface.faces.ravel()[first]
    np.add.at(moved, owner, lift)
    np.add.at(count, owner, 1.0)
    vertices = surface.vertices + moved / np.maximum(count, 1.0)[:, None]
    return build(vertices, surface.faces, corner_normals=fits[:, 1:4][surface.sectors])


def _sectors(surface: Surface) -> tuple[Floats, Floats, Ints, Ints]:
    """Position and normal of each sector, (s, 3), and the sectors' adjacency."""
    points = np.empty_like(surface.sector_normals)
    points[surface.sectors] = surface.vertices[surface.faces]
    return points, np.array(surface.sector_normals), *rows_of(surface.sectors, len(points))[:2]
