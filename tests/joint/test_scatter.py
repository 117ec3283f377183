"""Placement scatter against exhaustive enumeration of shifts and turns.

The enumeration moves the edge itself, by a rotation matrix about the start point and a shift,
and finds where the station's normal cuts it.
"""

import numpy as np
import pytest

from drape.errors import InputError
from drape.job.bench_settings import Placement
from drape.joint.at_run import AtRun
from drape.joint.build_up import Overlap
from drape.joint.scatter import (
    EdgeStations,
    edge_shifts,
    overlap_findings,
    proud_finding,
    proud_of,
    scattered_overlap,
)

COMMON = Placement()


def moves(placement, turns=21, directions=36):
    """(shift (2,), turn) of a dense enumeration, the extremes of both included."""
    around = np.linspace(0, 2 * np.pi, directions, endpoint=False)
    shifts = [np.zeros(2)]
    for share in (0.5, 1.0):
        shifts += list(share * placement.offset * np.stack([np.cos(around), np.sin(around)], 1))
    return [(d, t) for d in shifts for t in np.linspace(-placement.angle, placement.angle, turns)]


def turned(points, angle):
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, -s], [s, c]]).T


def height_on(points, at, normal):
    """Place along ``normal`` from ``at`` where it cuts a polyline (k, 2), nearest to ``at``."""
    across = np.array([-normal[1], normal[0]])
    side, along = (points - at) @ across, (points - at) @ normal
    cut = np.flatnonzero(side[:-1] * side[1:] <= 0)
    share = side[cut] / (side[cut] - side[cut + 1])
    heights = along[cut] + share * (along[cut + 1] - along[cut])
    return heights[np.argmin(np.abs(heights))]


def enumerated(edge, stations, placement):
    """(k,) least and greatest place of the moved edge along each station's normal."""
    found = np.array(
        [
            [
                height_on(turned(edge, turn) + shift, at, n)
                for at, n in zip(stations.positions, stations.normals, strict=True)
            ]
            for shift, turn in moves(placement)
        ]
    )
    return found.min(axis=0), found.max(axis=0)


@pytest.mark.parametrize("height", [40.0, 1.0, 200.0])
@pytest.mark.parametrize("degrees", [1.5, 6.0])
def test_straight_edge(height, degrees):
    """Exact: the enumeration reaches it to within its own step, and never passes it.

    Height 200 with a small lever is where the extreme lies between the greatest turns.
    """
    placement = Placement(1.5, np.radians(degrees))
    x = np.array([-300.0, -40.0, -2.0, 0.0, 3.0, 120.0])
    tilt = np.radians(25.0)
    stations = EdgeStations(
        turned(np.stack([x, np.full(6, height)], 1), tilt),
        np.tile(turned(np.array([0.0, 1.0]), tilt), (6, 1)),
    )
    edge = turned(np.array([[-900.0, height], [900.0, height]]), tilt)
    low, high = edge_shifts(stations, placement)
    least, greatest = enumerated(edge, stations, placement)
    assert (low <= least + 1e-9).all()
    assert (greatest <= high + 1e-9).all()
    # half a step of the shift's direction and of the turn are lost, to second order
    step = 1.5 * (1 - np.cos(np.pi / 36)) + 200 * np.radians(degrees / 20) ** 2
    assert low == pytest.approx(least, abs=step)
    assert high == pytest.approx(greatest, abs=step)


def test_a_degree_off_moves_the_edge_five_millimetres_at_three_hundred():
    """300 tan 1° = 5.24 mm, and the offset; worked by hand."""
    stations = EdgeStations(np.array([[300.0, 0.0]]), np.array([[0.0, 1.0]]))
    low, high = edge_shifts(stations, Placement(0.0, np.radians(1.0)))
    assert (low[0], high[0]) == pytest.approx((-5.2365, 5.2365), abs=1e-4)
    low, high = edge_shifts(stations, Placement(1.5, 0.0))
    assert (low[0], high[0]) == pytest.approx((-1.5, 1.5))


def test_small_turns_are_offset_plus_angle_times_lever():
    """The plain rule, which the exact one must come to for small angles."""
    random = np.random.default_rng(1)
    r, around = random.uniform(-80, 80, (50, 2)), random.uniform(0, 7, 50)
    n = np.stack([np.cos(around), np.sin(around)], 1)
    low, high = edge_shifts(EdgeStations(r, n), Placement(1.5, 1e-4))
    lever = np.abs(np.cross(np.pad(r, ((0, 0), (0, 1))), np.pad(n, ((0, 0), (0, 1))))[:, 2])
    assert high == pytest.approx(1.5 + 1e-4 * lever, abs=2e-6)
    assert low == pytest.approx(-1.5 - 1e-4 * lever, abs=2e-6)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_curved_edge(sign):
    """Radius 80, bulging and hollow: the tangent's error is below κ δ²/2, δ the slide."""
    radius, placement = 80.0, COMMON
    around = np.linspace(-0.9, 0.9, 801)
    unit_arc = np.stack([np.sin(around), np.cos(around)], 1)
    middle = np.array([5.0, 30.0 - sign * radius])
    edge = middle + sign * radius * unit_arc
    pick = np.linspace(150, 650, 5).astype(int)
    stations = EdgeStations(edge[pick], unit_arc[pick])
    low, high = edge_shifts(stations, placement)
    least, greatest = enumerated(edge, stations, placement)
    slide = placement.offset + placement.angle * np.abs(
        np.einsum("ki,ki->k", stations.positions, stations.normals)
    )
    bound = slide.max() ** 2 / (2 * radius) + 0.02
    assert bound < 0.1
    assert low == pytest.approx(least, abs=bound)
    assert high == pytest.approx(greatest, abs=bound)


def both(setback=0.0, **change):
    """Two flat plies on either side of the line y = 0, places along it at x = −60 … 60."""
    x = np.linspace(-60.0, 60.0, 7)
    ply = AtRun("low-1", 0.25, 10.0, **change)
    other = AtRun("up-1", 0.25, -setback)
    here = EdgeStations(
        np.stack([x - 5.0, np.full(7, 40.0 + 10.0)], 1), np.tile([0.0, 1.0], (7, 1))
    )
    there = EdgeStations(
        np.stack([x + 20.0, np.full(7, -35.0 + setback)], 1), np.tile([0.0, -1.0], (7, 1))
    )
    return ply, here, other, there


def test_both_plies_scatter():
    """Every pair of moves of the two plies, the overlap read along the line's normal."""
    ply, here, other, there = both(setback=2.0)
    pair = scattered_overlap(ply, here, other, there, COMMON)
    x = np.linspace(-60.0, 60.0, 7)
    lines = {"low": ([5.0, -40.0], 10.0), "up": ([-20.0, 35.0], 2.0)}
    places = {}
    for name, (start, y) in lines.items():
        edge = np.array([[-400.0, y], [400.0, y]]) - start
        places[name] = np.array(
            [
                [height_on(turned(edge, t) + start + d, np.array([s, 0.0]), [0, 1]) for s in x]
                for d, t in moves(COMMON, 9, 24)
            ]
        )
    overlap = places["low"][:, None] - places["up"][None]
    assert pair.nominal_mm == 8.0
    assert pair.least_mm == pytest.approx(overlap.min(), abs=0.03)
    assert pair.greatest_mm == pytest.approx(overlap.max(), abs=0.03)
    assert pair.least_mm <= overlap.min() + 1e-9
    assert pair.greatest_mm >= overlap.max() - 1e-9


def test_a_trimmed_edge_does_not_scatter():
    ply, here, other, there = both(trimmed=True)
    trimmed = scattered_overlap(ply, here, other, there, COMMON)
    low, _ = edge_shifts(there, COMMON)
    assert trimmed.least_mm == pytest.approx(10.0 + low.min())
    still = scattered_overlap(ply, here, other, there, Placement(0.0, 0.0))
    assert (still.least_mm, still.greatest_mm) == (10.0, 10.0)


def test_laps_that_change_along_the_edge():
    """Without scatter: the smallest of lap − set-back over the stations."""
    ply, here, other, there = both()
    laps = np.array([12.0, 11, 10, 9, 8, 9, 10])
    here = EdgeStations(here.positions, here.normals, laps)
    pair = scattered_overlap(ply, here, other, there, Placement(0.0, 0.0))
    assert (pair.nominal_mm, pair.least_mm, pair.greatest_mm) == (8.0, 8.0, 12.0)


def test_findings():
    pair = Overlap("low-1", "up-1", 10.0, 4.0, 16.0, 40.0)
    assert overlap_findings([pair], 4.0) == ()
    (risk,) = overlap_findings([pair], 5.0)
    assert risk.level == "risk"
    assert "only 4.0 mm of overlap" in risk.text
    (open_,) = overlap_findings([Overlap("a", "b", 1.0, -2.0, 4.0, 4.0)], 5.0)
    assert "gap of 2.0 mm" in open_.text


def test_a_flush_ply_may_stand_proud():
    """Flush: by all of the scatter; set back by more than that: never; a lap: not meant."""
    _, _, other, there = both()
    risk = proud_finding(proud_of(other, there, COMMON))
    reach = edge_shifts(there, COMMON)[1].max()
    assert f"{reach:.1f} mm past the parting line" in risk.text
    assert proud_of(AtRun("up-1", 0.25, -reach - 0.1), there, COMMON) is None
    assert proud_of(AtRun("up-1", 0.25, -reach + 0.2), there, COMMON) is not None
    assert proud_of(AtRun("low-1", 0.25, 10.0), there, COMMON) is None
    assert proud_of(AtRun("up-1", 0.25, 0.0, trimmed=True), there, COMMON) is None


def test_scatter_that_is_none_is_refused():
    with pytest.raises(InputError, match="placement and angle must not be negative"):
        Placement(-1.0, 0.0)
