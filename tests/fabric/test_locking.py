"""Two tangents: known knees, noise, a smooth curve whose crossing has a closed form."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial import Polynomial

from drape.errors import InputError
from drape.fabric.locking import EASY, STIFF, shear_at_force, two_tangents
from drape.fabric.specimens import ShearCurve


def bilinear(knee, end, count=1000, noise=0.0, seed=0, easy=1.0, stiff=10.0, offset=0.0):
    """Two straight lines that meet at ``knee``; angles in degrees, noise of the greatest force."""
    shear, knee = np.linspace(0.0, np.radians(end), count), np.radians(knee)
    force = offset + easy * shear + (stiff - easy) * np.maximum(shear - knee, 0.0)
    scatter = np.random.default_rng(seed).standard_normal(count)
    return ShearCurve(shear, force + noise * force.max() * scatter)


def degrees_of(found):
    return np.degrees([found.shear, found.least, found.greatest])


@pytest.mark.parametrize(("knee", "end"), [(20, 40), (30, 45), (40, 55), (45, 60), (50, 62)])
@pytest.mark.parametrize("offset", [0.0, 5.0])
def test_a_sharp_knee_is_found(knee, end, offset):
    found = two_tangents(bilinear(knee, end, offset=offset))
    assert degrees_of(found)[0] == pytest.approx(knee, abs=0.01)
    assert found.least <= found.shear <= found.greatest
    assert found.easy.slope == pytest.approx(1.0, rel=1e-3)
    assert found.stiff.slope == pytest.approx(10.0, rel=1e-3)


@pytest.mark.parametrize("knee", [30, 40, 45])
@pytest.mark.parametrize(("noise", "within"), [(0.005, 0.25), (0.02, 1.0)])
def test_a_sharp_knee_is_found_in_noise(knee, noise, within):
    """Of 20 pulls of 1000 readings, with noise in percent of the greatest force."""
    curves = [bilinear(knee, knee + 15, noise=noise, seed=seed) for seed in range(20)]
    off = np.array([degrees_of(two_tangents(c))[0] - knee for c in curves])
    assert np.abs(off).max() < within
    assert abs(off.mean()) < 0.5 * within  # nor does choosing stretches push it one way


def test_many_readings_average_their_noise_out():
    """20 000 readings with 5 %: 0.3 degrees; one reading a cell would be 1.3 off."""
    curves = [bilinear(40, 55, count=20_000, noise=0.05, seed=seed) for seed in range(20)]
    off = [degrees_of(two_tangents(c))[0] - 40 for c in curves]
    assert np.abs(off).max() < 0.5


def test_a_softer_end_does_not_decide():
    """Yarns that begin to slip: less steep from 55 degrees on, but no less force."""
    curve = bilinear(40, 55)
    shear = np.concatenate([curve.shear, np.radians(np.linspace(55.1, 62, 100))])
    force = np.concatenate([curve.force, curve.force[-1] + 2.0 * (shear[1000:] - shear[999])])
    assert degrees_of(two_tangents(ShearCurve(shear, force)))[0] == pytest.approx(40, abs=0.1)


def test_readings_taken_closer_together_count_no_more():
    even = bilinear(40, 60)
    shear = np.concatenate([even.shear[:300:30], even.shear[300:]])
    dense = ShearCurve(shear, np.interp(shear, even.shear, even.force))
    assert two_tangents(dense).shear == pytest.approx(two_tangents(even).shear, abs=1e-4)


def test_few_readings_by_hand():
    found = two_tangents(bilinear(40, 60, count=13))
    assert degrees_of(found)[0] == pytest.approx(40, abs=0.1)


def test_friction_at_the_start_does_not_decide():
    curve = bilinear(40, 60)
    sticking = 3.0 * (1.0 - np.exp(-curve.shear / np.radians(0.5)))  # steeper than the stiff end
    found = two_tangents(ShearCurve(curve.shear, curve.force + sticking))
    assert degrees_of(found)[0] == pytest.approx(40, abs=0.1)


def test_what_comes_after_the_greatest_force_does_not_count():
    curve = bilinear(40, 60)
    shear = np.concatenate([curve.shear, curve.shear[-1] + np.radians(np.linspace(0.1, 9, 90))])
    force = np.concatenate([curve.force, curve.force[-1] * np.linspace(0.99, 0.2, 90)])
    assert two_tangents(ShearCurve(shear, force)).shear == two_tangents(curve).shear


def cubic_crossing(a, c, end):
    """Closed form for a γ + c γ³ on [0, end]: lines of least squares over [0, h], [end − k, end].

    Over a stretch of half-width h/2 about m the line of least squares of γ³ has the slope
    3 m² + 3 h²/20 and passes m at the cube's mean, m³ + m h²/4 (projection on Legendre's
    polynomials P0 and P1).
    """

    def line(middle, width):
        slope = a + c * (3 * middle**2 + 0.15 * width**2)
        mean = a * middle + c * (middle**3 + middle * width**2 / 4)
        return slope, mean - slope * middle

    (s1, i1), (s2, i2) = line(EASY * end / 2, EASY * end), line((1 - STIFF / 2) * end, STIFF * end)
    return (i1 - i2) / (s2 - s1)


def test_a_smooth_curve_with_a_closed_form():
    shear = np.linspace(0.0, np.radians(60), 4001)
    found = two_tangents(ShearCurve(shear, 0.2 * shear + shear**3))
    expected = cubic_crossing(0.2, 1.0, np.radians(60))
    # cells, 0.15 deg each, are what differs
    assert np.degrees(found.shear - expected) == pytest.approx(0.0, abs=0.02)
    # no sharp knee: it's told by the others lying degrees apart
    assert np.degrees(found.greatest - found.least) > 2.0


def test_the_closed_form_itself():
    """Against a numerical line of least squares."""
    at = np.linspace(0.3, 0.7, 100001)
    fitted = Polynomial.fit(at, at**3, 1).convert().coef
    assert fitted[1] == pytest.approx(3 * 0.5**2 + 0.15 * 0.4**2, rel=1e-4)


def test_a_rounded_knee():
    """Lines of slope 1 and 10 rounded over 2 degrees: their asymptotes cross at 40 degrees."""
    shear, round_ = np.linspace(0, np.radians(60), 2000), np.radians(1.0)
    bend = round_ * np.logaddexp(0.0, (shear - np.radians(40)) / round_)
    found = two_tangents(ShearCurve(shear, shear + 9.0 * bend))
    assert degrees_of(found)[0] == pytest.approx(40, abs=0.05)


@pytest.mark.parametrize(
    "force",
    [
        lambda g: 3.0 * g,  # straight
        lambda g: np.sqrt(g),  # ever softer
        lambda g: 1.0 + 0.0 * g,
        lambda g: g + 0.5 * np.maximum(g - 0.6, 0.0),  # stiffer, but not twice
        lambda g: 1.0 - g,
    ],
)
def test_no_knee(force):
    shear = np.linspace(0.0, 1.0, 200)
    with pytest.raises(InputError, match="to show where the cloth locks"):
        two_tangents(ShearCurve(shear, force(shear)))


def test_a_force_limit_of_ones_own():
    curve = bilinear(40, 60)
    force = np.radians(40) + 10.0 * np.radians(5)
    assert np.degrees(shear_at_force(curve, force)) == pytest.approx(45.0, abs=1e-3)
    for limit in (0.0, 100.0):
        with pytest.raises(InputError, match="isn't on the curve"):
            shear_at_force(curve, limit)
