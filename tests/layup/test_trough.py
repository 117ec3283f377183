"""A half-round trough unrolls to a rectangle: nothing shears, and lengths are exact.

Source: a developable surface is isometric to the plane (key ``docarmo1976``); the
mid-surface of a trough of radius R at height h is a trough of radius R − h.
"""

import numpy as np
import pytest
from draped import drape_piece
from exact import shapes
from helpers import corner_gap, gap, turned

RADIUS, LENGTH, PLY = 25.0, 100.0, 0.22
HEIGHT = 1.5 * PLY  # the second ply's mid-surface
OUTLINE = 0.03  # mm
SHEAR = np.radians(0.05)
MESHES = {"regular": 0.0, "irregular": 0.3}
ANGLES_DEG = (0, 30, 45)


def trough(jitter):
    return shapes.trough(RADIUS, LENGTH, 64, 40, jitter=jitter)


def piece(jitter, angle, side=0.0, end=0.0, height=HEIGHT):
    """``side`` for the two straight edges along the trough, ``end`` for its two ends."""
    allowances = {"edge.1": side, "edge.2": end, "edge.3": side, "edge.4": end}
    warp = [np.cos(angle), np.sin(angle), 0.0]
    start = [0.0, 0.0, -RADIUS]
    return drape_piece(
        trough(jitter), start, warp, allowances=allowances, height=height, spacing=2.0
    )


def rectangle(angle, side=0.0, end=0.0, height=HEIGHT):
    """Exact corners (4, 2) in the cloth's axes."""
    x = 0.5 * LENGTH + end
    y = 0.5 * np.pi * (RADIUS - height) + side
    return turned(np.array([[-x, -y], [x, -y], [x, y], [-x, y]]), angle)


@pytest.fixture(scope="module", params=MESHES)
def mesh(request):
    return MESHES[request.param]


@pytest.fixture(scope="module", params=ANGLES_DEG)
def angle(request):
    return np.radians(request.param)


@pytest.fixture(scope="module")
def flush(mesh, angle):
    return piece(mesh, angle)


def test_nothing_shears(flush):
    assert np.nanmax(np.abs(flush.net.shear)) <= SHEAR


def test_outline_is_the_exact_rectangle(flush, angle):
    exact = rectangle(angle)
    outline = flush.outlines[0]
    assert gap(outline.points, exact) <= OUTLINE
    assert len(outline.edges) == 4
    assert corner_gap(outline, exact) <= OUTLINE


@pytest.mark.parametrize("height", [0.0, 0.5 * PLY, 2.5 * PLY])
def test_each_ply_is_narrower_by_pi_times_its_mid_height(height):
    exact = rectangle(0.0, height=height)
    assert gap(piece(0.0, 0.0, height=height).outlines[0].points, exact) <= OUTLINE


@pytest.mark.parametrize("lap", [5.0, 10.0, 15.0, -5.0, -10.0])
def test_laps_and_set_backs_add_exactly_twice(mesh, angle, flush, lap):
    got = piece(mesh, angle, side=lap)
    exact = rectangle(angle, side=lap)
    assert gap(got.outlines[0].points, exact) <= OUTLINE
    assert corner_gap(got.outlines[0], exact) <= OUTLINE
    width = width_across(got, angle) - width_across(flush, angle)
    assert width == pytest.approx(2.0 * lap, abs=OUTLINE)


@pytest.mark.parametrize("end", [10.0, -4.0])
def test_run_off_lengthens_and_keeps_the_corners(mesh, angle, end):
    got = piece(mesh, angle, side=5.0, end=end)
    exact = rectangle(angle, side=5.0, end=end)
    assert gap(got.outlines[0].points, exact) <= OUTLINE
    assert corner_gap(got.outlines[0], exact) <= OUTLINE


def width_across(piece, angle):
    return np.ptp(turned(piece.outlines[0].points, -angle)[:, 1])


def test_areas(flush):
    """Cloth, mid-surface and cavity: the exact areas, 0.1 %."""
    area = np.pi * (RADIUS - HEIGHT) * LENGTH
    assert flush.assessment.cloth_area == pytest.approx(area, rel=1e-3)
    assert flush.assessment.surface_area == pytest.approx(area, rel=1e-3)
    assert flush.covered_cavity_area == pytest.approx(np.pi * RADIUS * LENGTH, rel=1e-3)
    assert flush.unreached_area == 0.0


def test_self_checks_pass(flush):
    assert flush.valid
