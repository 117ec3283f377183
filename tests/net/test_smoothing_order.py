"""The smoothing order on a hemisphere, and on the lower half of an elbow (a torus).

What must hold follows from what the order is for: each stroke starts on cloth that lies
already, nothing is left out, the worst sector is last. Which diagonal grows follows from the
sign of the shear.
"""

import numpy as np
import pytest
import shapely
from draped import drape_piece
from exact import shapes
from helpers import polygon
from strokes import cells_inside, hold

from drape.net.smoothing_order import MOST_STROKES, pull_direction, smoothing_order


@pytest.fixture(scope="module")
def elbow():
    mesh = shapes.elbow(120.0, 25.0, 1.5, 40, 80)
    s = 0.7
    start = [120.0 * np.sin(s), 120.0 - 120.0 * np.cos(s), -25.0]
    return drape_piece(mesh, start, [np.cos(s), np.sin(s), 0.0], spacing=1.5, allowances=6.0)


@pytest.fixture(scope="module")
def bowl():
    return drape_piece(shapes.hemisphere(50.0, 40), [0, 0, -50.0], [1.0, 0.0, 0.0], spacing=1.5)


@pytest.mark.parametrize("name", ["elbow", "bowl"])
def test_what_an_order_must_hold(name, request):
    piece = request.getfixturevalue(name)
    strokes = smoothing_order(piece.net, polygon(piece.outlines[0]))
    assert 5 < len(strokes) <= MOST_STROKES
    assert [s.number for s in strokes] == list(range(1, len(strokes) + 1))
    hold(piece.net, cells_inside(piece), strokes)


def test_first_strokes_run_along_the_first_yarns(elbow):
    strokes = smoothing_order(elbow.net, polygon(elbow.outlines[0]))
    first = [s for s in strokes if s.sector == 0]
    assert len(first) == 4
    assert [s.number for s in first] == [1, 2, 3, 4]
    outline = polygon(elbow.outlines[0]).exterior
    for stroke in first:
        assert np.abs(stroke.flat).min(axis=1).max() == 0.0
        np.testing.assert_array_equal(stroke.flat[0], 0.0)
        np.testing.assert_allclose(stroke.points[0], elbow.net.points[elbow.net.origin], atol=1e-9)
        assert outline.distance(shapely.Point(stroke.flat[-1])) < 2.0 * 1.5


def test_the_diagonal_that_grows_on_the_bowl(bowl):
    """In the quadrants uv > 0 the angle between +warp and +weft closes."""
    strokes = smoothing_order(bowl.net, polygon(bowl.outlines[0]))
    assert sorted({s.sector for s in strokes}) == [0, 1, 2, 3, 4]
    for stroke in strokes:
        if stroke.sector == 0:
            continue
        end = stroke.flat[-1]
        assert stroke.lengthens == np.sign(end.prod())
        pull = pull_direction(bowl.net, stroke)
        outward = stroke.points[-1] - stroke.points[0]
        assert pull @ outward > 0.5 * np.linalg.norm(outward)
    assert strokes[-1].greatest_shear == pytest.approx(np.radians(52.4), abs=np.radians(1.5))


def test_diagonals_really_grow_that_way(elbow):
    """Measured on the net: the cell's longer diagonal is the one that is told."""
    net = elbow.net
    strokes = smoothing_order(net, polygon(elbow.outlines[0]))
    assert {-1, 1} <= {s.lengthens for s in strokes}
    for stroke in strokes:
        i, j = stroke.cells[np.argmax(np.abs(net.shear[tuple(stroke.cells.T)]))]
        p = np.linalg.norm(net.points[i + 1, j + 1] - net.points[i, j])
        q = np.linalg.norm(net.points[i + 1, j] - net.points[i, j + 1])
        if stroke.lengthens:
            assert np.sign(p - q) == stroke.lengthens


def test_a_speck_of_a_piece_goes_with_the_sector_beside_it(bowl):
    cut = shapely.MultiPolygon([shapely.box(-30, -30, 30, 30), shapely.box(36, 36, 39, 39)])
    u, v = bowl.net.centres
    x, y = np.meshgrid(u, v, indexing="ij")
    strokes = smoothing_order(bowl.net, cut)
    hold(bowl.net, shapely.contains_xy(cut, x, y), strokes)
    assert {s.sector for s in strokes} == {0, 1, 2, 3, 4}


def test_a_start_outside_the_cut_and_an_island(bowl):
    cut = shapely.MultiPolygon([shapely.box(10, 10, 40, 40), shapely.box(-30, -30, -12, -12)])
    strokes = smoothing_order(bowl.net, cut)
    count = sum(len(s.cells) for s in strokes)
    u, v = bowl.net.centres
    x, y = np.meshgrid(u, v, indexing="ij")
    assert count == (shapely.contains_xy(cut, x, y) & np.isfinite(bowl.net.shear)).sum()
    assert smoothing_order(bowl.net, shapely.box(0.1, 0.1, 0.2, 0.2)) == ()
