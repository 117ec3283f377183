"""Self-checks of every run, each made in a way that is independent of what it checks.

curvature    the net's shear against the curvature of the smooth surface it was laid on:
             ``layup.net_check``
yarn length  whole yarns, measured again by dense sampling on the surface
closure      the outline laid on the surface by a second net (other spacing, other phase),
             and its distance from the edge measured along the surface
surface      how far the smooth surface may be from the true one, by leaving out vertices of the
             mesh: ``mould.surface_error``
outline      how far that may move the piece's edges: ``layup.outline_error``

Radians and mm inside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drape.geometry.patches import place_near
from drape.geometry.surface import Bools, Floats, Surface
from drape.layup.edges import EdgeStretch
from drape.mould.closed.extension import Extended
from drape.net.blocks import largest_block
from drape.net.facets import folded_lengths
from drape.net.net import Net

CURVATURE_LIMIT = np.radians(0.05)  # whatever the mesh: the surface is known exactly
YARN_LIMIT = 1e-5  # 0.01 mm in a metre; wrong normals are seen by ``outline``, not by lengths
CLOSURE_LIMIT = 0.05
SURFACE_LIMIT = 0.3  # mm
OUTLINE_LIMIT = 1.0  # mm, common practice for a template cut by hand
CLOSURE_CEILING = 0.3  # mm, whatever the mesh: past it nothing is trusted
MOST_CORNERS = 60_000  # of blocks, per anchor
SAMPLES = 8  # chords per cell side and per allowance when lengths are measured again
MOST_YARNS = 50
SHORTEST_YARN = 20.0  # mm
FEWEST_SAMPLES = 3  # of an edge, that must be left in the outline


@dataclass(frozen=True)
class Checks:
    """Measured deviations with their limits; NaN where there was nothing to measure.

    curvature : radians; yarn_length : relative; closure : mm
    surface, outline : mm, stated errors; NaN where the mesh can't show it
    """

    curvature: float
    yarn_length: float
    closure: float
    surface: float
    outline: float
    curvature_limit: float
    yarn_limit: float
    closure_limit: float
    surface_limit: float = SURFACE_LIMIT
    outline_limit: float = OUTLINE_LIMIT

    @property
    def passed(self) -> bool:
        """Whether every deviation is within its limit; NaN fails, but for stated errors."""
        return (
            self.curvature <= self.curvature_limit
            and self.yarn_length <= self.yarn_limit
            and self.closure <= self.closure_limit
            and not self.surface > self.surface_limit
            and not self.outline > self.outline_limit
        )


def mesh_error(surface: Surface) -> float:
    """Estimate of how far the smooth patches are from the true surface, mm.

    Twice the 95th percentile of the distance by which the fitted quadrics miss their
    neighbours: for exact vertices the higher-order part, for scans the noise.
    """
    return 2.0 * float(np.quantile(surface.sector_residual, 0.95))


def slope_error(surface: Surface) -> float:
    """Estimate of the shear that wrong slopes of the patches may feign, radians.

    A quarter of the mesh error over the facets' size: on prisms with fillets, where the
    shear should be 0, the false shear was at most that.
    """
    return 0.25 * mesh_error(surface) / float(np.median(np.sqrt(surface.face_areas)))


def nodes_on_base(net: Net, extended: Extended) -> Bools:
    """(p, q) nodes that lie on the region's own surface, not on what carries it on."""
    out = np.zeros(net.state.shape, dtype=bool)
    out[net.known] = extended.level[net.faces[net.known]] == 0
    return out


def cells_on_base(net: Net, extended: Extended) -> Bools:
    """(p − 1, q − 1) cells whose four nodes lie on the region's own surface."""
    inside = nodes_on_base(net, extended)
    return inside[1:, 1:] & inside[:-1, 1:] & inside[1:, :-1] & inside[:-1, :-1]


def largest_block_sum(residual: Floats, anchors: int = 12) -> float:
    """Largest |sum| of ``residual`` over blocks of valid nodes with a corner on a lattice.

    The blocks' other corners lie on every node, on large nets on every few. NaN where there
    is no valid node: nothing was measured.
    """
    valid = ~np.isnan(residual)
    if not valid.any():
        return float("nan")
    total = np.pad(np.where(valid, residual, 0.0), ((1, 0), (1, 0))).cumsum(0).cumsum(1)
    count = np.pad(valid.astype(np.int64), ((1, 0), (1, 0))).cumsum(0).cumsum(1)
    p, q = residual.shape
    stride = int(np.ceil(np.sqrt(p * q / MOST_CORNERS)))
    rows, columns = (
        np.unique(np.linspace(1, n - 1, anchors).astype(np.int64)) // stride for n in (p, q)
    )
    total, count = (np.ascontiguousarray(x[::stride, ::stride]) for x in (total, count))
    return largest_block(total, count, rows, columns, stride)


def yarn_deviation(net: Net, wanted: Bools) -> float:
    """Largest relative difference of re-measured yarn lengths from their flat lengths.

    ``wanted`` (p, q): nodes to look at. Up to MOST_YARNS yarns of each family, evenly
    chosen; a yarn's length is at least SHORTEST_YARN in the division. NaN where a family
    has no whole cell side among them: nothing was measured.
    """
    worst = 0.0
    for turned in (False, True):
        nodes = wanted & net.known
        nodes = nodes.T if turned else nodes
        pair = nodes[1:] & nodes[:-1]
        columns = np.flatnonzero(pair.any(axis=0))
        if not len(columns):
            return float("nan")
        columns = columns[np.unique(np.linspace(0, len(columns) - 1, MOST_YARNS).astype(int))]
        i, k = np.nonzero(pair[:, columns])
        j = columns[k]
        here, there = ((j, i), (j, i + 1)) if turned else ((i, j), (i + 1, j))
        flat = net.v if turned else net.u
        nominal = flat[i + 1] - flat[i]
        measured = surface_lengths(net, net.faces[here], net.rows[here], net.rows[there])
        total = np.bincount(k, measured - nominal, len(columns))
        length = np.maximum(np.bincount(k, nominal, len(columns)), SHORTEST_YARN)
        worst = max(worst, float(np.max(np.abs(total) / length)))
    return worst


def surface_lengths(net: Net, faces: NDArray, start: Floats, end: Floats) -> Floats:
    """(k,) lengths of the surface curves above the chords between rows (k, ROW).

    Chords over SAMPLES points dropped on the surface, extrapolated (Richardson); over a
    crease, where no chord can be dropped, straight walks on the facets.
    """
    share = np.arange(1, SAMPLES) / SAMPLES
    points, place, weights = [start[:, :3]], faces, start[:, 12:14]
    for s in share:
        place, rows = place_near(
            net.patches, place, weights, start[:, :3] + s * (end[:, :3] - start[:, :3])
        )
        weights = rows[:, 12:14]
        points.append(rows[:, :3])
    points.append(end[:, :3])
    chain = np.stack(points)
    fine = np.linalg.norm(np.diff(chain, axis=0), axis=2).sum(axis=0)
    coarse = np.linalg.norm(np.diff(chain[::2], axis=0), axis=2).sum(axis=0)
    smooth = fine + (fine - coarse) / 3.0
    if not net.surface.crease.any():
        return smooth
    folded = np.empty(len(start))
    folded_lengths(net.patches, np.asarray(faces, np.int64), start, end, folded)
    return np.where(np.isnan(folded), smooth, folded)


def closure(
    second: Net,
    flat: dict[str, list[Floats]],
    moved: dict[str, tuple[EdgeStretch, ...]],
    allowances: Mapping[str, Sequence[ArrayLike]],
) -> float:
    """Largest difference of the outline's distance from its edges from the allowances, mm.

    ``flat`` holds, per edge and stretch, the outline's own vertices that belong to samples,
    ``allowances`` what their distances should be: one for the stretch, or one each.
    NaN where the second net doesn't reach one, or where an edge has hardly a sample left
    in the outline: then there is nothing to trust.
    """
    worst = 0.0
    for name, stretches in moved.items():
        seen, of = 0, 0
        for stretch, points, own in zip(stretches, flat[name], allowances[name], strict=True):
            of += len(stretch.flat)
            seen += len(points)
            if not len(points):
                continue
            laid = second.to_surface(points)
            wanted = np.broadcast_to(np.asarray(own, dtype=float), len(points))
            distance = edge_distance(second, stretch, laid, wanted)
            if np.isnan(distance).any():
                return float("nan")
            worst = max(worst, float(np.max(np.abs(distance - wanted))))
        if seen < min(FEWEST_SAMPLES, of):
            return float("nan")
    return worst


def edge_distance(net: Net, stretch: EdgeStretch, points: Floats, about: Floats) -> Floats:
    """(k,) distance along the surface of (k, 3) points from a stretch of an edge, mm.

    Negative short of the edge (on the region's side: the chain has it on its left). Where
    ``about`` (k,), the distance to expect, is 0 the side doesn't matter: the chord's length.
    """
    base = stretch.base[:, :3]
    ring = np.concatenate([base, base[:1]]) if stretch.closed else base
    a, d = ring[:-1], np.diff(ring, axis=0)
    share = np.einsum("kij,ij->ki", points[:, None] - a[None], d) / np.einsum("ij,ij->i", d, d)
    foot = a[None] + np.clip(share, 0.0, 1.0)[..., None] * d[None]
    chord = np.linalg.norm(points[:, None] - foot, axis=2)
    best = np.argmin(np.where(np.isnan(chord), np.inf, chord), axis=1)
    rows = np.arange(len(points))
    if not about.any():
        return chord[rows, best]
    face, at = place_near(
        net.patches, stretch.faces[best], stretch.base[best, 12:14], foot[rows, best]
    )
    end = np.zeros_like(at)
    end[:, :3] = points
    outward = np.cross(d[best], stretch.base[best, 3:6])
    side = np.sign(np.einsum("ij,ij->i", points - foot[rows, best], outward))
    return np.where(about == 0.0, chord[rows, best], side * surface_lengths(net, face, at, end))
