"""Forces of a pressurised bag, by hand and by adding up triangles' pressures."""

import numpy as np
import pytest
from exact.shapes import grid, trough

from drape.bag.forces import CAUTION, bag_forces, loop_area, projected_area
from drape.errors import InputError

UP = [0.0, 0.0, 1.0]


def test_trough_500_by_50_at_5_bar():
    """500 × 50 mm² × 0.5 N/mm² = 12.5 kN; mouth π 25²/2 each half; by hand."""
    vertices, faces = trough(25.0, 500.0, 40, 10)
    area = projected_area(vertices, faces, [0, 0, 3.0])
    assert area == pytest.approx(25000.0)
    circle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    mouth = loop_area(np.stack([0 * circle + 9, 25 * np.cos(circle), 25 * np.sin(circle)], 1))
    assert mouth == pytest.approx(np.pi * 625, rel=1e-4)
    forces = bag_forces(5.0, area, {"A": mouth})
    assert forces.opening_force_n == pytest.approx(12500.0)
    assert forces.end_thrusts_n["A"] == pytest.approx(0.5 * np.pi * 625, rel=1e-4)
    assert "12.5 kN" in forces.caution
    assert "qualified" in CAUTION


def test_an_undercut_adds_nothing():
    """Three quarters of a tube, open by 2 × 25 sin 45°: only the rim counts."""
    t = np.linspace(-0.75 * np.pi, 0.75 * np.pi, 200)

    def point(x, a):
        return np.stack([x, 25 * np.sin(a), -25 * np.cos(a)], -1)

    vertices, faces = grid(point, np.linspace(0, 100, 5), t)
    opening = 50 * np.sin(np.pi / 4)
    assert projected_area(vertices, faces, UP) == pytest.approx(100 * opening)


def test_direction_and_turn_of_the_faces_do_not_matter():
    vertices, faces = trough(25.0, 100.0, 40, 10)
    area = projected_area(vertices, faces, UP)
    assert projected_area(vertices, faces[:, ::-1], [0, 0, -1.0]) == pytest.approx(area)
    lean = np.radians(30.0)
    leaning = projected_area(vertices, faces, [0, np.sin(lean), np.cos(lean)])
    assert leaning == pytest.approx(5000.0 * np.cos(lean))


def test_loop_area_of_a_leaning_rectangle():
    corners = np.array([[0.0, 0, 0], [3, 0, 4], [3, 6, 4], [0, 6, 0]]) + 100.0
    assert loop_area(corners) == pytest.approx(30.0)


@pytest.mark.parametrize("pressure", [0.0, -1.0, float("nan")])
def test_no_pressure_is_refused(pressure):
    with pytest.raises(InputError, match="must be positive"):
        bag_forces(pressure, 1.0, {})
