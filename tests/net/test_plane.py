"""On a plane the net is the plane's own square grid: node (u, v) lies at (u, v).

Source: a plane is isometric to itself; no yarn bends, nothing shears.

Tries out ``net/cells``, ``net/mapping``, ``net/net``, ``net/solver``, ``net/unfolding`` as
well.
"""

import numpy as np
import pytest
from draped import place, sheet
from exact import shapes
from helpers import turned

from drape.errors import AccuracyError, InputError
from drape.geometry.surface import SurfacePoint
from drape.mould.closed.extension import extend
from drape.net.solver import NetOptions, solve_net


def plate(jitter=0.0, lean=0.0):
    x, y = np.linspace(-30.0, 30.0, 25), np.linspace(-20.0, 20.0, 17)
    return sheet(
        shapes.grid(lambda a, b: np.stack([a + lean * b, b, 0.0 * a], -1), x, y, jitter=jitter)
    )


def net_on_plate(start, *, angle=0.0, half=False, jitter=0.0, spacing=1.0, lean=0.0):
    region = plate(jitter, lean)
    extended = extend(region, region.surface, 1.0, 10.0)
    warp = np.array([np.cos(angle), np.sin(angle), 0.0])
    options = NetOptions(spacing=spacing, half_phase=half)
    at = place(region, start)
    return solve_net(extended.surface, at, warp, options, level=extended.level)


def worst(net, start, angle=0.0):
    """Greatest distance of a known node from where it belongs, mm."""
    u, v = np.meshgrid(net.u, net.v, indexing="ij")
    flat = turned(np.stack([u, v], -1).reshape(-1, 2), -angle) + np.array(start[:2])
    gap = net.points[..., :2].reshape(-1, 2) - flat
    return np.linalg.norm(gap, axis=1)[net.known.ravel()].max()


@pytest.mark.parametrize("half", [False, True])
@pytest.mark.parametrize("angle_deg", [0, 30, 45, 90, 170])
@pytest.mark.parametrize("jitter", [0.0, 0.3])
def test_nodes_lie_on_the_grid(half, angle_deg, jitter):
    start, angle = (0.31, 0.17, 0.0), np.radians(angle_deg)
    net = net_on_plate(start, angle=angle, half=half, jitter=jitter)
    assert net.known.sum() > 60.0 * 40.0
    assert worst(net, start, angle) < 1e-6
    assert np.nanmax(np.abs(net.shear)) < 1e-6
    steps = np.diff(net.u)
    i = net.origin[0]
    assert net.u[i] == 0.0
    assert steps[i] == pytest.approx(0.5 if half else 1.0)
    assert steps[i + 1] == pytest.approx(1.0)


@pytest.mark.parametrize("lean", [0.0, 1.0])
def test_a_net_whose_yarn_falls_on_the_rim_ends_there(lean):
    """Regression: the rim is 31 mm from the start, the spacing 1 mm."""
    start = (0.0, 0.0, 0.0)
    assert worst(net_on_plate(start, lean=lean), start) < 1e-6


@pytest.mark.parametrize("spacing", [0.0, -1.0, np.nan, np.inf])
def test_spacing_must_be_positive(spacing):
    with pytest.raises(InputError, match="spacing"):
        net_on_plate((0.31, 0.17, 0.0), spacing=spacing)


def test_warp_square_to_the_surface_is_refused():
    region = plate()
    with pytest.raises(InputError, match="square on the surface"):
        solve_net(region.surface, place(region, (0.0, 0.0, 0.0)), np.array([0.0, 0.0, 1.0]))


def test_a_face_that_does_not_exist_is_refused():
    region = plate()
    at = SurfacePoint(len(region.surface.faces), 0.2, 0.2)
    with pytest.raises(InputError, match="face"):
        solve_net(region.surface, at, np.array([1.0, 0.0, 0.0]))


def test_no_whole_cell_round_the_start_raises_with_what_there_is():
    with pytest.raises(AccuracyError) as caught:
        net_on_plate((0.31, 0.17, 0.0), spacing=40.0)
    assert caught.value.partial is not None


def test_flat_and_back():
    """to_surface and to_flat are inverse, and exact on a plane, to the rim of the net."""
    net = net_on_plate((0.31, 0.17, 0.0))
    flat = np.random.default_rng(1).uniform([-38, -28], [38, 28], (500, 2))
    points = net.to_surface(flat)
    assert np.allclose(points, np.c_[flat + np.array([0.31, 0.17]), np.zeros(500)], atol=1e-6)
    up = np.tile([0.0, 0.0, 1.0], (500, 1))
    assert np.allclose(net.to_flat(points, up), flat, atol=1e-6)
    assert np.isnan(net.to_flat(points, -up)).all()  # another sheet's points get no answer
    assert np.isnan(net.to_surface(np.array([[500.0, 0.0]]))).all()


def test_shear_is_positive_where_the_angle_between_plus_u_and_plus_v_closes():
    """Hand case: paraboloid (K > 0): shear has the sign of u·v (key ``hazzidakis1880``)."""
    region = sheet(shapes.heightfield(lambda x, y: 0.004 * (x * x + y * y), 60.0, 60.0, 40, 40))
    net = solve_net(region.surface, place(region, (0.0, 0.0, 0.0)), np.array([1.0, 0.0, 0.0]))
    u, v = np.meshgrid(*net.centres, indexing="ij")
    far = ~np.isnan(net.shear) & (np.abs(u * v) > 20.0)
    assert far.sum() > 100
    assert (np.sign(net.shear) == np.sign(u * v))[far].all()
