"""Stations spread evenly along a run of the parting line, with the run's direction. mm."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from drape.geometry.polyline import arc_positions, kinks
from drape.geometry.rim_curve import cut_turns, rim_samples
from drape.geometry.surface import Floats, Ints, Surface, readonly, unit
from drape.mould.region import Edge, Region

STATION_STEP = 10.0  # mm between stations at most
SAMPLE = 1.0  # mm between the samples they are interpolated from


@dataclass(frozen=True, eq=False)
class RunLine:
    """Stations of a run.

    Attributes
    ----------
    places : (s,), mm along the run, as ``run_line.edge_places`` counts
    points : (s, 3), mm
    tangents : (s, 3), unit, in the direction of the region's chain
    length : float, mm, of the whole run
    closed : bool
        The last station isn't the first again.
    """

    places: Floats
    points: Floats
    tangents: Floats
    length: float
    closed: bool

    def at(self, place: float) -> tuple[Floats, Floats]:
        """Point and unit direction (3,) at any place along the run."""
        point, along = (
            np.array([np.interp(place, self.places, v[:, k]) for k in range(3)])
            for v in (self.points, self.tangents)
        )
        return point, unit(along)

    def spread(self, step: float = STATION_STEP) -> RunLine:
        """Stations spread evenly, at most ``step`` apart, those at both ends of an open run."""
        count = max(1, int(np.ceil(self.length / step - 1e-9)))
        places = np.linspace(0.0, self.length, count + 1)[: count if self.closed else None]
        found = [self.at(float(s)) for s in places]
        points, tangents = (readonly(np.array(v)) for v in zip(*found, strict=True))
        return RunLine(readonly(places), points, tangents, self.length, self.closed)


def run_line(region: Region, edge: Edge) -> RunLine:
    """A run's samples, about a mm apart, on its curve between its kinks; a closed one ends
    where it begins."""
    along = edge_places(region, edge)
    places, points, tangents = list[Floats](), list[Floats](), list[Floats]()
    surface = region.surface
    for index, closed in smooth_parts(region, surface, edge):
        curve = edge_curve(region, surface, edge, index, closed, SAMPLE)
        segment, share, at, way = curve.segment, curve.share, curve.points, curve.tangents
        whole = along if closed else along[index]
        steps = np.diff(whole)
        if edge.closed and not closed:  # the ring was cut at its kinks
            steps = np.where(steps < 0.0, steps + along[-1], steps)
        places.append(whole[segment] + share * steps[segment])
        points.append(at)
        tangents.append(way)
    place, point, way = (np.concatenate(v) for v in (places, points, tangents))
    length = float(along.max())
    order = np.argsort(place, kind="stable")
    place, point, way = place[order], point[order], way[order]
    if edge.closed:
        place, point, way = _ring(place, point, way, length)
    return RunLine(readonly(place), readonly(point), readonly(way), length, edge.closed)


def _ring(
    place: Floats, point: Floats, way: Floats, length: float
) -> tuple[Floats, Floats, Floats]:
    """A closed run's samples from place 0 to its length, the first once more at the end."""
    place = np.mod(place, length)
    order = np.argsort(place, kind="stable")
    place, point, way = place[order], point[order], way[order]
    return (
        np.concatenate([place, [place[0] + length]]),
        np.vstack([point, point[:1]]),
        np.vstack([way, way[:1]]),
    )


SAME_END = 1.0  # mm; halves may be that far apart at the ends of a run


SMOOTH = np.radians(5.0)  # between the tangents on the two sides of a vertex that is no kink


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
        return edge.ends[:1] == (after,)
    step = np.diff(region.surface.vertices[edge.vertices[[0, -1]]], axis=0)[0]
    clear = step[np.abs(step) > SAME_END]
    return bool(len(clear) and clear[0] < 0.0)


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
    """Sample a stretch of an edge, see ``geometry.rim_curve``.

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
    chain = edge.ring
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
