"""Stations spread evenly along a run of the parting line, with the run's direction. mm."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drape.geometry.surface import Floats, readonly, unit
from drape.layup.edges import edge_curve, edge_places, smooth_parts
from drape.mould.region import Edge, Region

STATION_STEP = 10.0  # mm between stations at most
SAMPLE = 1.0  # mm between the samples they are interpolated from


@dataclass(frozen=True, eq=False)
class RunLine:
    """Stations of a run.

    Attributes
    ----------
    places : (s,), mm along the run, as ``edges.edge_places`` counts
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
