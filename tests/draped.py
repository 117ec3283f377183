"""Bare sheets draped for tests. mm, radians."""

import numpy as np

from drape.geometry.surface import Surface, build
from drape.layup.piece import PieceOptions, make_piece
from drape.layup.start_places import nearest
from drape.mould.closed.extension import extend
from drape.mould.region import plain_region
from drape.net.solver import NetOptions, solve_net


def sheet(mesh):
    """The region of a mesh (vertices, faces), or of a Surface."""
    return plain_region(mesh if isinstance(mesh, Surface) else build(*mesh))


def place(region, point):
    """The SurfacePoint under a point (3,)."""
    return nearest(region, point, "test")[0]


def drape_piece(mesh, start, warp, *, allowances=0.0, height=0.0, spacing=1.0):
    """A Piece on a bare sheet; ``allowances`` one for all edges, or by edge name."""
    region = sheet(mesh)
    if not isinstance(allowances, dict):
        allowances = {e.name: allowances for e in region.edges}
    options = PieceOptions(place(region, start), np.array(warp, float), allowances, height, spacing)
    return make_piece(region, options)


def drape_net(mesh, start, warp, *, spacing=1.0, margin=10.0, grow=True):
    """A Net on a bare sheet carried on past its edges, and that Extended."""
    region = sheet(mesh)
    extended = extend(region, region.surface, 1.0, margin)
    net = solve_net(
        extended.surface,
        place(region, start),
        np.array(warp, float),
        NetOptions(spacing=spacing, grow=grow),
        level=extended.level,
    )
    return net, extended
