"""Bridging zones: where yarns would have to bend more tightly than the stack can follow.

concave   hollow seen from inside: cloth that can't follow spans it, with a gap under it
convex    an outside corner: cloth is bent sharply over it

The limits are common practice: inside radii of a mould of 3 mm or the laminate's thickness,
whichever is more; a single ply is bent no more tightly than 3 mm (from memory). A zone is a
risk, never a promise. Lengths in mm, areas in mm².
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from scipy.ndimage import label
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry as Geometry

from drape.geometry.surface import Bools, Floats, Ints, Surface, readonly
from drape.net.net import Net
from drape.net.yarns import Run, Yarn, bends, laid_below, tight_runs, yarn_samples

LEAST_RADIUS = 3.0  # mm; common practice
LEAST_HEIGHT = 0.02  # mm: a tenth of a thin ply; a gap that low isn't one
FEWEST = 2  # yarns of a zone: a single one is a bad fit of the mesh
SAMPLES = 12.0  # along the limit's length
TOGETHER = 64  # yarns

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
        Between mould and cloth that spans it, at most; how far a convex place stands out.
    place : (3,) mm, where that is
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
class Base:
    """The mould below a net: its surface, and its face for each face of the net's, or −1."""

    surface: Surface
    source_faces: Ints


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
    net: Net, own: Geometry, base: Base, stack: float, least: float = LEAST_RADIUS
) -> tuple[BridgingZone, ...]:
    """Find where a ply would bridge or bend too sharply, the highest first.

    Parameters
    ----------
    net : Net
    own : flat polygon of the ply's own edges, mm
        Laps aren't looked at: the steps under them are as steep as the mesh is fine.
    base : Base
        The mould below.
    stack : float, mm, thickness of the laminate up to the top of this ply
    least : float, mm
    """
    limit = concave_limit(stack, least)
    tight = _tight_faces(base, max(limit, least))
    shapely.prepare(own)
    inner, outer = list[_Placed](), list[_Placed]()
    near = _nodes_near(net, tight)
    for name in FAMILIES:
        across, along = (net.v, net.u) if name == "warp" else (net.u, net.v)
        for j, yarn in _sampled(net, name, least / SAMPLES, near):
            if not tight[yarn.faces[yarn.faces >= 0]].any():
                continue
            inside = _inside(yarn, float(across[j]), name, own)
            below = laid_below(yarn, base.surface, base.source_faces)
            curved = np.where(inside, bends(below), np.nan)
            inner += _placed(tight_runs(below, curved, limit), name, j, along, across)
            curved = np.where(inside, -bends(yarn), np.nan)
            outer += _placed(tight_runs(yarn, curved, least), name, j, along, across)
    out = _zones(net, inner, "concave", limit) + _zones(net, outer, "convex", least)
    return tuple(sorted(out, key=lambda z: (z.kind == "convex", -z.height)))


def _nodes_near(net: Net, faces: Bools) -> Bools:
    """(p, q) nodes from which a sample of a yarn may lie on one of the faces (m,).

    Yarns without one needn't be sampled, which takes as long as to lay them.
    """
    out = np.zeros(net.known.shape, dtype=bool)
    corners = net.surface.vertices[net.surface.faces[faces]]
    if not len(corners):
        return out
    longest = float(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max())
    # on flat facets half a cell and longest/√3 would do
    reach = max(float(np.diff(net.u).max()), float(np.diff(net.v).max())) + longest
    tree = cKDTree(corners.reshape(-1, 3))
    gap = tree.query(net.points[net.known], distance_upper_bound=reach)[0]
    out[net.known] = np.isfinite(gap)
    return out


def _sampled(net: Net, name: Family, step: float, near: Bools) -> Iterator[tuple[int, Yarn]]:
    """Each yarn of a family that has a node ``near``, with its number, a few at a time: samples
    are many, memory isn't."""
    wanted = np.flatnonzero(near.any(axis=0 if name == "warp" else 1))
    for first in range(0, len(wanted), TOGETHER):
        which = wanted[first : first + TOGETHER]
        yield from zip(which.tolist(), yarn_samples(net, step, name, which), strict=True)


def _tight_faces(base: Base, limit: float) -> np.ndarray:
    """Faces of the net's surface that may be bent more tightly than ``limit``: only yarns over
    them need a closer look. Twice the limit, since fits differ."""
    surface = base.surface
    most = np.abs(surface.sector_curvatures).max(axis=1)[surface.sectors].max(axis=1)
    tight = (most * 2.0 * limit > 1.0) | surface.crease.any(axis=1)
    own = (base.source_faces >= 0) & (base.source_faces < len(tight))
    return own & tight[np.where(own, base.source_faces, 0)]


def _inside(yarn: Yarn, level: float, name: Family, own: Geometry) -> np.ndarray:
    """Which gaps between a yarn's samples lie inside the ply's own edges."""
    middle = 0.5 * (yarn.along[1:] + yarn.along[:-1])
    x, y = middle, np.full(len(middle), level)
    return np.asarray(
        shapely.contains_xy(own, x, y) if name == "warp" else shapely.contains_xy(own, y, x)
    )


def _placed(runs: list[Run], name: Family, j: int, along: Floats, across: Floats) -> list[_Placed]:
    """Runs of the j-th yarn of a family with the cells on both sides of them."""
    sides = [k for k in (j - 1, j) if 0 <= k < len(across) - 1]
    width = 0.5 * sum(float(across[k + 1] - across[k]) for k in sides)
    out = []
    for run in runs:
        if run.height < LEAST_HEIGHT:
            continue
        first = max(int(np.searchsorted(along, run.low, side="right")) - 1, 0)
        last = min(int(np.searchsorted(along, run.high)), len(along) - 1)
        cells = np.array([(a, b) for a in range(first, max(last, first + 1)) for b in sides])
        out.append(_Placed(run, name, cells if name == "warp" else cells[:, ::-1], width))
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
