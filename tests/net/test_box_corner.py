"""A net over the inside corner of a drafted, filleted box: its shear is the corner's curvature.

Source: with straight first yarns on the floor the shear at (u, v) is ∬K dA over the net's
rectangle (key ``hazzidakis1880``). All of the corner's curvature is the solid angle of the
three faces' normals: two sides of 90° − δ at a right angle enclose 2 atan(tan²(45° − δ/2))
(spherical excess, key ``docarmo1976``), whatever the fillet: 70.30° at a draft of 10°,
36.87° at 30°. Faces and fillets between two faces bend one way only and shear nothing.

Measured greatest shear, 20 facets over a fillet's arc, less the exact one, in degrees:
draft 10°: fillet 3 mm 0.011, 8 mm 0.003; draft 30°: 3 mm 0.028, 8 mm 0.022.
"""

import numpy as np
import pytest
from draped import drape_net
from filleted import BoxCorner
from scipy.optimize import nnls

from drape.geometry.surface import build
from drape.layup.checks import yarn_deviation

FLOOR = 12.0  # mm of flat floor between the start and either fillet
CASES = [(d, f) for d in (10.0, 30.0) for f in (3.0, 8.0)]


@pytest.fixture(scope="module", params=CASES, ids=lambda c: f"draft {c[0]:g} fillet {c[1]:g}")
def draped(request):
    """Corner, net, and the cells that lie on the box itself."""
    draft_deg, fillet = request.param
    corner = BoxCorner(np.radians(draft_deg), fillet, 36.0, around=20, along=40)
    start = corner.centre + np.array([FLOOR, FLOOR, -fillet])
    mesh = corner.vertices, corner.faces
    net, extended = drape_net(mesh, start, [-1.0, 0.0, 0.0], spacing=fillet / 4.0)
    on = net.known.copy()
    on[net.known] = extended.level[net.faces[net.known]] == 0
    return corner, net, on[1:, 1:] & on[:-1, 1:] & on[1:, :-1] & on[:-1, :-1]


def test_the_mesh_is_what_a_rolling_ball_leaves(draped):
    """Every vertex is a fillet's radius away from the places that the ball's centre reaches:
    the cone of the three fillets' axes (non-negative least squares)."""
    corner, *_ = draped
    surface = build(corner.vertices, corner.faces)
    axes = np.stack([corner.axis(k, (k + 1) % 3) for k in range(3)], 1)
    off = corner.vertices[::7] - corner.centre
    assert [nnls(axes, p)[1] for p in off] == pytest.approx([corner.fillet] * len(off), abs=1e-9)
    assert not surface.crease.any()
    assert (surface.neighbours < 0).sum() == 6 * 40 + 3 * 20  # one plain rim
    assert (surface.face_normals @ corner.normals.sum(axis=0)).min() > 0.0


def test_greatest_shear_is_the_corners_curvature(draped):
    corner, net, on = draped
    shear = np.degrees(net.shear[on])
    exact = np.degrees(corner.corner_shear)
    assert shear.max() == pytest.approx(exact, abs=0.1)
    assert shear.min() > -0.1
    assert net.locked_nodes == 0


def test_shear_behind_the_corner_is_the_same_everywhere(draped):
    corner, net, on = draped
    turn = 0.5 * np.pi - np.arcsin(corner.normals[1, 2])
    past = FLOOR + 1.5 * corner.fillet * turn
    u, v = np.meshgrid(*net.centres, indexing="ij")
    behind = on & (u > past) & (v > past)
    assert behind.sum() > 20
    off = net.shear[behind] - corner.corner_shear
    assert np.degrees(np.abs(off)).max() < 0.1


def test_nothing_shears_before_the_corner(draped):
    _, net, on = draped
    u, v = np.meshgrid(*net.centres, indexing="ij")
    before = on & ((u < FLOOR - 0.5) | (v < FLOOR - 0.5))
    assert before.sum() > 300
    assert np.degrees(np.abs(net.shear[before])).max() < 0.05


def test_yarns_keep_their_length_over_the_fillets(draped):
    """Whole yarns, measured again: the run's own limit, though fillets' curvature jumps."""
    _, net, on = draped
    nodes = np.pad(on, ((0, 1), (0, 1)))
    assert yarn_deviation(net, nodes) <= 1e-6
