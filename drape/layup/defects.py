"""The net against the input mesh itself: its shear against ∬K dA from angle defects.

For any block of cells the alternating sum of the four corner shears equals the curvature
inside (Hazzidakis 1880, key ``hazzidakis1880``); it holds on every surface, and offsetting
doesn't change ∬K dA. Patches that aren't the mesh's surface (wrong normals) show in it, which
``layup.netcheck`` can't see. Through cell centres and from smoothed defects it is a coarse
measure: ``doubt`` and the mesh's own error are allowed for.

Radians and mm inside.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from drape.cloth.net import Net
from drape.geometry.surface import Bools, Floats, Surface
from drape.layup.checks import cells_on_base, largest_block_sum, nodes_on_base, slope_error
from drape.mould.extension import Extended

DEFECTS_LIMIT = np.radians(0.05)
DEFECTS_CEILING = np.radians(1.0)  # whatever the mesh: past it nothing is trusted
DOUBTS = 3.0  # noise left after a smoothing step is up to about this many times its effect
PASSES = 2  # of smoothing of the angle defects


def defects_check(
    net: Net, extended: Extended, base: Surface, mid: Surface, cavity: Surface
) -> tuple[float, float]:
    """Largest block's difference between shear and angle defects, and its limit, radians.

    The limit has the mesh's own uncertainty in it, told by ``cavity``.
    """
    residuals, doubt = defect_residuals(net, extended, base, mid)
    own = DOUBTS * (largest_block_sum(doubt) + chord_strain(cavity)) + slope_error(cavity)
    return largest_block_sum(residuals), float(np.fmin(DEFECTS_LIMIT + own, DEFECTS_CEILING))


def chord_strain(surface: Surface) -> float:
    """How much shorter the mesh's edges are than the arcs they stand for, at most, relative.

    θ²/24 for an edge over which the surface turns by θ (the arc's series), with θ the 99th
    percentile of the turn between the normals at the edges' ends. Where edges lie unevenly
    the strain is uneven, and the angle defects measure the curvature of that: as an angle,
    a few times the strain over any block, since ∬K is the turn along the block's rim (Gauss
    and Bonnet, key ``docarmo1976``).
    """
    normals = surface.corner_normals
    cosine = np.einsum("fki,fki->fk", normals, np.roll(normals, -1, axis=1))
    return float(np.quantile(np.arccos(np.clip(cosine, -1.0, 1.0)), 0.99) ** 2 / 24.0)


def curvature_density(
    base: Surface, mid: Surface, passes: int = PASSES, rim: float = np.nan
) -> Floats:
    """(n,) ∬K per area of ``mid`` at each vertex, 1/mm², from angle defects of ``base``.

    Single defects are uneven (on an uneven mesh even a cylinder's are, in pairs that
    cancel). Sharing each out to its facets and gathering again, S, keeps their sum but
    blurs; 2S − S² takes the blur's leading part back. A rim vertex has no defect: ``rim``
    there, and NaN goes as far inward as the sharing carries it.
    """
    n, faces = len(base.vertices), base.faces
    density = _defects(base)
    rim_face, side = np.nonzero(base.neighbours < 0)
    density[faces[rim_face, side]] = density[faces[rim_face, (side + 1) % 3]] = rim
    corner = sparse.csr_matrix(
        (np.ones(faces.size), (faces.ravel(), np.repeat(np.arange(len(faces)), 3))), (n, len(faces))
    )
    weight = corner @ mid.face_areas

    def spread(field: Floats) -> Floats:
        for _ in range(passes):
            field = corner @ (field[faces].mean(axis=1) * mid.face_areas) / weight
        return field

    once = spread(density / (weight / 3.0))
    return 2.0 * once - spread(once)


def _defects(surface: Surface) -> Floats:
    """(n,) 2π less the facets' angles at each vertex."""
    defect = np.full(len(surface.vertices), 2.0 * np.pi)
    corner = surface.vertices[surface.faces]
    for k in range(3):  # the three corners of every face
        a, b = corner[:, (k + 1) % 3] - corner[:, k], corner[:, (k + 2) % 3] - corner[:, k]
        cross = np.linalg.norm(np.cross(a, b), axis=1)
        angle = np.arctan2(cross, np.einsum("ij,ij->i", a, b))
        np.subtract.at(defect, surface.faces[:, k], angle)
    return defect


def defect_residuals(
    net: Net, extended: Extended, base: Surface, mid: Surface
) -> tuple[Floats, Floats]:
    """Alternating sums of the shears round each node less its ∬K dA, (p, q); NaN elsewhere.

    The second array is how much ∬K dA changes with less smoothing of the angle defects:
    the mesh's own uncertainty, small on an even mesh. A mesh of few facets is smoothed
    less, down to not at all, until some node is far enough from the rim to be judged. Where
    every facet touches the rim, a defect's share of a facet falls off to 0 at the rim: the
    facets' ∬K is still the defects' sum (0 on a strip without inner vertices, which unfolds).
    """
    inside = nodes_on_base(net, extended)
    shear = np.where(cells_on_base(net, extended), net.shear, np.nan)
    around = [shear[1:, 1:], shear[:-1, 1:], shear[1:, :-1], shear[:-1, :-1]]
    size = 0.25 * (np.cos(around[0]) + np.cos(around[1]) + np.cos(around[2]) + np.cos(around[3]))
    size *= np.outer(0.5 * (net.u[2:] - net.u[:-2]), 0.5 * (net.v[2:] - net.v[:-2]))
    total = around[0] - around[1] - around[2] + around[3]
    out, doubt = (np.full(net.state.shape, np.nan) for _ in range(2))
    for passes, rim in [(n, np.nan) for n in range(PASSES, -1, -1)] + [(0, 0.0)]:
        smooth, rough = (
            _at_nodes(net, extended, curvature_density(base, mid, n, rim), inside)[1:-1, 1:-1]
            for n in (passes, max(passes - 1, 0))
        )
        out[1:-1, 1:-1], doubt[1:-1, 1:-1] = total - smooth * size, (rough - smooth) * size
        if np.isfinite(out).any():
            break
    return out, doubt


def _at_nodes(net: Net, extended: Extended, density: Floats, inside: Bools) -> Floats:
    """A field on the region's vertices, at the net's nodes (p, q)."""
    padded = np.zeros(len(extended.surface.vertices))
    padded[: len(density)] = density
    b = np.where(inside[..., None], net.rows[..., 12:14], 0.0)  # elsewhere never filled
    weights = np.stack([1.0 - b[..., 0] - b[..., 1], b[..., 0], b[..., 1]], -1)
    face = np.where(inside, net.faces, 0)
    return np.einsum("ijk,ijk->ij", padded[extended.surface.faces[face]], weights)
