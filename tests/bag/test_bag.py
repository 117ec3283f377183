"""Sizes of bag, envelope and breather against closed forms.

Ellipse perimeter as in the sections' tests. A curve at distance t inside a smooth convex one is
2π t shorter (Steiner's formula for parallel curves).
"""

import numpy as np
import pytest
from scipy.special import ellipe

from drape.bag.bag import Girth, bag_findings, envelope, inner_girth, tube_bag
from drape.bag.hollow_sections import Section
from drape.errors import InputError
from drape.job.bag_settings import BagOptions


def section(outline, place=10.0, branch=0, x=None, closed=True):
    """A section across x at its place."""
    x = place if x is None else x
    chain = np.column_stack([np.full(len(outline), x), outline])
    return Section(place, branch, np.array([x, 0, 0]), np.array([1.0, 0, 0]), chain, closed)


def ellipse(a, b, count=2000):
    t = np.linspace(0, 2 * np.pi, count, endpoint=False)
    return np.stack([a * np.cos(t), b * np.sin(t)], 1)


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("stack", [0.0, 1.1, 3.0])
def test_inside_the_laminate(stack, turn):
    """Ellipse 30 × 18, smallest radius 10.8; either way round."""
    whole = section(ellipse(30, 18)[::turn])
    exact = 120 * ellipe(1 - 0.36) - 2 * np.pi * stack
    assert inner_girth(whole, stack) == pytest.approx(exact, rel=1e-4)


def test_inside_a_box():
    """40 × 25 with sharp corners, 2 thick: 2 (36 + 21)."""
    box = np.array([[-20.0, -12.5], [20, -12.5], [20, 12.5], [-20, 12.5]])
    assert inner_girth(section(box), 2.0) == pytest.approx(114.0)
    with pytest.raises(InputError, match="fills the hollow"):
        inner_girth(section(box), 13.0)


def test_a_waist_that_closes_leaves_the_larger_room():
    """Two rooms, 30 × 20 and 20 × 20, joined by a neck 2 wide, laminate 2 thick: 26 × 16.

    Round the neck's ridges go two arcs of 30° and radius 2, in place of the 2 mm between them.
    """
    x = [0, 30, 30, 40, 40, 60, 60, 40, 40, 30, 30, 0]
    y = [0, 0, 9, 9, 0, 0, 20, 20, 11, 11, 20, 20]
    shape = np.stack([x, y], 1).astype(float)
    assert inner_girth(section(shape), 2.0) == pytest.approx(
        2 * (26 + 16) + 2 * np.pi / 3 - 2, rel=1e-5
    )


def test_tube_bag():
    """Girths 200 and 160: 110 laid flat; bladder 144 round, stretched by 56/144; by hand."""
    found = [Girth(10.0, 0, 200.0), Girth(50.0, 0, 160.0)]
    bag = tube_bag(found, 300.0, stock=[90.0, 150.0, 120.0, 100.0])
    assert (bag.largest_girth_mm, bag.smallest_girth_mm) == (200.0, 160.0)
    assert bag.lay_flat_mm == pytest.approx(110.0)
    assert bag.stock_mm == 120.0
    assert bag.bladder_lay_flat_mm == pytest.approx(72.0)
    assert bag.bladder_stretch == pytest.approx(56 / 144)
    assert bag.length_mm == pytest.approx(600.0)
    assert tube_bag(found, 300.0).stock_mm is None
    tight = tube_bag(found, 300.0, options=BagOptions(oversize=0.0, tail=20.0))
    assert (tight.lay_flat_mm, tight.length_mm) == pytest.approx((100.0, 340.0))
    with pytest.raises(InputError, match="no closed section"):
        tube_bag([], 300.0)


def test_a_ridge_is_rounded():
    """An L of 40 × 40 with legs 15 wide, 2 thick: five corners lose 2·2, the ridge gains π.

    Perimeter 160; the corner that points into the hollow turns into a quarter circle.
    """
    shape = np.array([[0.0, 0], [40, 0], [40, 15], [15, 15], [15, 40], [0, 40]])
    assert inner_girth(section(shape), 2.0) == pytest.approx(160 - 5 * 4 + np.pi, rel=1e-4)


def test_a_bladder_from_stock():
    """Girths 200 and 160: 72 flat at most; from 60 it stretches to 100: by 2/3; one tail."""
    found = [Girth(10.0, 0, 200.0), Girth(50.0, 0, 160.0)]
    stretch = BagOptions(kind="stretch", tail=20.0)
    bag = tube_bag(found, 300.0, [50.0, 60.0, 80.0], stretch, tails=1)
    assert (bag.stock_mm, bag.length_mm) == (60.0, 320.0)
    assert bag.bladder_stretch == pytest.approx(2 / 3)
    assert bag_findings(bag, found, [50.0, 60.0, 80.0], stretch) == ()
    wide = tube_bag(found, 300.0, [80.0], stretch)
    (none,) = bag_findings(wide, found, [80.0], stretch)
    assert "at most 72 mm" in none.remedy
    assert "the narrowest is 80 mm" in none.text
    narrow = [Girth(10.0, 0, 200.0), Girth(50.0, 0, 110.0)]
    (told,) = bag_findings(tube_bag(narrow, 300.0, (), stretch), narrow, (), stretch)
    assert told.level == "warning"
    assert "stretch by 102%" in told.text  # 200 / 99


def test_folds():
    """Tube 220 round: 37.5 % more than 160 folds, 34 % more than 164 doesn't."""
    calm = [Girth(10.0, 0, 200.0), Girth(50.0, 0, 164.0)]
    assert bag_findings(tube_bag(calm, 300.0), calm) == ()
    narrow = [Girth(10.0, 0, 200.0), Girth(50.0, 0, 160.0)]
    (fold,) = bag_findings(tube_bag(narrow, 300.0), narrow)
    assert "from 50 to 50 mm" in fold.text
    assert "38% larger than the hollow's (at 50 mm)" in fold.text
    # a wider tube from stock folds more
    stock = [130.0]
    (fold,) = bag_findings(tube_bag(calm, 300.0, stock), calm, stock)
    assert "59%" in fold.text
    stock = [100.0, 105.0]
    (none,) = bag_findings(tube_bag(calm, 300.0, stock), calm, stock)
    assert "at least 110 mm" in none.remedy
    assert "the widest is 105 mm" in none.text


def test_folds_stretch_by_stretch_and_branch_by_branch():
    """Widths 200, 150, 140, 200, 130 towards B, and 150 towards C: three stretches."""
    values = [200.0, 150.0, 140.0, 200.0, 130.0]
    found = [Girth(10.0 * k, 0, v, "B") for k, v in enumerate(values)] + [Girth(9.0, 1, 150.0, "C")]
    told = [f.text for f in bag_findings(tube_bag(found, 300.0), found)]
    assert [m.split(" along")[0] for m in told] == [
        "the film folds from 10 to 20 mm (towards B)",
        "the film folds from 40 to 40 mm (towards B)",
        "the film folds from 9 to 9 mm (towards C)",
    ]
    assert "57% larger than the hollow's (at 20 mm (towards B))" in told[0]  # 220 / 140


def test_envelope_and_breather():
    """A block 300 × 90 × 60: girth 300; tube 300/2 × 1.2 = 180 flat, 300 + 2 × 150 long."""
    corners = np.array(np.meshgrid([0, 300], [0, 90], [0, 60])).reshape(3, -1).T.astype(float)
    around = envelope(corners, [2.0, 0, 0])
    assert around.lay_flat_mm == pytest.approx(180.0)
    assert around.length_mm == pytest.approx(600.0)
    assert around.breather_width_mm == pytest.approx(350.0)
    assert around.breather_length_mm == pytest.approx(400.0)
    # a hollow in its side doesn't make it smaller
    inside = np.vstack([corners, corners.mean(axis=0)])
    assert envelope(inside, [1.0, 0, 0]) == around
