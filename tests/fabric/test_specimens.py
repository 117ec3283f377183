"""Shear from bench and machine: printed tables, there and back, and what can't be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from drape.errors import InputError
from drape.fabric.specimens import (
    LEAST_READINGS,
    bias_curve,
    bias_force,
    bias_shear,
    frame_curve,
    frame_force,
    frame_shear,
    loading,
    square_shear,
    yarns_touch,
)

SIDE, LENGTH, WIDTH = 200.0, 300.0, 100.0

# --- tables to printed digits (keys ``cao2008`` for the tests, ``prodromou1997`` for touching
# --- yarns). The displacements are those of a rhombus with the angles 90° ± γ, its diagonal
# --- 2 a cos(45° − γ/2), worked out apart from the program; 30° and 60° are √(3/2) and (1 + √3)/2

# shear, deg; cross-head of a frame of 200 mm; displacement of a strip of 300 × 100 mm; diagonal
# of a bias square over what it was; N/mm in that frame at 100 N
TABLE = [
    (10, 23.5751, 16.6701, 1.08335, 0.32635),
    (20, 44.8181, 31.6912, 1.15846, 0.30519),
    (30, 63.5674, 44.9490, 1.22474, 0.28868),
    (40, 79.6804, 56.3426, 1.28171, 0.27584),
    (50, 93.0343, 65.7852, 1.32893, 0.26604),
    (60, 103.5276, 73.2051, 1.36603, 0.25882),
]


@pytest.mark.parametrize(("degrees", "frame", "bias", "square", "force"), TABLE)
def test_printed_table(degrees, frame, bias, square, force):
    # half of the last printed digit moves the angle by that over its slope
    assert math.degrees(frame_shear(frame, SIDE)) == pytest.approx(degrees, abs=5e-5)
    assert math.degrees(bias_shear(bias, LENGTH, WIDTH)) == pytest.approx(degrees, abs=7e-5)
    assert math.degrees(square_shear(1.0, square)) == pytest.approx(degrees, abs=2e-3)
    assert f"{frame_force(100.0, math.radians(degrees), SIDE):.5f}" == f"{force:.5f}"


@pytest.mark.parametrize("degrees", [0.0, 1.0, 10.0, 33.3, 45.0, 60.0, 80.0])
def test_there_and_back(degrees):
    """The diagonal is laid out with two arms of a hinged square, as vectors."""
    gamma = math.radians(degrees)
    lean = 0.5 * (0.5 * math.pi - gamma)  # of an arm to the pull
    arms = np.array([[math.cos(lean), math.sin(lean)], [math.cos(lean), -math.sin(lean)]])
    diagonal = float(np.linalg.norm(arms.sum(axis=0)))
    assert float(frame_shear(SIDE * (diagonal - math.sqrt(2)), SIDE)) == pytest.approx(
        gamma, abs=1e-9
    )
    zone = LENGTH - WIDTH
    grown = zone * (diagonal / math.sqrt(2) - 1)
    assert float(bias_shear(grown, LENGTH, WIDTH)) == pytest.approx(gamma, abs=1e-9)
    if degrees:
        assert float(square_shear(math.sqrt(2), diagonal)) == pytest.approx(gamma, abs=1e-9)


@pytest.mark.parametrize(
    ("width", "pitch", "printed"),
    [(1.0, 2.0, "60.00"), (1.6, 2.0, "36.87"), (1.8, 2.0, "25.84"), (1.9, 2.0, "18.19")],
)
def test_touching_yarns_to_printed_digits(width, pitch, printed):
    assert f"{math.degrees(float(yarns_touch(width, pitch))):.2f}" == printed


# --- forces, by the work they do -------------------------------------------------------------


def shear_law(shear):
    """Force per length of an invented cloth, N/mm."""
    return 0.02 + 0.05 * shear + 0.6 * shear**3


def work(shear):
    """Per area of unsheared cloth: the sides' force times how far they slide on each other."""
    return quad(lambda g: shear_law(g) * math.cos(g), 0.0, shear)[0]


def pull(energy, travel, shear):
    """F = dE/dd, by differences of both; an even step each way."""
    step = 1e-5
    return (energy(shear + step) - energy(shear - step)) / (
        travel(shear + step) - travel(shear - step)
    )


def test_frame_force_balances_the_work():
    for shear in (0.1, 0.5, 0.9):
        force = pull(
            lambda g: SIDE * SIDE * work(g),
            lambda g: math.sqrt(2) * SIDE * math.sqrt(1 + math.sin(g)),
            shear,
        )
        assert frame_force(force, shear, SIDE) == pytest.approx(shear_law(shear), rel=1e-6)


def test_bias_force_balances_the_work():
    """Middle, W(2L − 3W)/2 at γ; W² at γ/2; the rest, W²/2 at the clamps, isn't sheared."""
    areas = 0.5 * WIDTH * (2 * LENGTH - 3 * WIDTH), WIDTH * WIDTH
    assert sum(areas) + 0.5 * WIDTH**2 == LENGTH * WIDTH
    shear = np.linspace(1e-3, 0.9, 400)
    force = [
        pull(
            lambda g: areas[0] * work(g) + areas[1] * work(0.5 * g),
            lambda g: (LENGTH - WIDTH) * math.sqrt(1 + math.sin(g)),
            g,
        )
        for g in shear
    ]
    found = bias_force(np.array(force), shear, LENGTH, WIDTH)
    assert found == pytest.approx(shear_law(shear), rel=1e-3)


def test_curves_hang_together():
    displacement = np.linspace(0.0, 100.0, 50)
    curve = frame_curve(displacement, displacement + 1.0, SIDE)
    assert curve.shear[-1] == frame_shear(100.0, SIDE)
    assert curve.force[-1] == frame_force(101.0, curve.shear[-1], SIDE)
    curve = bias_curve(0.6 * displacement, displacement + 1.0, LENGTH, WIDTH)
    assert curve.shear[-1] == bias_shear(60.0, LENGTH, WIDTH)
    with pytest.raises(ValueError, match="read-only"):
        curve.force[0] = 1.0


# --- what can't be -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: square_shear([100.0, 100.0], [120.0, 99.0]), ["99 mm from 100 mm", "141.421 mm"]),
        (lambda: square_shear([100.0], [142.0]), ["142 mm from 100 mm", "141.421 mm"]),
        (lambda: square_shear([100.0], [math.nan]), ["nan mm"]),
        (lambda: frame_shear(np.array([1.0, 118.0]), SIDE), ["118 mm", "less than 117.157 mm"]),
        (lambda: frame_shear(np.array([-1.0]), SIDE), ["-1 mm", "count it from"]),
        (lambda: bias_shear(np.array([83.0]), LENGTH, WIDTH), ["83 mm", "less than 82.8427 mm"]),
        (lambda: bias_shear(np.array([1.0]), 199.0, 100.0), ["length 199", "200 mm or more"]),
        (lambda: yarns_touch([1.0, 2.0], [2.0, 2.0]), ["width 2 mm, pitch 2 mm"]),
        (lambda: frame_curve(np.arange(9.0) / 10, np.arange(9.0), SIDE), ["0.32 degrees", "units"]),
    ],
)
def test_impossible_measurements(call, words):
    with pytest.raises(InputError) as caught:
        call()
    for word in words:
        assert word in caught.value.line()


def test_readings_that_fall_back_a_little_are_left_out():
    displacement = np.array([0, 1, 2, 1.99, 2, 3, 4, 5, 6, 7, 8.0])
    force = np.arange(11.0)
    kept, pulled = loading(displacement, force)
    assert kept.tolist() == [0, 1, 2, 3, 4, 5, 6, 7, 8]
    assert pulled.tolist() == [0, 1, 2, 5, 6, 7, 8, 9, 10]


@pytest.mark.parametrize(
    ("displacement", "force", "words"),
    [
        (np.arange(7.0), np.arange(7.0), ["too few readings", "got 7", f"{LEAST_READINGS} or"]),
        (np.arange(20.0)[::-1], np.arange(20.0), ["(reading 2)", "18 mm after 19 mm", "one pull"]),
        (np.ones(20), np.arange(20.0), ["doesn't grow"]),
        (np.tile(np.arange(10.0), 2), np.arange(20.0), ["(reading 11)", "0 mm after 9 mm"]),
        (np.arange(20.0), -np.arange(20.0), ["no force is more than 0", "at most 0 N"]),
        (np.repeat([0.0, 1.0], 10), np.arange(20.0), ["too few readings", "got 2"]),
    ],
)
def test_readings_that_are_no_pull(displacement, force, words):
    with pytest.raises(InputError) as caught:
        loading(displacement, force)
    for word in words:
        assert word in caught.value.line()
