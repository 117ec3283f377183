"""Edges moved by their allowances along the mid-surface, and where they fall on the cloth.

An allowance is a length along the ply's own mid-surface, counted from the parting surface
(or the plane of a mouth or trim line): + past the edge, − short of it. Each sample of an
edge sends a geodesic square to the edge; its end is mapped to the flat cloth by the net.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from drape.cloth.net import Net
from drape.geometry.patches import place_near, shoot
from drape.geometry.polyline import arc_positions, kinks
from drape.geometry.rimcurve import cut_turns, rim_samples
from drape.geometry.surface import Bools, Floats, Ints, Surface, readonly
from drape.layup.allowance import Allowance, values_at
from drape.mould.region import Edge, Region

LONGEST_SAMPLE = 1.0  # mm between samples along an edge
LONGEST_GAP = 4  # samples
FARTHEST = 20.0  # heights: how far the parting surface is looked for
SHIFT_TOLERANCE = 1e-3  # mm off the parting surface
SAME_END = 1.0  # mm; halves may be that far apart at the ends of a run
SMOOTH = np.radians(5.0)  # between the tangents on the two sides of a vertex that is no kink
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


def edge_places(region: Region, edge: Edge) -> Floats:
    """Length along an edge, on the cavity, up to each vertex of its chain, mm.

    (k,), or (k + 1,) with the whole length last if the edge is closed. A run of the parting
    line starts at the mouth (or trim line) that its name has first, so that it starts at the
    same end in both halves; one from a mouth back to itself at the end with the smaller x
    (then y, then z). Other edges start where their chain does.
    """
    points = region.surface.vertices[edge.vertices]
    if edge.closed:
        return arc_positions(np.concatenate([points, points[:1]]))
    places = arc_positions(points)
    return places[-1] - places if _starts_last(region, edge) else places


def _starts_last(region: Region, edge: Edge) -> bool:
    """Whether an open run starts at the end of its chain."""
    if edge.kind != "parting":
        return False
    loop = next(loop for loop in region.loops if any(region.edges[i] is edge for i in loop))
    names = [region.edges[i].name for i in loop]
    at = names.index(edge.name)
    before, after = names[at - 1], names[(at + 1) % len(names)]
    if before != after:
        return after == edge.name.partition(".")[0].split("-")[0]
    step = np.diff(region.surface.vertices[edge.vertices[[0, -1]]], axis=0)[0]
    clear = step[np.abs(step) > SAME_END]
    return bool(len(clear) and clear[0] < 0.0)


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
        shift = _shift(net, normals, segment, share, closed, face, base, direction, above)
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


def smooth_parts(region: Region, surface: Surface, edge: Edge) -> list[tuple[Ints, bool]]:
    """The edge's chain cut at its kinks: (indices into the chain, closed).

    Few vertices in a tight arc look like kinks; where the cavity and what cuts it meet in one
    line on both sides they are none. ``surface``: as of ``edge_curve``.
    """
    points = surface.vertices[edge.vertices]
    normals, sections = _normals_along(region, surface, edge), edge.section_normals
    at = kinks(points, edge.closed)
    if len(at):
        at = at[~(cut_turns(points, edge.closed, normals, sections)[at] < SMOOTH)]
    index = np.arange(len(edge.vertices))
    if not len(at):
        return [(index, edge.closed)]
    if edge.closed:
        index = np.concatenate([index[at[0] :], index[: at[0] + 1]])
        at = np.append(at[1:] - at[0], len(index) - 1)
        at = at[at < len(index) - 1]
    bounds = [0, *at.tolist(), len(index) - 1]
    return [(index[a : b + 1], False) for a, b in itertools.pairwise(bounds)]


@dataclass(frozen=True, eq=False)
class EdgeCurve:
    """Samples of the curve that a stretch of an edge stands for.

    Attributes
    ----------
    segment : (k,) int, from the stretch's vertex of that number to the next
    share : (k,) of the segment
    points, tangents : (k, 3), mm, unit
    faces, weights : (k,), (k, 2) where it is on the facets' edges, inside the region
    """

    segment: Ints
    share: Floats
    points: Floats
    tangents: Floats
    faces: Ints
    weights: Floats


def edge_curve(
    region: Region, surface: Surface, edge: Edge, index: Ints, closed: bool, longest: float
) -> EdgeCurve:
    """Sample a stretch of an edge, see ``geometry.rimcurve``.

    Parameters
    ----------
    surface : the region's, or one whose first vertices and faces are the region's
    index : (k,) the stretch's places in the edge's chain, from ``smooth_parts``
    longest : mm between samples
    """
    chain = edge.vertices[index]
    ends = np.append(chain, chain[0]) if closed else chain
    face, k = _faces_along(region, ends)
    used = index if closed else index[:-1]  # segments of the edge
    normals, sections = _normals_along(region, surface, edge)[used], edge.section_normals[used]
    segment, share, points, tangents = rim_samples(
        surface.vertices[chain], closed, longest, normals, sections
    )
    weights = np.zeros((len(segment), 3))
    rows = np.arange(len(segment))
    weights[rows, k[segment]] = 1.0 - share
    weights[rows, (k[segment] + 1) % 3] = share
    return EdgeCurve(segment, share, points, tangents, face[segment], weights[:, 1:])


def _normals_along(region: Region, surface: Surface, edge: Edge) -> Floats:
    """(s, 2, 3) unit normals at both ends of each segment of an edge, in the face inside."""
    chain = np.append(edge.vertices, edge.vertices[:1]) if edge.closed else edge.vertices
    face, k = _faces_along(region, chain)
    normals, rows = surface.corner_normals[face], np.arange(len(face))
    return np.stack([normals[rows, k], normals[rows, (k + 1) % 3]], axis=1)


def _faces_along(region: Region, chain: Ints) -> tuple[Ints, Ints]:
    """Face and edge number (s,) inside the region at each segment of a chain of vertices."""
    faces = region.surface.faces
    inside = np.flatnonzero(region.inside)
    count = len(region.surface.vertices)
    code = (faces[inside] * count + np.roll(faces[inside], -1, axis=1)).ravel()
    order = np.argsort(code)
    wanted = chain[:-1] * count + chain[1:]
    at = order[np.searchsorted(code, wanted, sorter=order)]
    return inside[at // 3], at % 3


def _shift(net, normals, segment, share, closed, face, base, direction, height) -> Floats:
    """How far beyond the moved rim the mid-surface meets the parting surface, mm.

    The rim point p moved by h·n goes on along the unit direction T until it is back on the
    surface ruled through p (unit normal c). To first order (h·n + d·T)·c = 0; then by the
    secant method along the geodesic, since a wall that leans far out bends on the way.
    NaN where it doesn't come back within FARTHEST heights.
    """
    if normals is None or not height.any():
        return np.zeros(len(segment))
    ring = np.concatenate([normals, normals[:1]]) if closed else normals
    c = (1.0 - share)[:, None] * ring[segment] + share[:, None] * ring[segment + 1]
    rim = base[:, :3] - height[:, None] * base[:, 3:6]
    lean = np.einsum("ij,ij->i", direction, c)
    before = np.zeros(len(segment))
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
