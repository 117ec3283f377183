"""A piece draped again from another start or angle: coarse, unchecked, to look at and compare.

What doesn't depend on the net (the surface past the edges, the moved edges on it) is taken
from the piece, so that a trial takes a fraction of a piece's time. Nothing is cut from
a trial: it has no checks.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely

from drape.errors import AccuracyError
from drape.geometry.surface import Floats, SurfacePoint
from drape.layup.edges import EdgeStretch, flattened
from drape.layup.outline import Outline, outlines
from drape.layup.piece import Piece, PieceOptions
from drape.net.assessment import Assessment, assess
from drape.net.net import Net
from drape.net.solver import NetOptions, solve_net

SPACING = 5.0  # mm


@dataclass(frozen=True, eq=False)
class Trial:
    """A net from another start, with the outline that it gives.

    Attributes
    ----------
    options : PieceOptions
    net : Net
    moved : by edge, the piece's moved edges with their places on this net
    outlines : tuple of Outline
        The outer one first; empty where the net doesn't reach all of the edges.
    assessment : Assessment or None
        None without an outline.
    """

    options: PieceOptions
    net: Net
    moved: Mapping[str, tuple[EdgeStretch, ...]]
    outlines: tuple[Outline, ...]
    assessment: Assessment | None

    @property
    def polygon(self) -> shapely.Polygon | None:
        """Flat cloth inside the cut line; None without an outline."""
        if not self.outlines:
            return None
        return shapely.Polygon(self.outlines[0].points, [o.points for o in self.outlines[1:]])


def try_start(piece: Piece, start: SurfacePoint, warp: Floats, spacing: float = SPACING) -> Trial:
    """Drape a piece's surface from another start.

    Parameters
    ----------
    piece : Piece
    start : SurfacePoint on the piece's region
    warp : (3,) direction of the warp there
    spacing : mm

    Raises
    ------
    InputError
        A start or direction that can't be (see ``solve_net``).
    AccuracyError
        No net could be made.
    """
    options = replace(piece.options, start=start, warp=warp, spacing=spacing)
    extended = piece.extended
    net = solve_net(
        extended.surface,
        start,
        warp,
        NetOptions(spacing=spacing),
        level=extended.level,
        sheets=extended.sheets,
    )
    moved = {
        name: tuple(flattened(net, part) for part in parts) for name, parts in piece.moved.items()
    }
    points = [np.r_[part.flat, part.flat_base] for parts in moved.values() for part in parts]
    if not all(np.isfinite(p).all() for p in points):
        return Trial(options, net, moved, (), None)
    try:
        cut, own = outlines(piece.region, moved), outlines(piece.region, moved, at_base=True)
        polygons = [
            shapely.Polygon(some[0].points, [o.points for o in some[1:]]) for some in (cut, own)
        ]
    except AccuracyError:
        return Trial(options, net, moved, (), None)
    if not all(polygon.is_valid and polygon.area > 0.0 for polygon in polygons):
        return Trial(options, net, moved, (), None)
    return Trial(options, net, moved, cut, assess(net, *polygons))
