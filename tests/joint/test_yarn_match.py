"""Yarns across the line: cylinder and elbow against what a helix and a mirror demand."""

import numpy as np
import pytest

from drape.errors import InputError
from drape.joint.yarn_match import differences, match, mean_turn, run_angles

ANGLES_DEG = [-80.0, -30.0, 0.0, 15.0, 45.0, 70.0]


def cylinder_run(angle, side=1.0):
    """Warps of a ply at ``angle`` from the axis x, on the run at y = ±25 of a cylinder.

    Inward normal n; turning counter-clockwise against it: cos a x + sin a (n × x).
    """
    k = 7
    normal = np.tile([0.0, -side, 0.0], (k, 1))
    axis = np.tile([1.0, 0.0, 0.0], (k, 1))
    return np.cos(angle) * axis + np.sin(angle) * np.cross(normal, axis), normal, axis


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("degrees", ANGLES_DEG)
def test_cylinder(degrees, side):
    """+θ/+θ is one helix: 0. +θ/−θ is its mirror image: 2θ, and 0 for mirrored."""
    theta = np.radians(degrees)
    plus, minus = (run_angles(*cylinder_run(a, side)) for a in (theta, -theta))
    assert differences(plus, plus, "running-through") == pytest.approx(np.zeros(7), abs=1e-12)
    through = differences(plus, minus, "running-through")
    assert np.mod(through - 2 * theta + 1e-9, np.pi) == pytest.approx(np.full(7, 1e-9), abs=1e-8)
    assert np.abs(through).max() <= np.pi / 2 + 1e-12
    assert differences(plus, minus, "mirrored") == pytest.approx(np.zeros(7), abs=1e-12)
    mirrored = differences(plus, plus, "mirrored")
    assert np.mod(mirrored - 2 * theta + 1e-9, np.pi) == pytest.approx(np.full(7, 1e-9), abs=1e-8)


def test_the_helix_itself():
    """A helix's own tangent just before and after the line, each about its own normal."""
    pitch, radius = 40.0, 25.0

    def at(t):
        place = np.array([0.0, radius * np.cos(t), radius * np.sin(t)])
        tangent = np.array([pitch / (2 * np.pi), -radius * np.sin(t), radius * np.cos(t)])
        return tangent, -place / radius

    axis = np.array([1.0, 0.0, 0.0])
    first, second = (run_angles(*at(t), axis) for t in (-1e-3, 1e-3))
    assert differences(first, second, "running-through") == pytest.approx(0.0, abs=1e-12)
    assert abs(np.tan(first)) == pytest.approx(2 * np.pi * radius / pitch)


def test_elbow_halves_that_are_mirror_images():
    """Warps turning along the run, mirrored in the bend plane z = 0: 0, and 2α otherwise."""
    s = np.linspace(0.0, np.pi / 2, 30)
    radial = np.stack([np.sin(s), -np.cos(s), 0 * s], 1)
    tangent = np.stack([np.cos(s), np.sin(s), 0 * s], 1)
    alpha = np.radians(10.0 + 20.0 * s)
    lower = np.cos(alpha)[:, None] * tangent + np.sin(alpha)[:, None] * [0.0, 0.0, 1.0]
    upper = lower * [1.0, 1.0, -1.0]
    first, second = (run_angles(w, -radial, tangent) for w in (lower, upper))
    assert np.abs(first) == pytest.approx(alpha)
    assert differences(first, second, "mirrored") == pytest.approx(np.zeros(30), abs=1e-12)
    assert np.abs(differences(first, second, "running-through")) == pytest.approx(2 * alpha)


@pytest.mark.parametrize("fold_deg", [0.0, 30.0, 90.0])
def test_a_crease_unfolds(fold_deg):
    """Two planes that meet at an angle: a line straight on the unfolded sheet runs through."""
    fold, theta = np.radians(fold_deg), np.radians(35.0)
    run = np.array([1.0, 0.0, 0.0])
    across = [np.array([0.0, 1.0, 0.0]), np.array([0.0, np.cos(fold), np.sin(fold)])]
    first, second = (
        run_angles(np.cos(theta) * run + np.sin(theta) * a, np.cross(run, a), run) for a in across
    )
    assert differences(first, second, "running-through") == pytest.approx(0.0, abs=1e-12)


def test_direction_of_yarns_and_tangents_does_not_matter():
    warp, normal, axis = cylinder_run(0.4)
    other = run_angles(*cylinder_run(0.1))
    for d, t in [(-3.0, 1.0), (1.0, -2.0), (-1.0, -1.0)]:
        turned = run_angles(d * warp, normal, t * axis)
        same = other if t > 0 else other + np.pi
        assert differences(turned, same, "running-through") == pytest.approx(np.full(7, 0.3))


@pytest.mark.parametrize(
    ("degrees", "alike", "expected"),
    [(100, False, -80), (100, True, 10), (60, True, -30), (90, False, 90), (45, True, 45)],
)
def test_what_counts_as_the_same(degrees, alike, expected):
    """Modulo 180°, and 90° for cloth whose faces and yarns are alike."""
    gap = differences(np.radians([float(degrees)]), np.zeros(1), "running-through", alike)
    assert np.degrees(gap) == pytest.approx([expected])


@pytest.mark.parametrize("goal", ["running-through", "mirrored"])
@pytest.mark.parametrize("alike", [False, True])
def test_best_turn(goal, alike):
    """Against a search over all turns of the second ply for the least sum of 1 − cos."""
    random = np.random.default_rng(2)
    first, second = random.normal(0.2, 0.15, 40), random.normal(1.2, 0.15, 40)
    found = match(first, second, goal, alike)
    turns = np.linspace(-np.pi / 2, np.pi / 2, 20001)
    gaps = np.array([differences(first, second + t, goal, alike) for t in turns])
    cost = (1.0 - np.cos((4 if alike else 2) * gaps)).sum(axis=1)
    assert cost[np.argmin(np.abs(turns - found.best_turn))] <= cost.min() + 1e-5
    left = np.abs(differences(first, second + found.best_turn, goal, alike)).max()
    assert found.after_turn == pytest.approx(left)
    assert found.greatest == np.abs(differences(first, second, goal, alike)).max()
    assert found.mean <= found.greatest


def test_mean_turn_of_directions_either_side_of_the_period():
    """88° and −88° are 4° apart as directions: their mean is 90°, not 0°."""
    assert abs(np.degrees(mean_turn(np.radians([88.0, -88.0])))) == pytest.approx(90.0)


def test_a_warp_square_to_the_surface_is_refused():
    with pytest.raises(InputError, match="no direction on the surface"):
        run_angles([[0.0, 0.0, 1.0]], [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
