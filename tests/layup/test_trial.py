"""Trials: the same piece from another start, without what only a piece that is cut needs."""

import numpy as np
import pytest
from draped import drape_piece, place, sheet
from exact import shapes
from helpers import gap

from drape.errors import AccuracyError
from drape.layup.trial import try_start

R = 60.0


@pytest.fixture(scope="module")
def dome():
    return drape_piece(shapes.hemisphere(R, 32), [0, 0, -R], [1, 0, 0], allowances=4.0, spacing=2.0)


def test_the_same_start_gives_the_same_outline(dome):
    trial = try_start(dome, dome.options.start, dome.options.warp, dome.options.spacing)
    np.testing.assert_array_equal(trial.outlines[0].points, dome.outlines[0].points)
    assert trial.assessment == dome.assessment


def test_another_start_gives_what_a_piece_from_there_has(dome):
    mesh = shapes.hemisphere(R, 32)
    point = R * np.array([0.3, 0.2, -np.sqrt(1 - 0.3**2 - 0.2**2)])
    other = drape_piece(mesh, point, [1, 1, 0], allowances=4.0, spacing=2.0)
    trial = try_start(dome, place(sheet(mesh), point), np.array([1.0, 1.0, 0.0]), 2.0)
    assert gap(trial.outlines[0].points, other.outlines[0].points) < 1e-9
    assert trial.assessment.max_shear == pytest.approx(other.assessment.max_shear, abs=1e-12)


def test_coarse_trial_has_the_spheres_outline(dome):
    """Radius π/2 on the yarns' axes, 1.386646 on the diagonals, of R = 1 (keys
    ``chebyshev1878``, ``mack1956``), and 4 mm of allowance on the axes besides."""
    trial = try_start(dome, dome.options.start, dome.options.warp, 5.0)
    points = trial.outlines[0].points
    angle = np.degrees(np.arctan2(points[:, 1], points[:, 0]))
    radius = np.linalg.norm(points, axis=1)
    for middle, wanted in [(0, 0.5 * np.pi), (90, 0.5 * np.pi), (-90, 0.5 * np.pi)]:
        near = np.abs(angle - middle) < 0.5
        assert near.any()
        assert radius[near] == pytest.approx(wanted * R + 4.0, abs=0.3)
    bare = drape_piece(shapes.hemisphere(R, 32), [0, 0, -R], [1, 0, 0], spacing=2.0)
    own = try_start(bare, bare.options.start, bare.options.warp, 5.0).outlines[0].points
    angle = np.degrees(np.arctan2(own[:, 1], own[:, 0]))
    for middle in (45, -45, 135, -135):
        near = np.abs(angle - middle) < 0.5
        assert near.any()
        assert np.linalg.norm(own[near], axis=1) == pytest.approx(1.386646 * R, abs=0.3)


def test_no_outline_where_a_piece_is_refused(dome):
    """From beside the rim the outline crosses itself; a piece is refused there."""
    mesh = shapes.hemisphere(R, 32)
    point, warp = R * np.array([np.sin(1.48), 0.0, -np.cos(1.48)]), np.array([1.0, 0.0, 0.0])
    trial = try_start(dome, place(sheet(mesh), point), warp, 2.0)
    assert trial.polygon is None
    assert trial.assessment is None
    assert trial.net.known.sum() > 1000  # there is a net to look at
    with pytest.raises(AccuracyError, match="crosses itself"):
        drape_piece(mesh, point, warp, allowances=4.0, spacing=2.0)
