"""The picture of a curve: read back from its SVG, in the axes' units."""

from __future__ import annotations

import numpy as np
import pytest
from svgpathtools import svgstr2paths

from drape.output.plot import HEIGHT, WIDTH, Line, plot
from drape.output.svg import to_svg

LABELS = "shear, degrees", "shear force, N/mm"


def lines_of(drawing, layer):
    return [p.points for p in drawing.paths if p.layer == layer]


def test_curve_and_tangent_stand_where_the_axes_say():
    x = np.linspace(0.0, 62.0, 200)
    curve = Line(x, 0.005 * x + 0.1)
    tangent = Line(np.array([0.0, 62.0]), np.array([-1.0, 1.0]), dashed=True)
    drawing = plot("a pull", [curve, tangent], LABELS, [(43.0, "locking angle 43.0°")])
    drawn = lines_of(drawing, "mark")[-1]
    ends = 70.0, 0.5  # the first ticks past 62 and 0.41, in steps of 10 and 0.1
    assert drawn == pytest.approx(
        np.column_stack([x * WIDTH / ends[0], curve.y * HEIGHT / ends[1]]), abs=1e-9
    )
    cut, limit = lines_of(drawing, "edge")
    assert cut[0] == pytest.approx([31.0 * WIDTH / 70.0, 0.0])  # zero half way, ...
    assert cut[-1][1] == pytest.approx(HEIGHT)  # ... and leaving at the top, at 0.5
    assert cut[-1][0] == pytest.approx((0.5 + 1.0) / 2.0 * 62.0 * WIDTH / 70.0)
    assert limit == pytest.approx(np.array([[43.0, 0.0], [43.0, 70.0]]) * [WIDTH / 70, HEIGHT / 70])
    said = {t.content for t in drawing.texts}
    assert {"a pull", *LABELS, "locking angle 43.0°", "0", "10", "70", "0.5"} <= said
    assert "80" not in said


def test_what_lies_beside_the_field_is_not_drawn():
    x = np.linspace(0.0, 60.0, 20)
    below = Line(np.array([0.0, 60.0]), np.array([-2.0, -1.0]), dashed=True)
    above = Line(np.array([0.0, 60.0]), np.array([9.0, 9.0]), dashed=True)
    past = Line(np.array([90.0, 99.0]), np.array([0.0, 1.0]), dashed=True)
    drawing = plot("a", [Line(x, x / 60), below, above, past], LABELS, [(80.0, "off the end")])
    assert lines_of(drawing, "edge") == []


def test_the_svg_holds_it_all():
    x = np.linspace(0.0, 50.0, 5000)
    drawing = plot("µ <&> \x00", [Line(x, x * x)], LABELS)
    text = to_svg(drawing).decode()
    assert "<title>µ &lt;&amp;&gt;</title>" in text
    paths, attributes = svgstr2paths(text)
    assert len(paths) == len(attributes) == len(drawing.paths)
    assert max(len(p) for p in paths) <= 2000  # thinned


def test_texts_do_not_lie_on_each_other():
    x = np.linspace(0.0, 62.0, 20)
    texts = plot("a", [Line(x, 1e5 * x)], LABELS, [(40.0, "one"), (20.0, "two")]).texts
    assert len(texts) > 5
    for i, one in enumerate(texts):
        assert not any(one.box.intersects(other.box) for other in texts[:i]), one.content


@pytest.mark.parametrize("y", [np.zeros(9), -np.ones(9), np.full(9, 1e-9), np.full(9, 1e6)])
def test_odd_heights(y):
    drawing = plot("a", [Line(np.arange(9.0), y)], LABELS)
    lines = lines_of(drawing, "mark")[1:]
    assert lines
    for points in lines:
        assert np.isfinite(points).all()
        assert points.max() <= WIDTH + 1e-9
