"""Places to start from, on a trough: unrolled it is flat, distances are arcs' (key
``docarmo1976``).

Tries out ``layup/start_places`` as well.
"""

import numpy as np
import pytest
from draped import place, sheet
from exact import shapes

from drape.advice.yarn_trials import best_turn, station_lengths
from drape.layup.start_places import place_of
from drape.layup.starts import AWAY, opposite, spread_starts
from drape.mould import centre as module
from drape.mould.run_line import RunLine

R, LENGTH = 25.0, 120.0


@pytest.fixture(scope="module")
def region():
    return sheet(shapes.trough(R, LENGTH, 32, 40))


def unrolled(region, places):
    """(k, 2) along the axis and round it from the bottom, mm."""
    at = np.array([place_of(region.surface, p)[0] for p in places])
    return np.stack([at[:, 0], R * np.arctan2(at[:, 1], -at[:, 2])], axis=1)


def test_a_regions_centre_is_found_once(monkeypatch):
    """All plies of a half that name no start begin there."""
    calls, whole = [], module.middle_vertex
    monkeypatch.setattr(module, "middle_vertex", lambda r: calls.append(r) or whole(r))
    regions = [sheet(shapes.trough(R, length, 32, 40)) for length in (LENGTH, 2.0 * LENGTH)]
    found = [module.centre(region) for region in (*regions, *regions)]
    assert len(calls) == 2
    assert found[:2] == found[2:]
    for region, start in zip(regions, found, strict=False):
        assert unrolled(region, [start])[0] == pytest.approx([0.0, 0.0], abs=0.02)


def test_starts_are_spread_away_from_the_edges(region):
    starts = spread_starts(region, 12)
    at = unrolled(region, starts.places)
    assert at[0] == pytest.approx([0.0, 0.0], abs=0.02)
    inside = np.minimum(0.5 * LENGTH - np.abs(at[:, 0]), 0.5 * np.pi * R - np.abs(at[:, 1]))
    assert (inside >= AWAY * 0.5 * np.pi * R - 0.1).all()  # facets of a 64-gon are 0.04 % short
    gaps = np.linalg.norm(at[:, None] - at, axis=2)[np.triu_indices(12, 1)]
    # paths along two directions of mesh edges are at most √2 times as long
    assert starts.apart / np.sqrt(2.0) <= gaps.min() <= starts.apart + 0.1
    assert starts.apart > 12.0  # 12 circles of that diameter fill half of the free middle


def test_places_beside_one(region):
    starts = spread_starts(region, 3)
    here = place(region, [5.0, 0.0, -R])
    at = unrolled(region, starts.beside(here, 9.0, 6)) - unrolled(region, [here])
    assert np.linalg.norm(at, axis=1) == pytest.approx(9.0, abs=0.02)
    turn = np.diff(np.sort(np.degrees(np.arctan2(at[:, 1], at[:, 0]))))
    assert turn == pytest.approx(60.0, abs=0.2)
    edge = place(region, [0.5 * LENGTH - 13.0, 0.0, -R])
    assert 0 < len(starts.beside(edge, 9.0, 6)) < 6
    assert not starts.allows(place(region, [0.5 * LENGTH - 2.0, 0.0, -R]))


def test_place_opposite(region):
    found = opposite(region, np.array([7.0, 10.0, 31.0]), np.array([0.0, 0.0, 2.0]))
    at, _ = place_of(region.surface, found)
    assert at == pytest.approx([7.0, 10.0, -np.sqrt(R**2 - 100.0)], abs=0.04)  # sagitta of a facet
    assert opposite(region, np.array([7.0, 26.0, 0.0]), np.array([0.0, 0.0, 1.0])) is None


def line(places, length, closed):
    return RunLine(np.array(places), np.empty(0), np.empty(0), length, closed)


def test_lengths_that_stations_stand_for():
    open_ = station_lengths(line([0.0, 10.0, 20.0, 25.0], 25.0, False))
    assert open_ == pytest.approx([5.0, 10.0, 7.5, 2.5])
    assert station_lengths(line([0.0, 10.0, 20.0], 30.0, True)) == pytest.approx([10.0] * 3)


@pytest.mark.parametrize("about", [0.0, 1.4])
def test_best_turn_is_the_weighted_median(about):
    """It leaves the least mean magnitude; differences count modulo π, so 1.4 + 0.5 is −1.24."""
    gap = about + np.array([0.1, 0.12, 0.5])
    gap = np.where(gap > 0.5 * np.pi, gap - np.pi, gap)
    for weight, median in (([1.0, 1.0, 1.0], 0.12), ([1.0, 1.0, 5.0], 0.5), ([3.0, 1.0, 1.0], 0.1)):
        turn = best_turn(gap, np.array(weight), alike=False)
        assert np.mod(turn - about - median + 1.0, np.pi) == pytest.approx(1.0, abs=1e-12)
