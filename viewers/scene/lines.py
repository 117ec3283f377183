"""Lines on a draped ply: yarns every so often, and flat lines laid on the surface.

Lengths in mm.
"""

from __future__ import annotations

import numpy as np
import shapely

from drape.geometry.surface import Floats
from drape.net.net import Net
from viewers.scene.schema import Yarns

PITCH = 10.0  # mm between the yarns that are drawn
LONGEST = 2.0  # mm between points of a drawn line


def yarn_lines(net: Net, polygon: shapely.Polygon, pitch: float = PITCH) -> Yarns:
    """Every n-th yarn inside the polygon: ``warp`` and ``weft``, each a list of (k, 3) mm.

    The yarns through the start point are among them.
    """
    return {
        "warp": _family(net, polygon, pitch, upright=False),
        "weft": _family(net, polygon, pitch, upright=True),
    }


def _family(net: Net, polygon: shapely.Polygon, pitch: float, upright: bool) -> list[Floats]:
    ends = np.array(polygon.bounds).reshape(2, 2)[:, :: -1 if upright else 1]
    (first, low), (last, high) = ends
    places = pitch * np.arange(np.ceil(low / pitch), np.floor(high / pitch) + 1.0)
    lines = np.array([[[first, p], [last, p]] for p in places]).reshape(-1, 2, 2)
    lines = lines[..., :: -1 if upright else 1]
    parts = shapely.get_parts(shapely.intersection(shapely.linestrings(lines), polygon))
    flat = [shapely.get_coordinates(p) for p in parts if p.geom_type == "LineString"]
    return [line for piece in flat for line in on_surface(net, piece)]


def on_surface(net: Net, flat: Floats, longest: float = LONGEST) -> list[Floats]:
    """A flat line (k, 2) on the surface: (k, 3) lines, several where the net isn't all along."""
    line = shapely.get_coordinates(shapely.segmentize(shapely.linestrings(flat), longest))
    points = net.to_surface(line)
    there = np.asarray(np.isfinite(points).all(axis=1))
    breaks = np.flatnonzero(np.diff(there.astype(int))) + 1
    runs = np.split(np.arange(len(points)), breaks)
    return [points[run] for run in runs if there[run[0]] and len(run) > 1]
