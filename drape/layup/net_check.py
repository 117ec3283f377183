"""The net against the smooth surface it was laid on: its shear against the curvature enclosed.

For a cell with geodesic sides a, b, a, b and angles A00 … A11 the angles' sum less 2π is the
curvature k inside (Gauss and Bonnet, key ``docarmo1976``). Cut along its sides and developed,
a cone point k at the shares (s, t) of a parallelogram turns the far sides against the near ones:
closing them again takes angles d at the corners with Σ d = k and Σ d·x = k·x(s, t), so that

    A11 − A00 = ∬K (s + t − 1),   A10 − A01 = ∬K (s − t).

With the cell's mean shear g = π/2 − (A00 + A11 + 2π − A10 − A01)/4, and the angles round a node
adding up to 2π, the alternating sum of g over a node's four cells is ∬K w with the weights
3/4 − (s + t)/2 in the cell past it along both, 1/4 + (s − t)/2 in the one before it along the
warp, 1/4 − (s − t)/2 before it along the weft, (s + t)/2 − 1/4 before it along both. That is
exact for the discrete net but for K² d⁴. The weights of a cell's four nodes add up to 1: summed
over a block they give the curvature inside it (Hazzidakis 1880, key ``hazzidakis1880``).

Shear is read from diagonals, K from the patches' normals: neither uses how nodes were found.
What the patches are wrong by against the mesh doesn't show here. Radians and mm inside.
"""

from __future__ import annotations

import numpy as np

from drape.geometry.surface import Floats
from drape.layup.checks import CURVATURE_LIMIT, cells_on_base
from drape.mould.closed.extension import Extended
from drape.net.net import Net

STEP = 0.05  # mm, of spacings that are asked for
FINEST_SHARE = 0.25  # of a spacing: what needs a still finer one is no matter of spacing
AIM = 0.9  # of the limit, that the spacing asked for is to reach


def node_residuals(net: Net, extended: Extended) -> Floats:
    """(p, q) alternating sums of the shears round each node less the curvature; NaN elsewhere.

    Of nodes whose four cells lie on the region's own surface.
    """
    cells = cells_on_base(net, extended)
    shear = np.where(cells, net.shear, np.nan)
    k, along, across = net.curvature_moments(cells)
    past, before = 0.75 * k - 0.5 * (along + across), 0.5 * (along + across) - 0.25 * k
    warp, weft = 0.25 * k + 0.5 * (along - across), 0.25 * k - 0.5 * (along - across)
    out = np.full(net.state.shape, np.nan)
    out[1:-1, 1:-1] = (shear - past)[1:, 1:] + (shear - before)[:-1, :-1]
    out[1:-1, 1:-1] -= (shear + warp)[:-1, 1:] + (shear + weft)[1:, :-1]
    unknown = cells & ~np.isfinite(k)  # no place is left unchecked for want of a patch's normal
    out[1:, 1:][unknown] = np.inf
    return out


def fine_enough(spacing: float, found: float) -> float | None:
    """Spacing at which a residual ``found`` at ``spacing`` should be within its limit, mm.

    It falls with the spacing's square, or faster. None where it isn't one that a finer net
    mends: it would take one finer than FINEST_SHARE of this.
    """
    wanted = spacing * np.sqrt(AIM * CURVATURE_LIMIT / max(found, 1e-300))
    if not wanted >= FINEST_SHARE * spacing:
        return None
    return float(round(max(np.floor(wanted / STEP + 1e-9), 1.0) * STEP, 2))
