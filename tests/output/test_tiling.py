"""Tiles cover the whole drawing, overlap, and stay at 1:1."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from drape.errors import InputError
from drape.output.tiling import (
    MARGIN,
    OVERLAP,
    PAGES,
    PageSize,
    fewest,
    roll_page,
    tile,
    used,
)


@st.composite
def stars(draw):
    """Star-shaped polygons from 20 mm to about 1.4 m across, anywhere."""
    count = draw(st.integers(3, 24))
    size = draw(st.floats(10.0, 700.0))
    radii = np.array(draw(st.lists(st.floats(0.15, 1.0), min_size=count, max_size=count)))
    angles = 2 * np.pi * (np.arange(count) + draw(st.floats(0.0, 1.0))) / count
    centre = np.array(draw(st.tuples(*[st.floats(-2000.0, 2000.0)] * 2)))
    ring = centre + size * radii[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return shapely.Polygon(ring)


@settings(max_examples=150, deadline=None)
@given(star=stars(), name=st.sampled_from(sorted(PAGES)), overlap=st.floats(0.0, 30.0))
def test_tiles_cover_random_stars_with_the_overlap(star, name, overlap):
    tiles = fewest(star, PAGES[name], MARGIN, overlap)
    assert shapely.union_all([t.area for t in tiles]).buffer(1e-6).covers(star)
    grid = {(t.row, t.column): t for t in tiles}
    for (row, column), one in grid.items():
        right, below = grid.get((row, column + 1)), grid.get((row + 1, column))
        if right:
            assert one.live[2] - right.live[0] == pytest.approx(overlap, abs=1e-9)
            assert one.live[1] == pytest.approx(right.live[1], abs=1e-9)
        if below:
            assert below.live[3] - one.live[1] == pytest.approx(overlap, abs=1e-9)
            assert one.live[0] == pytest.approx(below.live[0], abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(star=stars(), name=st.sampled_from(sorted(PAGES)))
def test_pages_hang_together_and_none_is_blank(star, name):
    """Glued by their overlaps the kept pages are one sheet; each shows some of the star."""
    tiles = fewest(star, PAGES[name])
    grid = {(t.row, t.column) for t in tiles}
    reached, todo = set(), [min(grid)]
    while todo:
        row, column = todo.pop()
        if (row, column) in grid - reached:
            reached.add((row, column))
            todo += [(row + 1, column), (row - 1, column), (row, column + 1), (row, column - 1)]
    assert reached == grid
    assert all(t.area.intersects(star) for t in tiles)
    assert all(t.rows >= max(r for r, _ in grid) for t in tiles)


@pytest.mark.parametrize(("name", "count"), [("A4", 12), ("A3", 6), ("Letter", 12)])
def test_number_of_tiles_by_hand(name, count):
    """A rectangle 500 x 800 mm.

    A4 lives on 182 x 269 mm, steps 172 x 259: upright 3 x 4 tiles reach 526 x 1046 mm,
    on the side 2 x 5 = 528 x 870 mm. A3 lives on 269 x 392: upright 2 x 3 = 528 x 1156,
    on the side 2 x 4. Letter lives on 187.9 x 251.4: upright 3 x 4 = 543 x 975, on the side
    3 x 5.
    """
    upright = tile((0, 0, 500, 800), PAGES[name])
    assert len(upright) == count
    assert len(fewest(shapely.box(0, 0, 500, 800), PAGES[name])) == min(
        count, {"A4": 10, "A3": 8, "Letter": 15}[name]
    )


def test_to_page_is_a_shift_that_puts_the_live_area_at_the_margin():
    tiles = tile((-300.0, 40.0, 200.0, 500.0), PAGES["A4"])
    assert len(tiles) > 1
    for one in tiles:
        corners = one.to_page([one.live[:2], one.live[2:]])
        np.testing.assert_allclose(corners, [[14, 14], [196, 283]], atol=1e-9)
        points = np.array([[1.0, 2.0], [101.0, 2.0], [1.0, 102.0]])
        np.testing.assert_allclose(np.diff(one.to_page(points), axis=0), np.diff(points, axis=0))


def test_rows_count_from_the_top_and_columns_from_the_left():
    tiles = {(t.row, t.column): t for t in tile((0, 0, 500, 800), PAGES["A4"])}
    assert tiles[1, 1].live[3] == 800
    assert tiles[1, 1].live[0] == 0
    assert tiles[2, 1].live[3] == 800 - 259
    assert tiles[1, 2].live[0] == 172
    assert tiles[1, 1].label == "row 1 of 4 · column 1 of 3"


def test_blank_tiles_are_left_out_but_counted():
    """An L whose inner corner leaves two of the 3 x 3 pages blank, and more."""
    shape = shapely.union_all([shapely.box(0, 0, 500, 60), shapely.box(0, 0, 60, 700)])
    tiles = used(tile(shape.bounds, PAGES["A4"]), shape)
    assert {(t.row, t.column) for t in tiles} == {(1, 1), (2, 1), (3, 1), (3, 2), (3, 3)}
    assert {(t.rows, t.columns) for t in tiles} == {(3, 3)}


def test_page_that_shows_nothing_of_its_own_is_left_out():
    """The second column would show a strip that the first shows as well."""
    shape = shapely.union_all([shapely.box(0, 0, 500, 60), shapely.box(175, 0, 181, 700)])
    tiles = used(tile(shape.bounds, PAGES["A4"]), shape)
    assert len([t for t in tiles if t.row == 1]) == 1


def test_pages_that_alone_hold_others_together_stay():
    """A narrow band through the corner that four pages share.

    Two pages show all of it, but only corner on corner: a third holds them together.
    """
    band = shapely.LineString([(100, 100), (177, 11), (250, -80)]).buffer(1.0)
    frame = shapely.union_all(
        [band, shapely.box(0, 268, 1, 269), shapely.box(353, -247, 354, -246)]
    )
    tiles = used(tile((0, -249, 354, 269), PAGES["A4"]), frame)
    assert len(tile((0, -249, 354, 269), PAGES["A4"])) == 4
    grid = {(t.row, t.column) for t in tiles}
    assert {(1, 1), (2, 2)} < grid
    assert len(grid) == 3


def test_roll_page_is_as_long_as_needed_and_lies_the_better_way():
    assert roll_page((0, 0, 400, 1500), 914.0) == PageSize("roll", 914.0, 1528.0)
    assert roll_page((0, 0, 1500, 400), 914.0) == PageSize("roll", 1528.0, 914.0)
    assert roll_page((0, 0, 1500, 1200), 914.0) == PageSize("roll", 1528.0, 914.0)
    assert roll_page((0, 0, 100, 9000), 914.0).height == 5000.0


@pytest.mark.parametrize(
    ("page", "margin", "overlap"),
    [
        (PAGES["A4"], 7.9, OVERLAP),
        (PAGES["A4"], float("nan"), OVERLAP),
        (PAGES["A4"], MARGIN, -1.0),
        (PAGES["A4"], MARGIN, 95.0),
        (PAGES["A4"], MARGIN, float("nan")),
        (PageSize("A6", 105.0, 148.0), MARGIN, OVERLAP),
    ],
)
def test_sizes_that_cannot_be_used_are_refused(page, margin, overlap):
    with pytest.raises(InputError):
        tile((0, 0, 500, 800), page, margin, overlap)
