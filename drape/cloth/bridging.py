"""Bridging zones: where yarns would have to bend more tightly than the stack can follow.

concave   hollow seen from inside: cloth that can't follow spans it, with a gap under it
convex    an outside corner: cloth is bent sharply over it

The limits are common practice: inside radii of a mould of 3 mm or the laminate's thickness,
whichever is more; a single ply is bent no more tightly than 3 mm (from memory). A zone is a
risk, never a promise. Lengths in mm, areas in mm².
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from scipy.ndimage import label
from shapely.geometry.base import BaseGeometry as Geometry

from drape.cloth.net import Net
from drape.cloth.yarns import Run, Yarn, bends, tight_runs, yarn_samples
from drape.geometry.surface import Floats, Ints, readonly

LEAST_RADIUS = 3.0  # mm; common practice
LEAST_HEIGHT = 0.02  # mm: a tenth of a thin ply; a gap that low isn't one
FEWEST = 2  # yarns of a zone: a single one is a bad fit of the mesh
SAMPLES = 12.0  # along the limit's length

Kind = Literal["concave", "convex"]
Family = Literal["warp", "weft"]
FAMILIES: tuple[Family, ...] = ("warp", "weft")


@dataclass(frozen=True, eq=False)
class BridgingZone:
    """A connected place that is bent too tightly.

    Attributes
    ----------
    kind : "concave" or "convex"
    area : float, mm² of the mid-surface, about: lengths of the runs times the yarns' spacing
    radius, limit : float, mm
        Least radius of a run, 0 for a sharp corner; of the mould where concave, of the
        ply's own mid-surface where convex.
    height : float, mm
        Of the bridge's gap, at most; over a convex place, how far it stands out.
    place : (3,) mm, under the highest
    yarns : of "warp" and "weft", those that bend there
    u_range, v_range : (low, high) mm
    flat_outline, outline : (k, 2), (k, 3) mm, round the cells concerned, closed
    """

    kind: Kind
    area: float
    radius: float
    limit: float
    height: float
    place: Floats
    yarns: tuple[Family, ...]
    u_range: tuple[float, float]
    v_range: tuple[float, float]
    flat_outline: Floats
    outline: Floats


@dataclass(frozen=True, eq=False)
class _Placed:
    """A run with the cells (n, 2) beside it, and the width that it stands for, mm."""

    run: Run
    yarn: Family
    cells: Ints
    width: float


def concave_limit(stack: float, least: float = LEAST_RADIUS) -> float:
    """Least inside radius of the mould, mm, under a laminate of thickness ``stack``, mm."""
    return max(least, stack)


def bridging_zones(
    net: Net, own: Geometry, height: float, stack: float, least: float = LEAST_RADIUS
) -> tuple[BridgingZone, ...]:
    """Find where a ply would bridge or bend too sharply, the highest first.

    Parameters
    ----------
    net : Net
    own : flat polygon of the ply's own edges, mm
        Laps aren't looked at: the steps under them are as steep as the mesh is fine.
    height : float, mm, from the mould to the ply's mid-surface
    stack : float, mm, thickness of the laminate up to the top of this ply
    least : float, mm
    """
    limit = concave_limit(stack, least)
    warps, wefts = yarn_samples(net, least / SAMPLES)
    out: list[BridgingZone] = []
    shapely.prepare(own)
    kinds: tuple[tuple[Kind, float, float, float], ...] = (
        ("concave", 1.0, height, limit),
        ("convex", -1.0, 0.0, least),
    )
    for kind, sign, below, most in kinds:
        runs = _placed(net, warps, "warp", own, sign, below, most)
        runs += _placed(net, wefts, "weft", own, sign, below, most)
        out += _zones(net, runs, kind, most)
    return tuple(sorted(out, key=lambda z: (z.kind == "convex", -z.height)))


def _placed(
    net: Net,
    yarns: list[Yarn],
    name: Family,
    own: Geometry,
    sign: float,
    below: float,
    limit: float,
) -> list[_Placed]:
    """The tight runs of one family of yarns inside the ply's own edges."""
    across, along = (net.v, net.u) if name == "warp" else (net.u, net.v)
    widths = 0.5 * (np.diff(across, prepend=across[0]) + np.diff(across, append=across[-1]))
    out = []
    for j, yarn in enumerate(yarns):
        middle = 0.5 * (yarn.along[1:] + yarn.along[:-1])
        level = np.full(len(middle), across[j])
        x, y = (middle, level) if name == "warp" else (level, middle)
        curvature = np.where(shapely.contains_xy(own, x, y), sign * bends(yarn, below), np.nan)
        for run in tight_runs(yarn, curvature, limit):
            if run.height < LEAST_HEIGHT:
                continue
            first = max(int(np.searchsorted(along, run.low, side="right")) - 1, 0)
            last = min(int(np.searchsorted(along, run.high)), len(along) - 1)
            i = np.arange(first, max(last, first + 1))
            sides = [k for k in (j - 1, j) if 0 <= k < len(across) - 1]
            cells = np.array([(a, b) for a in i for b in sides])
            out.append(_Placed(run, name, cells if name == "warp" else cells[:, ::-1], widths[j]))
    return out


def _zones(net: Net, runs: list[_Placed], kind: Kind, limit: float) -> list[BridgingZone]:
    """Runs whose cells touch, together; those of too few yarns are left out."""
    marked = np.zeros(net.shear.shape, dtype=bool)
    for placed in runs:
        marked[tuple(placed.cells.T)] = True
    number, count = label(marked, structure=np.ones((3, 3), dtype=int))
    groups: list[list[_Placed]] = [[] for _ in range(count)]
    for placed in runs:
        groups[number[tuple(placed.cells[0])] - 1].append(placed)
    return [
        _zone(net, group, number == k + 1, kind, limit)
        for k, group in enumerate(groups)
        if len(group) >= FEWEST
    ]


def _zone(
    net: Net, group: Sequence[_Placed], cells: np.ndarray, kind: Kind, limit: float
) -> BridgingZone:
    highest = max(group, key=lambda p: p.run.height).run
    names = tuple(n for n in FAMILIES if any(p.yarn == n for p in group))
    i, j = np.nonzero(cells)
    outline = _outline(net, i, j)
    slant = float(np.cos(np.nanmean(net.shear[i, j]))) if np.isfinite(net.shear[i, j]).any() else 1
    areas = [sum((p.run.high - p.run.low) * p.width for p in group if p.yarn == n) for n in names]
    return BridgingZone(
        kind,
        max(areas) * slant,
        min(p.run.radius for p in group),
        limit,
        highest.height,
        readonly(highest.middle),
        names,
        (float(net.u[i.min()]), float(net.u[i.max() + 1])),
        (float(net.v[j.min()]), float(net.v[j.max() + 1])),
        readonly(outline),
        readonly(net.to_surface(outline)),
    )


def _outline(net: Net, i: Ints, j: Ints) -> Floats:
    """(k, 2) outer line round cells that touch."""
    union = shapely.union_all(shapely.box(net.u[i], net.v[j], net.u[i + 1], net.v[j + 1]))
    parts = shapely.get_parts(union)  # cells that touch with a corner only
    largest = parts[int(np.argmax(shapely.area(parts)))]
    return shapely.get_coordinates(largest.exterior)
