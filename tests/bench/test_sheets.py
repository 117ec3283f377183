"""Lay-up sheets, read back: a page a ply with what the summary says, and the cautions once.

Tries out ``output/sheets`` as well.
"""

import io
from dataclasses import replace

import pytest
from pypdf import PdfReader

from drape.bench.sheets import bench_sheets
from drape.errors import Finding
from drape.output.sheets import PlySheet, to_sheets
from viewers.scene.scene import make_scene

LEVELS = ("error", "risk", "warning", "note")
NASTY = 'a <b>bold</b> & "<script>" ☠ ply'


@pytest.fixture(scope="module")
def scene(demo_results):
    return make_scene(demo_results)


@pytest.fixture(scope="module")
def pages(demo_results, scene):
    data = bench_sheets(demo_results, scene, {}, "date ____")
    return PdfReader(io.BytesIO(data)).pages


def test_a_page_a_ply_with_what_the_summary_says(pages, demo_results):
    assert len(pages) == len(demo_results.plies)
    for page, ply in zip(pages, demo_results.summary.plies, strict=True):
        text = page.extract_text()
        assert f"{ply.name}: {ply.half}" in text
        assert f"{ply.max_shear_deg:.1f}°" in text
        x, y, z = ply.pieces[0].start_mm
        assert "-0.0" not in text
        assert f"{x:.1f}, {y:.1f}, {z:.1f} mm" in text
        assert f"{len(ply.pieces[0].smoothing)}. " in text
        assert len(page.images) == 1  # the flat map


def test_edges_are_told_as_they_are_cut(pages):
    """As the demo's job has them: a lap that gets shorter, an edge cut proud, one set back."""
    lower, flush, upper = (" ".join(pages[k].extract_text().split()) for k in (2, 3, 5))
    assert "A-B.1 lap 14 to 20 (cut 20 at 0, 20 at 200, 14 at 290 along the run)" in lower
    assert "A-B.2 lap 20" in lower
    assert "A run-off 10" in lower
    assert "A-B.2 cut 3 proud, trim in mould: flush" in flush
    assert "A-B.2 set-back 10" in upper


def test_cloth_across_the_line_says_when_and_where_it_is_laid(pages):
    strip, wrap = (" ".join(page.extract_text().split()) for page in pages[6:])
    assert "ply 7 of 8" in strip
    assert "ply 8 of 8" in wrap
    assert "45° from the run A-B.1, seen from inside" in strip
    assert "strip over A-B.1, laid after closing" in strip
    assert "wrapped: begins at A-B.2 on lower, ends 12 mm past it" in wrap
    assert "0°, seen from inside" in wrap


def test_what_is_told_of_the_joint_stands_with_its_plies(pages, demo_results):
    """The demo's laps must be tucked in by more than the limit: a risk of two plies, named."""
    texts = [" ".join(page.extract_text().split()) for page in pages]
    risks = [f for f in demo_results.findings if "must be tucked in" in f.text]
    assert risks
    for ply, text in zip(demo_results.plies, texts, strict=True):
        mine = [f for f in risks if f.where.endswith(ply.ply.name)]
        assert text.count("must be tucked in") == len(mine)
        assert all(f.where in text for f in mine)


def test_cautions_stand_once(pages):
    texts = [" ".join(p.extract_text().split()) for p in pages]
    assert [("sensitise skin" in t, "not strength" in t) for t in texts] == [
        (True, True), *[(False, False)] * (len(pages) - 1),
    ]  # fmt: skip
    assert "qualified engineer" in texts[0]


def test_risks_of_a_ply_stand_on_its_page(demo_results, scene):
    """One finding of each level is given to the second ply: all but the note concern the bench."""
    first, second, *rest = (replace(ply, findings=()) for ply in demo_results.plies)
    found = [Finding(level, ("here",), f"a {level} told", "mend it") for level in LEVELS]
    plies = (first, replace(second, findings=tuple(found)), *rest)
    data = bench_sheets(replace(demo_results, plies=plies, findings=()), scene, {}, "")
    texts = [page.extract_text() for page in PdfReader(io.BytesIO(data)).pages]
    assert ["Watch for" in text for text in texts] == [False, True] + [False] * len(rest)
    assert [f"a {level} told" in texts[1] for level in LEVELS] == [True, True, True, False]


def test_same_sheets_same_bytes(demo_results, scene):
    one, two = (bench_sheets(demo_results, scene, {}, "x") for _ in range(2))
    assert one == two


def test_names_are_text_and_a_failed_ply_says_so():
    sheet = PlySheet(NASTY, (("edges", NASTY),), (), (NASTY,), (NASTY,), cut=False)
    text = PdfReader(io.BytesIO(to_sheets([sheet], NASTY, NASTY, [NASTY]))).pages[0].extract_text()
    assert text.count("<b>bold</b>") == 7
    assert "Don't cut" in text
    assert "☠" not in text  # the standard fonts lack it


def test_minus_is_one():
    sheet = PlySheet("x", (), (), ("pull it longer at −45° to the warp",), ())
    text = PdfReader(io.BytesIO(to_sheets([sheet], "t", "", []))).pages[0].extract_text()
    assert "-45°" in text
