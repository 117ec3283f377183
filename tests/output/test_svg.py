"""SVG read back by other libraries."""

from xml.etree import ElementTree

import numpy as np
import pytest
from output_examples import NASTY, large, strip
from svgpathtools import parse_path

from drape.errors import plain
from drape.output.drawing import pattern_drawing
from drape.output.svg import to_svg

SVG = "{http://www.w3.org/2000/svg}"


def read(data):
    root = ElementTree.fromstring(data)
    return root, {g.get("id"): g for g in root.findall(f"{SVG}g")}


@pytest.mark.parametrize("pattern", [strip(turned_deg=20.0), large()], ids=["strip", "large"])
def test_same_polygon_read_back_by_svgpathtools(pattern):
    _, groups = read(to_svg(pattern_drawing(pattern)))
    paths = [parse_path(p.get("d")) for p in groups["cut"].findall(f"{SVG}path")]
    for path, ring in zip(paths, (pattern.outline, *pattern.holes), strict=True):
        assert path.isclosed()
        corners = np.array([[s.start.real, -s.start.imag] for s in path])
        np.testing.assert_allclose(corners, ring, atol=1e-3)


def test_one_unit_is_one_millimetre_and_the_view_holds_everything():
    drawing = pattern_drawing(strip())
    root, _ = read(to_svg(drawing))
    x, y, width, height = map(float, root.get("viewBox").split())
    for key, value in (("width", width), ("height", height)):
        assert root.get(key).endswith("mm")
        assert float(root.get(key).removesuffix("mm")) == value
    x0, y0, x1, y1 = drawing.bounds
    assert x < x0
    assert y < -y1
    assert x + width > x1
    assert y + height > -y0


def test_writing_turns_and_stands_where_the_drawing_has_it():
    """SVG turns clockwise for positive angles, y being downward (SVG 1.1, 7.6)."""
    drawing = pattern_drawing(strip(turned_deg=20.0))
    _, groups = read(to_svg(drawing))
    assert len(drawing.texts) > 5
    for text, element in zip(drawing.texts, groups["text"].findall(f"{SVG}text"), strict=True):
        words = element.get("transform").replace("(", " ").replace(")", " ").split()
        x, y = map(float, words[1:3])
        assert (x, -y) == pytest.approx(text.position, abs=1e-3)
        turned = float(words[4]) if len(words) > 3 else 0.0
        assert turned == pytest.approx(-np.degrees(text.rotation), abs=1e-3)
        assert element.text == text.content


def test_names_are_text_never_elements():
    data = to_svg(pattern_drawing(strip(piece=NASTY)))
    root, _ = read(data)
    assert {e.tag.removeprefix(SVG) for e in root.iter()} == {"svg", "title", "g", "path", "text"}
    assert root.find(f"{SVG}title").text == plain(NASTY)
