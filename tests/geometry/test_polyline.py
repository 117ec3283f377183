"""Polylines by hand: lengths, kinks, crossings, joints. Elementary geometry."""

import numpy as np
import pytest

from drape.geometry.polyline import (
    arc_positions,
    crossings,
    cut_at,
    join,
    kinks,
    signed_area,
    walk_back,
)

L = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0]])


def circle(count, radius=10.0):
    t = 2.0 * np.pi * np.arange(count) / count
    return radius * np.stack([np.cos(t), np.sin(t)], -1)


def test_lengths_and_places():
    assert arc_positions(L).tolist() == [0.0, 3.0, 7.0]
    assert walk_back(L, 2.0, "end") == pytest.approx(1.5)
    assert walk_back(L, 1.5, "start") == pytest.approx(0.5)
    assert walk_back(L, 99.0, "end") == 0.0


def test_area_is_positive_counter_clockwise():
    square = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]])
    assert signed_area(square) == 4.0
    assert signed_area(square[::-1]) == -4.0


def test_cutting():
    assert cut_at(L, 1.25, "start").tolist() == [[0, 0], [3, 0], [3, 1]]
    assert cut_at(L, 1.25, "end").tolist() == [[3, 1], [3, 4]]
    assert cut_at(L, 1.0, "start").tolist() == [[0, 0], [3, 0]]
    assert cut_at(L, 1.0, "end").tolist() == [[3, 0], [3, 4]]


def test_crossings_of_two_polylines():
    other = np.array([[1.0, -1.0], [1.0, 1.0], [5.0, 1.0]])
    found = crossings(L, other)
    assert [(s, t) for s, t, _ in found] == [(1 / 3, 0.5), (1.25, 1.5)]
    assert np.allclose([x for _, _, x in found], [[1.0, 0.0], [3.0, 1.0]])
    assert crossings(L, L + 10.0) == []


def test_a_kink_stands_out_from_a_coarse_curve():
    assert len(kinks(circle(12), True)) == 0  # 30° at every vertex, but evenly
    square = np.array([[0, 0], [1, 0], [2, 0], [2, 1], [2, 2], [0, 2], [0, 1]], float)
    assert kinks(square, True).tolist() == [0, 2, 4, 5]
    assert kinks(square[:5], False).tolist() == [2]
    assert kinks(L[:2], False).tolist() == []


def test_an_even_arc_between_straights_has_no_kink():
    """It turns twice as much at its first inner vertex as where the straight joins it."""
    t = np.radians(20.0) * np.arange(5)
    arc = 10.0 * np.stack([np.sin(t), 1.0 - np.cos(t)], -1)
    line = np.vstack([[-60.0, 0.0], arc, arc[-1] + 50.0 * np.array([np.cos(t[-1]), np.sin(t[-1])])])
    assert len(kinks(line, False)) == 0


# The corner of a square at the origin, turned left: below comes from −x, right goes up.
BELOW, RIGHT = np.array([[-10.0, 0.0], [0.0, 0.0]]), np.array([[0.0, 0.0], [0.0, 10.0]])


@pytest.mark.parametrize(
    ("down", "out"), [(3.0, 2.0), (3.0, 0.0), (-3.0, -2.0), (3.0, -2.0), (-1.0, 4.0)]
)
def test_a_mitre_by_hand(down, out):
    p, q = BELOW + np.array([0.0, -down]), RIGHT + np.array([out, 0.0])
    first, second = join(p, q, np.zeros(2), 2.0 * max(abs(down), abs(out)))
    assert np.allclose(first[-1], [out, -down], atol=1e-9)
    assert np.allclose(second[0], [out, -down], atol=1e-9)
    assert first[0].tolist() == p[0].tolist()
    assert second[-1].tolist() == q[-1].tolist()
    assert np.allclose(first[:, 1], -down)
    assert np.allclose(second[:, 0], out)


def test_past_the_limit_the_ends_are_joined_straight():
    p, q = BELOW + np.array([0.0, -3.0]), RIGHT + np.array([3.0, 0.0])
    first, second = join(p, q, np.zeros(2), 4.0)  # the mitre would be 3√2 = 4.24 away
    assert first.tolist() == p.tolist()
    assert second.tolist() == [[0.0, -3.0], [3.0, 0.0], [3.0, 10.0]]


def test_ends_that_meet_stay_as_they_are():
    first, second = join(BELOW, RIGHT, np.zeros(2), 0.0)
    assert first.tolist() == BELOW.tolist()
    assert second.tolist() == RIGHT.tolist()
