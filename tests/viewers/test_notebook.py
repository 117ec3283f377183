"""Rich forms for notebooks: a page in a frame, SVG that parses, a chart with its figures."""

import html
import re
import xml.etree.ElementTree as ET

import pytest

from drape.errors import InputError
from viewers.notebook import show

SVG = "{http://www.w3.org/2000/svg}"


def test_results_are_a_page_in_a_frame_of_its_own(demo_results):
    text = show(demo_results)._repr_html_()
    held = html.unescape(re.search(r'srcdoc="([^"]*)"', text)[1])
    assert held.startswith("<!doctype html>")
    assert 'sandbox="allow-scripts"' in text
    assert demo_results.job.title in held


def test_a_pattern_is_svg(demo_results):
    pattern = demo_results.plies[0].pattern
    root = ET.fromstring(show(pattern)._repr_svg_())
    assert root.tag == f"{SVG}svg"
    assert pattern.piece in "".join(root.itertext())


def test_build_up_is_a_chart_of_the_summarys_bands(demo_results):
    """Steps: as many levels as there are thicknesses in a row."""
    bands = demo_results.summary.joint.runs["A-B.1"].build_up
    root = ET.fromstring(show(demo_results, run="A-B.1")._repr_svg_())
    numbers = [
        [float(x) for x in re.findall(r"-?\d+\.?\d*", e.get("d", "") or e.get("points", ""))]
        for e in root.iter()
    ]
    assert 2 * 2 * len(bands) in {len(n) for n in numbers}
    assert "parting line" in "".join(root.itertext())


def test_no_such_run_is_one_line(demo_results):
    with pytest.raises(InputError, match="no build-up"):
        show(demo_results, run="C-D")
