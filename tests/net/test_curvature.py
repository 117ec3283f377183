"""The net's shear against the exact curvature that its yarns enclose.

Source: ω_uv = −K sin ω for a net of inextensible yarns, so that with straight first yarns
square to each other the shear at (u, v) is ∬K dA over the net's rectangle; and over any
block the alternating sum of the corner shears is the ∬K inside (key ``hazzidakis1880``).

Tries out ``net/blocks``, ``net/shear`` as well.
"""

import numpy as np
import pytest
from analytic import (
    curvature_from_origin,
    mixed_differences,
    on_base,
    quadric,
    torus_curvature,
    waves_and_bumps,
)
from draped import drape_net
from exact import shapes

from drape.layup.checks import largest_block_sum

LIMIT = np.radians(0.05)
BEND, SECTION = 80.0, 25.0
ON_ELBOW = [BEND * np.sqrt(0.5), BEND - BEND * np.sqrt(0.5), -SECTION]


def field(height, **kwargs):
    return shapes.heightfield(height, 100.0, 80.0, 100, 80, **kwargs)


def case(name, jitter=0.0):
    """Mesh, curvature, start and warp."""
    if name == "elbow":
        mesh = shapes.elbow(BEND, SECTION, np.pi / 2, 64, 128, jitter=jitter)
        return mesh, torus_curvature(BEND, SECTION), ON_ELBOW, [1.0, 0.4, 0.0]
    if name == "bump":
        height, curvature = waves_and_bumps([(3.0, 0.02, 0.05, 0.4)], [(8.0, 5.0, -4.0, 16.0)])
    else:
        height, curvature = quadric(0.008, 0.008 if name == "paraboloid" else -0.008)
    start = np.array([6.0, 3.0])
    z = float(height(*start))
    return field(height, jitter=jitter), curvature, [*start, z], [1.0, 0.3, 0.0]


@pytest.fixture(scope="module", params=["paraboloid", "saddle", "elbow", "bump"])
def name(request):
    return request.param


@pytest.fixture(scope="module", params=[0.0, 0.3], ids=["regular", "irregular"])
def draped(request, name):
    mesh, curvature, start, warp = case(name, request.param)
    return (*drape_net(mesh, start, warp, spacing=1.0), curvature)


def test_shear_is_the_curvature_enclosed_from_the_first_yarns(draped):
    net, extended, curvature = draped
    inside = on_base(net, extended)
    whole = inside[1:, 1:] & inside[:-1, 1:] & inside[1:, :-1] & inside[:-1, :-1]
    enclosed = curvature_from_origin(net, lambda p: curvature(p))
    reached = whole & straight_first_yarns(net, inside)
    assert reached.sum() > 2000
    assert np.nanmax(np.abs(enclosed[reached])) > np.radians(2.0)  # there is something to see
    assert np.nanmax(np.abs(net.shear - enclosed)[reached]) <= LIMIT


def straight_first_yarns(net, inside):
    """(p−1, q−1) cells whose whole rectangle from the origin lies on the sheet."""
    i, j = net.origin
    out = inside.copy()
    for row in range(i + 1, len(out)):
        out[row] &= out[row - 1]
    for row in range(i - 1, -1, -1):
        out[row] &= out[row + 1]
    for column in range(j + 1, out.shape[1]):
        out[:, column] &= out[:, column - 1]
    for column in range(j - 1, -1, -1):
        out[:, column] &= out[:, column + 1]
    return out[1:, 1:] & out[:-1, 1:] & out[1:, :-1] & out[:-1, :-1]


def test_every_block_balances(draped):
    """Grown parts too, where the first yarns don't reach."""
    net, extended, curvature = draped
    residual = mixed_differences(net, on_base(net, extended), curvature)
    assert np.isfinite(residual).sum() > 4000
    assert largest_block_sum(residual) <= LIMIT
