"""Edges moved by their allowances along the mid-surface, and where they fall on the cloth.

An allowance is a length along the ply's own mid-surface, counted from the parting surface
(or the plane of a mouth or trim line): + past the edge, − short of it. Each sample of an
edge sends a geodesic square to the edge; its end is mapped to the flat cloth by the net.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drape.geometry.patches import place_near, shoot
from drape.geometry.surface import Bools, Floats, Ints, Surface, readonly
from drape.job.allowance import Allowance, values_at
from drape.mould.region import Edge, Region
from drape.mould.run_line import edge_curve, edge_places, smooth_parts
from drape.net.net import Net

LONGEST_SAMPLE = 1.0  # mm between samples along an edge
LONGEST_GAP = 4  # samples
FARTHEST = 20.0  # heights: how far the parting surface is looked for
SHIFT_TOLERANCE = 1e-3  # mm off the parting surface
SHOOT_STEP = 0.25  # mm, sub-step of the geodesics


@dataclass(frozen=True, eq=False)
class EdgeStretch:
    """A smooth stretch of an edge, between kinks.

    Attributes
    ----------
    base : (k, ROW) rows on the edge itself, where the mid-surface meets the parting surface
    faces : (k,) their faces
    moved : (k, ROW) rows at the allowance
    shift : (k,) mm, from the moved rim of the mid-surface to where it meets the parting surface
    moved_faces : (k,) faces of the moved rows
    place : (k,) mm along the edge from its start, see ``edge_places``
    allowance : (k,) mm
    flat_base, flat : (k, 2) mm, the same on the cloth
    found : (k,) whether the net was there; the others were interpolated
    closed : bool
    """

    base: Floats
    faces: Ints
    moved: Floats
    moved_faces: Ints
    shift: Floats
    flat_base: Floats
    flat: Floats
    found: Bools
    closed: bool
    place: Floats
    allowance: Floats


def stretches(
    region: Region,
    surface: Surface,
    net: Net,
    edge: Edge,
    allowance: Allowance,
    height: float | Floats,
) -> tuple[EdgeStretch, ...]:
    """Move ``edge`` by ``allowance`` on the extended mid-surface and map it to the cloth.

    Parameters
    ----------
    region : Region
    surface : Surface
        Extended mid-surface; its first vertices and faces are the region's.
    net : Net on that surface
    allowance : mm, or stations along the edge
    height : mm from the cavity to the mid-surface, one or (n,) for the region's vertices
    """
    out = []
    heights = np.broadcast_to(np.asarray(height, float), len(region.surface.vertices))
    along = edge_places(region, edge)
    for index, closed in smooth_parts(region, surface, edge):
        chain = edge.vertices[index]
        normals = None if edge.cut_normals is None else edge.cut_normals[index]
        curve = edge_curve(region, surface, edge, index, closed, LONGEST_SAMPLE)
        segment, share = curve.segment, curve.share
        ends = np.append(chain, chain[0]) if closed else chain
        face, base = place_near(net.patches, curve.faces, curve.weights, curve.points)
        direction = np.cross(curve.tangents, base[:, 3:6])
        whole = along if closed else along[index]
        place = (1.0 - share) * whole[segment] + share * whole[segment + 1]
        wanted = values_at(allowance, place)
        above = (1.0 - share) * heights[ends[:-1]][segment] + share * heights[ends[1:]][segment]
        cut = None if normals is None else _between(normals, segment, share, closed)
        shift = _shift(net, cut, face, base, direction, above)
        flat_face, zero = _shot(net, face, base, direction, shift)
        moved_faces, moved = _shot(net, face, base, direction, shift + wanted)
        flat_base, flat, found = _mapped(net, zero, moved, wanted, flat_face, moved_faces)
        out.append(
            EdgeStretch(
                readonly(zero),
                readonly(flat_face),
                readonly(moved),
                readonly(moved_faces),
                readonly(shift),
                flat_base,
                flat,
                found,
                closed,
                readonly(place),
                readonly(wanted),
            )
        )
    return tuple(out)


def flattened(net: Net, stretch: EdgeStretch) -> EdgeStretch:
    """The same stretch on another net over the same surface: only its flat points change."""
    parts = stretch.base, stretch.moved, stretch.allowance, stretch.faces, stretch.moved_faces
    flat_base, flat, found = _mapped(net, *parts)
    return replace(stretch, flat_base=flat_base, flat=flat, found=found)


def _mapped(
    net: Net, base: Floats, moved: Floats, allowance: Floats, faces: Ints, moved_faces: Ints
):
    """Flat points of rows on the edge and at the allowance, and which the net has."""
    flat_base, found_base = bridged(net.to_flat(base[:, :3], base[:, 3:6], faces))
    flat, found = flat_base, found_base
    if allowance.any():
        flat, found = bridged(net.to_flat(moved[:, :3], moved[:, 3:6], moved_faces))
    return readonly(flat_base), readonly(flat), readonly(found & found_base)


def bridged(points: Floats) -> tuple[Floats, Bools]:
    """Fill short inner gaps (NaN rows, up to LONGEST_GAP) of (k, 2) samples by straight lines.

    Returns the points and which were there.
    """
    there = np.asarray(np.isfinite(points).all(axis=1))
    if there.all() or not there.any():
        return points, there
    index = np.arange(len(points))
    before = np.maximum.accumulate(np.where(there, index, -1))
    after = np.minimum.accumulate(np.where(there, index, len(points))[::-1])[::-1]
    short = ~there & (before >= 0) & (after < len(points)) & (after - before <= LONGEST_GAP + 1)
    out = points.copy()
    for c in range(2):
        out[short, c] = np.interp(index[short], index[there], points[there, c])
    return out, there


def _shot(
    net: Net, face: Ints, base: Floats, direction: Floats, length: Floats
) -> tuple[Ints, Floats]:
    """Ends of geodesics from the samples; rows are NaN where the surface ends too soon."""
    known = np.nan_to_num(length)
    faces, rows, reached = shoot(net.patches, face, base[:, 12:14], direction, known, SHOOT_STEP)
    missed = ~(np.abs(reached - length) <= 1e-6)
    rows = np.where(missed[:, None], np.nan, rows)
    return faces, rows


def _between(normals: Floats, segment: Ints, share: Floats, closed: bool) -> Floats:
    """(k, 3) a chain's normals, at shares of its segments."""
    ring = np.concatenate([normals, normals[:1]]) if closed else normals
    return (1.0 - share)[:, None] * ring[segment] + share[:, None] * ring[segment + 1]


def _shift(
    net: Net, c: Floats | None, face: Ints, base: Floats, direction: Floats, height: Floats
) -> Floats:
    """How far beyond the moved rim the mid-surface meets the parting surface, mm.

    The rim point p moved by h·n goes on along the unit direction T until it is back on the
    surface ruled through p (unit normal c (k, 3); None: the ply ends square). To first order
    (h·n + d·T)·c = 0; then by the secant method along the geodesic, since a wall that leans far
    out bends on the way. NaN where it doesn't come back within FARTHEST heights.
    """
    if c is None or not height.any():
        return np.zeros(len(base))
    rim = base[:, :3] - height[:, None] * base[:, 3:6]
    lean = np.einsum("ij,ij->i", direction, c)
    before = np.zeros(len(base))
    gap_before = height * np.einsum("ij,ij->i", base[:, 3:6], c)
    shift = -gap_before / np.where(np.abs(lean) < 0.05, 0.05, lean)
    for _ in range(8):
        _, rows = _shot(net, face, base, direction, shift)
        gap = np.einsum("ij,ij->i", rows[:, :3] - rim, c)
        change = gap - gap_before
        moving = np.isfinite(gap) & (np.abs(gap) > 1e-9) & (np.abs(change) > 0.0)
        if not moving.any():
            break
        slope = np.where(moving, change, 1.0) / np.where(moving, shift - before, 1.0)
        step = np.where(moving, -gap / np.where(slope == 0.0, np.inf, slope), 0.0)
        before, gap_before = np.where(moving, shift, before), np.where(moving, gap, gap_before)
        shift = np.clip(shift + step, -FARTHEST * height, FARTHEST * height)
    _, rows = _shot(net, face, base, direction, shift)
    gap = np.einsum("ij,ij->i", rows[:, :3] - rim, c)
    return np.where(np.abs(gap) < SHIFT_TOLERANCE, shift, np.nan)
