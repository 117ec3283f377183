"""A hemisphere from its pole: the net with great-circle first yarns is known exactly.

Source: on the sphere of radius 1 the warp/weft angle ω depends on s = uv alone, ω = f(s),
with s f″ + f′ + sin f = 0, f(0) = π/2, f′(0) = −1 (keys ``chebyshev1878``, ``mack1956``).
The outline's radii, the flat area and the area past 45° follow from it by quadrature.
"""

import numpy as np
import pytest
import shapely
from draped import drape_net, drape_piece
from exact import shapes
from helpers import convergence_order
from scipy.integrate import solve_ivp

RADIUS, RINGS = 60.0, 52  # facets of 0.03 R
POLE = [0.0, 0.0, -RADIUS]
WARP_ANGLE = 0.3  # the rings of the mesh shouldn't line up with the yarns


def warp():
    return [np.cos(WARP_ANGLE), np.sin(WARP_ANGLE), 0.0]


@pytest.fixture(scope="module")
def exact_shear():
    """Function of u and v in mm → shear in radians, odd in uv."""
    first = 1e-6  # f = π/2 − s + O(s³): the series starts where the equation is singular
    solution = solve_ivp(
        lambda s, y: [y[1], -(y[1] + np.sin(y[0])) / s],
        (first, 2.5),
        [0.5 * np.pi - first, -1.0],
        rtol=1e-11,
        atol=1e-12,
        dense_output=True,
    ).sol

    def shear(u, v):
        s = np.asarray(u * v) / RADIUS**2
        angle = solution(np.maximum(np.abs(s), first).ravel())[0].reshape(s.shape)
        return np.sign(s) * np.where(np.abs(s) > first, 0.5 * np.pi - angle, np.abs(s))

    return shear


@pytest.fixture(scope="module")
def bowl():
    return drape_piece(shapes.hemisphere(RADIUS, RINGS), POLE, warp(), spacing=2.0)


def shear_errors(net, exact_shear):
    """|shear − exact| of the cells that lie on the hemisphere, radians."""
    on = net.known & (net.points[..., 2] <= 0.0)
    cell = on[1:, 1:] & on[:-1, 1:] & on[1:, :-1] & on[:-1, :-1]
    u, v = np.meshgrid(*net.centres, indexing="ij")
    assert cell.sum() > 0.8 * 2.0 * np.pi * RADIUS**2 / (net.u[1] - net.u[0]) ** 2
    return np.abs(net.shear - exact_shear(u, v))[cell]


def radius_at(outline, angle):
    """Distance from the origin to the outline along a direction, mm."""
    ray = shapely.LineString([[0.0, 0.0], [200.0 * np.cos(angle), 200.0 * np.sin(angle)]])
    ring = shapely.Polygon(outline.points).exterior
    return float(np.linalg.norm(shapely.get_coordinates(ray.intersection(ring))[0]))


def test_shear_over_the_whole_net(bowl, exact_shear):
    assert shear_errors(bowl.net, exact_shear).max() <= np.radians(0.02)


def test_greatest_shear_at_the_edge(bowl):
    assert np.degrees(bowl.assessment.max_shear) == pytest.approx(52.43, abs=0.1)


@pytest.mark.parametrize("quarter", range(4))
def test_outline_radii(bowl, quarter):
    outline, turn = bowl.outlines[0], quarter * np.pi / 2
    assert radius_at(outline, turn) == pytest.approx(1.570796 * RADIUS, abs=0.03)
    assert radius_at(outline, turn + np.pi / 4) == pytest.approx(1.386646 * RADIUS, abs=0.03)


def test_flat_area(bowl):
    assert bowl.assessment.cloth_area == pytest.approx(6.7938 * RADIUS**2, rel=1e-3)
    assert shapely.Polygon(bowl.outlines[0].points).area == pytest.approx(
        6.7938 * RADIUS**2, rel=1e-3
    )


def test_surface_area_is_the_hemispheres(bowl):
    assert bowl.assessment.surface_area == pytest.approx(2.0 * np.pi * RADIUS**2, rel=1e-3)
    assert bowl.covered_cavity_area == pytest.approx(2.0 * np.pi * RADIUS**2, rel=1e-3)
    assert bowl.unreached_area == 0.0


def test_mean_and_99th_percentile_are_weighted_by_surface_area(bowl, exact_shear):
    """On a sphere equal steps of height are equal areas (Archimedes): points spread so weigh
    the same. Their shear is the exact one at their flat coordinates."""
    n = 20000
    height = (np.arange(n) + 0.5) / n
    turn = np.pi * (1.0 + 5.0**0.5) * np.arange(n)
    ring = np.sqrt(1.0 - height**2)
    inward = np.stack([-ring * np.cos(turn), -ring * np.sin(turn), height], -1)
    flat = bowl.net.to_flat(-RADIUS * inward, inward)
    shear = np.abs(exact_shear(*flat.T))
    seen = bowl.assessment
    assert np.degrees(seen.mean_shear) == pytest.approx(np.degrees(shear.mean()), abs=0.05)
    exact = np.degrees(np.quantile(shear, 0.99))
    # a cell's middle stands for all of it: 0.13° low at 2 mm, 0.05° at 1 mm (by flat area 0.7°)
    assert np.degrees(seen.p99_shear) == pytest.approx(exact, abs=0.2)


def test_area_past_45_degrees(bowl):
    step = 0.5
    x = np.arange(-1.6 * RADIUS, 1.6 * RADIUS, step) + 0.5 * step
    flat = np.stack(np.meshgrid(x, x), -1).reshape(-1, 2)
    flat = flat[shapely.contains_xy(shapely.Polygon(bowl.outlines[0].points), *flat.T)]
    shear = np.abs(bowl.net.shear_at(flat))
    area = step**2 * np.cos(shear)[shear > np.pi / 4].sum()
    assert area == pytest.approx(0.1871 * RADIUS**2, rel=0.01)


def test_error_falls_with_the_square_of_the_spacing(exact_shear):
    """Source: key ``richardson1911``; the rate is the slope of a line through three errors."""
    mesh = shapes.hemisphere(RADIUS, RINGS)
    spacing, error = [4.0, 2.0, 1.0], []
    for d in spacing:
        net, _ = drape_net(mesh, POLE, warp(), spacing=d)
        error.append(shear_errors(net, exact_shear).max())
    rate = convergence_order(spacing, error)
    assert rate == pytest.approx(2.0, abs=0.3)


def test_a_lap_leaves_the_ply_itself_alone(bowl):
    """What lies past the edge doesn't change what lies within (exact: the yarns are the same)."""
    lapped = drape_piece(
        shapes.hemisphere(RADIUS, RINGS), POLE, warp(), allowances=8.0, spacing=2.0
    )
    assert lapped.assessment.max_shear == pytest.approx(bowl.assessment.max_shear, abs=1e-6)
    assert radius_at(lapped.outlines[0], 0.0) == pytest.approx(1.570796 * RADIUS + 8.0, abs=0.03)
    assert lapped.assessment.max_shear_in_laps is not None
    assert bowl.assessment.max_shear_in_laps is None


def test_self_checks_pass(bowl):
    assert bowl.valid
    assert bowl.checks.curvature <= np.radians(0.05) + 1e-3
    assert bowl.checks.yarn_length <= 1e-6
    assert bowl.checks.closure <= 0.05
