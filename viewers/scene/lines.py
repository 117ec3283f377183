"""Lines on a draped ply: yarns every so often, and flat lines laid on the surface.

Lengths in mm.
"""

from __future__ import annotations

import numpy as np
import shapely

from drape.geometry.surface import Floats
from drape.net.net import Net

PITCH = 10.0  # mm between the yarns that are drawn
LONGEST = 2.0  # mm between points of a drawn line


def yarn_lines(net: Net, polygon: shapely.Polygon, pitch: float = PITCH) -> dict[str, list[Floats]]:
    """Every n-th yarn inside the polygon: ``warp`` and ``weft``, each a list of (k, 3) mm.

    The yarns through the start point are among them.
    """
    low_x, low_y, high_x, high_y = polygon.bounds
    across = {"warp": (low_y, high_y, low_x, high_x), "weft": (low_x, high_x, low_y, high_y)}
    out = {}
    for name, (low, high, first, last) in across.items():
        places = pitch * np.arange(np.ceil(low / pitch), np.floor(high / pitch) + 1.0)
        ends = np.array([[[first, p], [last, p]] for p in places]).reshape(-1, 2, 2)
        if name == "weft":
            ends = ends[..., ::-1]
        parts = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), polygon))
        flat = [shapely.get_coordinates(p) for p in parts if p.geom_type == "LineString"]
        out[name] = [line for piece in flat for line in on_surface(net, piece)]
    return out


def on_surface(net: Net, flat: Floats, longest: float = LONGEST) -> list[Floats]:
    """A flat line (k, 2) on the surface: (k, 3) lines, several where the net isn't all along."""
    line = shapely.get_coordinates(shapely.segmentize(shapely.linestrings(flat), longest))
    points = net.to_surface(line)
    there = np.asarray(np.isfinite(points).all(axis=1))
    breaks = np.flatnonzero(np.diff(there.astype(int))) + 1
    runs = np.split(np.arange(len(points)), breaks)
    return [points[run] for run in runs if there[run[0]] and len(run) > 1]
