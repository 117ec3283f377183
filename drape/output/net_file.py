"""The net as a file."""

from __future__ import annotations

import numpy as np

from drape.fabric.fabric import Fabric
from drape.net.net import Net
from drape.net.on_faces import thickening
from drape.output.vtk import to_vtp


def net_file(net: Net, fabric: Fabric) -> bytes:
    """The whole cells of a net as a VTK file, with the cloth's thickness and areal mass."""
    i, j = np.nonzero(~np.isnan(net.shear))
    number_of = np.cumsum(net.known.ravel()).reshape(net.known.shape) - 1
    corners = [(i, j), (i + 1, j), (i + 1, j + 1), (i, j + 1)]
    cells = np.stack([number_of[c] for c in corners], axis=1)
    p = net.points
    warp = p[i + 1, j] - p[i, j] + p[i + 1, j + 1] - p[i, j + 1]
    weft = p[i, j + 1] - p[i, j] + p[i + 1, j + 1] - p[i + 1, j]
    warp /= np.linalg.norm(warp, axis=1, keepdims=True)
    weft /= np.linalg.norm(weft, axis=1, keepdims=True)
    more = thickening(net.shear[i, j])
    scalars = {"thickness_mm": fabric.thickness * more, "areal_mass_g_m2": fabric.areal_mass * more}
    return to_vtp(p[net.known], cells, net.shear[i, j], warp, weft, scalars)
