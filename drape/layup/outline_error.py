"""How far a piece's outline may be off because the mesh isn't the mould.

The piece is laid twice more with a somewhat coarser net, straight on past its edges: on the whole
surface, and on that without a quarter of the mesh's vertices (see ``mould.surface_error``). The
distance between its edges on the cloth is stated, whole: errors of the surface add up away from the
start. It holds all that they do to an outline: false shear, the rim between vertices, lengths.
Lengths in mm.
"""

from __future__ import annotations

from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
import shapely

from drape.errors import AccuracyError, InputError
from drape.geometry.surface import Floats, SurfacePoint
from drape.layup.edges import EdgeStretch, stretches
from drape.mould.closed.extension import extend
from drape.mould.region import Region
from drape.mould.surface_error import surface_error
from drape.net.solver import NetOptions, solve_net

COARSER_NET = 1.5  # times the piece's spacing: enough for a difference
PAST = 1.0  # mm past the edges that the net is needed
MARGIN = 6.0  # times the spacing


_KNOWN: WeakKeyDictionary[Region, dict[tuple[Any, ...], float]] = WeakKeyDictionary()


def outline_error(region: Region, start: SurfacePoint, warp: Floats, spacing: float) -> float:
    """Largest distance between a piece's edges on two meshes of a region, mm.

    ``start`` and ``warp`` as in ``PieceOptions``; ``spacing`` of the piece's net, mm. NaN where
    no vertex can be left out, or one of the nets doesn't reach all edges. Kept for each Region:
    plies that start alike ask for the same.
    """
    known = _KNOWN.setdefault(region, {})
    key = (start, tuple(np.round(warp, 12).tolist()), spacing)
    if key not in known:
        known[key] = _outline_error(region, start, warp, spacing)
    return known[key]


def _outline_error(region: Region, start: SurfacePoint, warp: Floats, spacing: float) -> float:
    error = surface_error(region)
    if error.coarse is None:
        return np.nan
    judged, start = error.judged(region), error.start(region, start)
    places = (judged, start), (error.coarse.region, error.coarse.place(judged, start))
    try:
        here, there = (_edges(r, s, warp, COARSER_NET * spacing) for r, s in places)
    except (AccuracyError, InputError):
        return np.nan
    return max(_gap(one, other) for one, other in zip(here, there, strict=True))


def _gap(here: tuple[EdgeStretch, ...], there: tuple[EdgeStretch, ...]) -> float:
    """Largest distance between an edge's samples and the same edge on the other mesh, flat, mm."""
    out = 0.0
    for one, other in ((here, there), (there, here)):
        lines = [_line(s) for s in one]
        points = np.concatenate([s.flat_base[s.found] for s in other])
        if not all(np.isfinite(x).all() for x in (*lines, points)):
            return np.nan
        line = shapely.MultiLineString(lines)
        out = max(out, float(shapely.distance(line, shapely.points(points)).max(initial=0.0)))
    return out


def _edges(
    region: Region, start: SurfacePoint, warp: Floats, spacing: float
) -> list[tuple[EdgeStretch, ...]]:
    """All edges of the region on the cloth of a net that lies on the cavity itself."""
    extended = extend(region, region.surface, PAST, MARGIN * spacing)
    net = solve_net(
        extended.surface,
        start,
        warp,
        NetOptions(spacing=spacing),
        level=extended.level,
        sheets=extended.sheets,
    )
    return [stretches(region, extended.surface, net, e, 0.0, 0.0) for e in region.edges]


def _line(stretch: EdgeStretch) -> Floats:
    flat = stretch.flat_base
    return np.concatenate([flat, flat[:1]]) if stretch.closed else flat
