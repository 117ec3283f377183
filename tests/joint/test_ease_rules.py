"""Lap ease against the exact parallel circles of a torus; snips by hand."""

import numpy as np
import pytest

from drape.errors import InputError
from drape.joint.ease_rules import Snips, greatest_change, lap_ease, local_ease, snips

BEND, SECTION, LAP = 80.0, 25.0, 15.0


def circle(radius, z, angle=np.pi / 2, count=400):
    s = np.linspace(0.0, angle, count)
    return np.stack([radius * np.cos(s), radius * np.sin(s), np.full(count, z)], 1)


@pytest.mark.parametrize(("side", "shown"), [(-1.0, 0.079), (1.0, -0.042)])
def test_torus(side, shown):
    """Run at 80 ∓ 25, free edge at 80 ∓ 25 cos(15/25): +7.9 % inside, −4.2 % outside."""
    turn = LAP / SECTION
    run = circle(BEND + side * SECTION, 0.0)
    free = circle(BEND + side * SECTION * np.cos(turn), SECTION * np.sin(turn))
    exact = (BEND + side * SECTION * np.cos(turn)) / (BEND + side * SECTION) - 1.0
    assert lap_ease(run, free) == pytest.approx(exact, rel=1e-6)
    assert lap_ease(run, free) == pytest.approx(shown, abs=5e-4)
    assert local_ease(run, free) == pytest.approx(np.full(399, exact), rel=1e-6)


def test_uneven_steps_weigh_by_their_length():
    run = np.array([[0.0, 0, 0], [1, 0, 0], [10, 0, 0]])
    free = np.array([[0.0, 5, 0], [2, 5, 0], [11, 5, 0]])
    assert local_ease(run, free) == pytest.approx([1.0, 0.0])
    assert lap_ease(run, free) == pytest.approx(0.1)


def test_closed_run():
    """A whole circle: the last step counts too."""
    run, free = circle(10.0, 0, 2 * np.pi, 101)[:-1], circle(12.0, 3.0, 2 * np.pi, 101)[:-1]
    free[-1] *= 1.01  # so that the last step differs
    length = np.linalg.norm(np.diff(np.vstack([free, free[:1]]), axis=0), axis=1).sum()
    whole = 100 * 2 * 10.0 * np.sin(np.pi / 100)
    assert lap_ease(run, free, closed=True) == pytest.approx(length / whole - 1.0)
    assert len(local_ease(run, free, closed=True)) == 100


def test_snips():
    """7.9 % of 86.4 mm is 6.8 mm: three snips of 2.28 mm, 13 deep for a lap of 15; by hand."""
    calm = {"shear": np.radians(20), "locking": np.radians(45)}
    assert snips(0.079, 15.0, 86.4, **calm) is None
    found = snips(0.079, 15.0, 86.4, along=True, **calm)
    assert found == Snips(3, 13.0, pytest.approx(2.2752), "yarns run along the edge")
    assert snips(0.001, 15.0, 86.4, along=True, **calm) is None
    locked = snips(-0.042, 15.0, 200.0, shear=np.radians(-50), locking=np.radians(45))
    assert (locked.count, locked.reason) == (3, "the shear passes the locking angle")
    assert locked.opening_mm == pytest.approx(2.8)


def test_places_that_do_not_match_are_refused():
    with pytest.raises(InputError, match="as many places"):
        lap_ease(circle(10, 0, count=5), circle(12, 0, count=6))


@pytest.mark.parametrize("degrees", [0.0, 10.0, 45.0, 80.0])
def test_what_shear_can_change(degrees):
    """A unit length of two yarns' parts, laid out with the yarns at 90° ∓ 30°: by vectors."""
    phi, gamma = np.radians(degrees), np.radians(30.0)
    warp = np.array([1.0, 0.0])
    for sign in (1.0, -1.0):
        weft = np.array([np.sin(sign * gamma), np.cos(gamma)])
        square = ((np.cos(phi) * warp + np.sin(phi) * weft) ** 2).sum()
        assert abs(square - 1.0) == pytest.approx(greatest_change(phi, gamma))
