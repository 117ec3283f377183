"""The drawing of a pattern: right words, in the right places, clear of the cut line.

Tries out ``output/marks``, ``output/paths`` as well.
"""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from output_examples import NASTY, large, strip
from reportlab.pdfbase.pdfmetrics import stringWidth

from drape.layup.pattern import PatternEdge
from drape.output.drawing import pattern_drawing
from drape.output.marks import allowance_words, edge_points
from drape.output.paths import text_width

PATTERNS = {
    "strip": strip(),
    "on the bias": strip(turned_deg=45.0, angle_deg=-45.0, seen_from="mould"),
    "large": large(),
    "upright": strip(turned_deg=90.0),
}


def by_layer(drawing, layer):
    return [p for p in drawing.paths if p.layer == layer]


@pytest.mark.parametrize("pattern", PATTERNS.values(), ids=PATTERNS.keys())
def test_writing_is_inside_clear_of_the_cut_line_and_of_other_writing(pattern):
    drawing = pattern_drawing(pattern)
    cloth = shapely.Polygon(pattern.outline, pattern.holes)
    boxes = [t.box for t in drawing.texts]
    assert len(boxes) > 5
    for text, box in zip(drawing.texts, boxes, strict=True):
        assert cloth.contains(box), text.content
        assert cloth.boundary.distance(box) >= 1.4, text.content
        assert text.height >= 2.5
    for i, box in enumerate(boxes):
        crossing = [drawing.texts[j].content for j in range(i) if boxes[j].intersects(box)]
        assert not crossing, (drawing.texts[i].content, crossing)


@pytest.mark.parametrize("pattern", PATTERNS.values(), ids=PATTERNS.keys())
def test_no_line_of_marks_runs_through_writing(pattern):
    drawing = pattern_drawing(pattern)
    lines = [shapely.LineString(p.points) for p in drawing.paths]
    assert len(drawing.texts) > 5
    for text in drawing.texts:
        if text.content in ("0°", "+"):  # these stand at the rays that they name
            continue
        assert min(line.distance(text.box) for line in lines) > 0.0, text.content


def test_cut_lines_and_edge_lines_are_those_of_the_pattern():
    pattern = strip()
    drawing = pattern_drawing(pattern)
    cuts = by_layer(drawing, "cut")
    assert len(cuts) == 2
    assert all(c.closed for c in cuts)
    np.testing.assert_array_equal(cuts[0].points, pattern.outline)
    np.testing.assert_array_equal(cuts[1].points, pattern.holes[0])
    (edge,) = by_layer(drawing, "edge")
    np.testing.assert_array_equal(edge.points, pattern.edge_lines[0][1])
    assert not edge.closed


def test_title_says_what_the_bench_needs():
    words = [t.content for t in pattern_drawing(PATTERNS["on the bias"]).texts]
    text = " | ".join(words)
    for wanted in (
        "lower-2",
        "half lower",
        "ply 2 of 3, from the mould inward",
        "angle -45°, seen from the mould side",
        "fabric twill-200",
        "this face up = inside, towards the bag",
        "start",
        "warp",
    ):
        assert wanted in text


@pytest.mark.parametrize(
    ("kind", "allowance", "words"),
    [
        ("parting", 10.0, "lap 10"),
        ("parting", 0.0, "flush"),
        ("parting", -5.0, "set-back 5"),
        ("mouth", 12.5, "run-off 12.5"),
        ("trim", 8.0, "run-off 8"),
        ("mouth", -2.0, "set-back 2"),
        ("parting", 1e-9, "lap 1e-09"),
    ],
)
def test_allowances_are_named_as_the_trade_does(kind, allowance, words):
    assert allowance_words(PatternEdge("A", kind, 0, 1, allowance)) == words


@pytest.mark.parametrize(
    ("kind", "allowances", "words"),
    [
        ("parting", (6.0, 12.5), "lap 6 to 12.5"),
        ("parting", (-2.0, 5.0), "set-back 2 to lap 5"),
        ("parting", (-5.0, -2.0), "set-back 5 to 2"),
        ("parting", (-5.0, 0.0), "set-back 5 to flush"),
        ("mouth", (0.0, 4.0), "flush to run-off 4"),
    ],
)
def test_allowances_that_change_are_named_from_least_to_greatest(kind, allowances, words):
    edge = PatternEdge("A", kind, 0, 1, allowances[0], greatest_mm=allowances[1])
    assert allowance_words(edge) == words


@pytest.mark.parametrize(
    ("cut", "own", "words"),
    [
        (3.0, 0.0, "cut 3 proud, trim in mould: flush"),
        (13.5, 10.0, "cut 3.5 proud, trim in mould: lap 10"),
        (1.0, -2.0, "cut 3 proud, trim in mould: set-back 2"),
    ],
)
def test_edges_trimmed_in_the_mould_say_so(cut, own, words):
    assert allowance_words(PatternEdge("A-B.1", "parting", 0, 1, cut, own)) == words


@pytest.mark.parametrize("pattern", PATTERNS.values(), ids=PATTERNS.keys())
def test_every_edge_is_named_beside_itself(pattern):
    drawing = pattern_drawing(pattern)
    lines = {e.name: shapely.LineString(edge_points(pattern.outline, e)) for e in pattern.edges}
    for edge in pattern.edges:
        words = f"{edge.name} {allowance_words(edge)}"
        labels = [t for t in drawing.texts if t.content == words]
        assert labels, words
        for label in labels:
            near = min(lines, key=lambda name: lines[name].distance(shapely.Point(label.position)))
            assert near == edge.name
            assert lines[edge.name].distance(label.box) < 15.0


def test_long_edges_are_named_again_and_again():
    words = [t.content for t in pattern_drawing(large()).texts]
    assert words.count("A-B.1 lap 10") == 3  # 900 mm, a name every 300 mm


def test_start_is_a_cross_in_a_circle_and_the_arrow_runs_along_the_warp():
    marks = by_layer(pattern_drawing(strip()), "mark")
    circle = marks[0]
    radius = np.hypot(*circle.points.T)
    assert circle.closed
    np.testing.assert_allclose(radius, radius[0], rtol=1e-12)
    for cross in marks[1:3]:
        np.testing.assert_allclose(cross.points.mean(axis=0), 0.0, atol=1e-12)
    shaft, head = marks[3], marks[4]
    (x0, y0), (x1, y1) = shaft.points
    assert y0 == y1 == 0.0
    assert x1 > x0 > 0.0
    np.testing.assert_array_equal(head.points[1], shaft.points[1])
    assert (head.points[[0, 2], 0] < x1).all()


def test_start_point_off_the_piece_is_not_marked():
    drawing = pattern_drawing(strip(start=-50.0))
    assert "start" not in [t.content for t in drawing.texts]


@pytest.mark.parametrize(
    ("seen_from", "angle_deg", "sense"), [("inside", 30.0, 1), ("mould", 30.0, -1)]
)
def test_picture_of_angles_shows_zero_and_the_positive_sense(seen_from, angle_deg, sense):
    """From zero to the warp is the ply's angle, in the positive sense of the job.

    The sheet is seen from inside, so that angles seen from the mould side turn the other
    way (the definition of ``seen_from``).
    """
    drawing = pattern_drawing(strip(angle_deg=angle_deg, seen_from=seen_from))
    marks = by_layer(drawing, "mark")[5:]
    zero, arc, head, warp = (p.points for p in marks[:4])
    middle = zero[0]
    direction = zero[1] - middle
    measured = np.degrees(np.arctan2(direction[1], direction[0]))
    assert measured + sense * angle_deg == pytest.approx(0.0, abs=1e-9)
    np.testing.assert_allclose((warp[1] - warp[0])[1], 0.0, atol=1e-12)
    a, b = arc[0] - middle, arc[-1] - middle
    assert np.sign(a[0] * b[1] - a[1] * b[0]) == sense
    np.testing.assert_array_equal(head[1], arc[-1])


@pytest.mark.parametrize("width", [30.0, 14.0, 4.0])
def test_small_pieces_lose_no_words(width):
    """What has no room on the cloth stands below it, not on the cut line."""
    pattern = strip(60.0, width, 30.0, hole=None)
    drawing = pattern_drawing(pattern)
    words = [t.content for t in drawing.texts]
    for wanted in ("ply 2 of 3, from the mould inward", "this face up = inside, towards the bag"):
        assert wanted in words
    for edge in pattern.edges:
        assert f"{edge.name} {allowance_words(edge)}" in words
    ring = shapely.LinearRing(pattern.outline)
    assert not [t.content for t in drawing.texts if ring.intersects(t.box)]


def test_names_stay_on_one_line():
    drawing = pattern_drawing(strip(piece=NASTY, ply=NASTY))
    assert all(t.content.isprintable() for t in drawing.texts)
    assert any("<script>" in t.content for t in drawing.texts)


@settings(max_examples=200, deadline=None)
@given(st.text(st.characters(min_codepoint=32, max_codepoint=255, exclude_categories=["Cc"])))
def test_width_is_an_upper_estimate(content):
    """Against Adobe's metrics of Helvetica: capitals 718/1000 of the font size."""
    assert text_width(content, 0.718) >= stringWidth(content, "Helvetica", 1.0) - 1e-9
