"""Wrinkle zones on a hemisphere draped from its pole, where the shear is known.

Source of 0.1871 R²: the net's equation on the sphere (keys ``chebyshev1878``, ``mack1956``),
by quadrature; it is computed again here from the equation.

Tries out ``net/contours`` as well.
"""

import numpy as np
import pytest
import shapely
from draped import drape_piece
from exact import shapes
from helpers import polygon
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from drape.net.wrinkles import Uncertainty, net_uncertainty, wrinkling

RADIUS = 50.0
LIMIT = np.radians(45.0)
SURE = Uncertainty(0.0, 0.0, np.radians(2.0))


@pytest.fixture(scope="module")
def bowl():
    warp = [np.cos(0.3), np.sin(0.3), 0.0]
    return drape_piece(shapes.hemisphere(RADIUS, 52), [0.0, 0.0, -RADIUS], warp, spacing=1.0)


def zones_of(piece, limit=LIMIT, uncertainty=SURE, within=None):
    own = polygon(piece.own_outlines[0])
    cut = polygon(piece.outlines[0]) if within is None else within
    return wrinkling(piece.net, cut, own, {"rim": cut.exterior}, limit, uncertainty)


@pytest.fixture(scope="module")
def exact(bowl):
    """Function of a limit: the area of the unit hemisphere sheared by more."""
    sol = solve_ivp(
        lambda s, y: [y[1], -(y[1] + np.sin(y[0])) / s],
        (1e-8, 2.0),
        [0.5 * np.pi - 1e-8, -1.0],
        rtol=1e-11,
        atol=1e-13,
        dense_output=True,
    ).sol

    def rim(angle):
        # where a flat ray meets the equator: sphere areas from the computed outline
        outline = polygon(bowl.outlines[0]).exterior
        ray = shapely.LineString([(0, 0), (200 * np.cos(angle), 200 * np.sin(angle))])
        return shapely.get_coordinates(ray.intersection(outline))[0] / RADIUS

    def area(limit):
        s0 = brentq(lambda s: 0.5 * np.pi - sol(s)[0] - limit, 1e-6, 1.9)

        def slice_(angle):
            product = np.cos(angle) * np.sin(angle)
            first, last = np.sqrt(s0 / product), np.linalg.norm(rim(angle))
            if last <= first:
                return 0.0
            return quad(lambda r: np.sin(sol(r * r * product)[0]) * r, first, last)[0]

        angles = np.linspace(1e-3, 0.5 * np.pi - 1e-3, 801)
        return 4.0 * np.trapezoid([slice_(a) for a in angles], angles)

    return area


def test_area_past_45_degrees_on_the_hemisphere(bowl, exact):
    found = zones_of(bowl)
    assert abs(exact(LIMIT) - 0.1871) < 0.0004
    assert found.area == pytest.approx(0.1871 * RADIUS**2, rel=0.01)


def test_four_equal_zones_at_the_rim_with_opposite_signs(bowl):
    zones = zones_of(bowl).zones
    assert len(zones) == 4
    areas = [z.area for z in zones]
    assert max(areas) < 1.01 * min(areas)
    for zone in zones:
        assert zone.edges == ("rim",)
        assert np.degrees(zone.peak) == pytest.approx(52.425, abs=0.1)
        assert zone.place[2] == pytest.approx(0.0, abs=0.05)
        assert np.linalg.norm(zone.place) == pytest.approx(RADIUS, abs=0.05)
        assert np.sign(zone.flat_place.prod()) == zone.sign
        np.testing.assert_allclose(np.abs(zone.flat_place), 0.980507 * RADIUS, atol=0.5)
        assert zone.own_area == pytest.approx(zone.area, rel=1e-6)
        assert zone.u_range[0] < zone.flat_place[0] < zone.u_range[1]
        on_sphere = np.linalg.norm(zone.outlines[0], axis=1)
        assert np.abs(on_sphere - RADIUS).max() < 0.05


def test_only_edges_that_a_zone_touches_are_named(bowl):
    inner = polygon(bowl.outlines[0])
    lines = {"rim": shapely.LineString([(-1, 0), (1, 0)])}
    found = wrinkling(bowl.net, inner, inner, lines, LIMIT, SURE)
    assert [z.edges for z in found.zones] == [()] * 4


def test_the_band_is_the_areas_at_the_limit_moved(bowl, exact):
    found = zones_of(bowl)
    size = RADIUS**2
    assert found.least == pytest.approx(exact(np.radians(47.0)) * size, rel=0.01)
    assert found.greatest == pytest.approx(exact(np.radians(43.0)) * size, rel=0.01)
    for zone in found.zones:
        assert zone.least < zone.area < zone.greatest
        assert zone.greatest == pytest.approx(0.25 * found.greatest, rel=0.02)


def test_no_zone_above_the_peak_but_one_within_the_uncertainty(bowl):
    found = zones_of(bowl, np.radians(53.0))
    assert found.zones == ()
    assert found.area == found.least == 0.0
    assert found.greatest > 0.0


def test_a_coarser_net_finds_the_same_area_and_is_less_sure(bowl):
    warp = [np.cos(0.3), np.sin(0.3), 0.0]
    mesh = shapes.hemisphere(RADIUS, 52)
    coarse = drape_piece(mesh, [0.0, 0.0, -RADIUS], warp, spacing=3.0)
    assert zones_of(coarse).area == pytest.approx(0.1871 * RADIUS**2, rel=0.01)
    fine, rough = net_uncertainty(bowl.net), net_uncertainty(coarse.net)
    assert 0.0 < 5.0 * fine < rough < np.radians(0.5)


def test_parts_of_the_uncertainty_add_as_squares():
    assert Uncertainty(0.03, 0.04, 0.12).total == pytest.approx(0.13)


def test_a_zone_in_a_lap_alone_has_no_area_of_its_own(bowl):
    own = shapely.Point(0.0, 0.0).buffer(50.0)
    cut = polygon(bowl.outlines[0])
    found = wrinkling(bowl.net, cut, own, {}, LIMIT, SURE)
    assert [z.own_area for z in found.zones] == [0.0] * 4
    assert found.area > 400.0
