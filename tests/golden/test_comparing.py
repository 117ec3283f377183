"""The comparison of output folders sees what differs, by how much, and what it leaves out."""

import io
import json
from base64 import b64encode

import numpy as np
import pytest
from comparing import SAME, compared, difference, figures_off
from figures import differences, found, run
from PIL import Image
from reading import net_arrays
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

OUTLINE = "plies/*/pieces/*/outline_mm"


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return run("one half", tmp_path_factory.mktemp("golden"))


@pytest.fixture
def copy(out, tmp_path):
    """The output folder again, to be changed."""
    for path in out.rglob("*"):
        if path.is_file():
            there = tmp_path / path.relative_to(out)
            there.parent.mkdir(parents=True, exist_ok=True)
            there.write_bytes(path.read_bytes())
    return tmp_path


def change(path, old, new):
    content = path.read_bytes()
    assert old in content
    path.write_bytes(content.replace(old, new, 1))


def change_summary(folder, edit):
    path = folder / "summary.json"
    summary = json.loads(path.read_text())
    edit(summary)
    path.write_text(json.dumps(summary))


def encoded(array):
    return b64encode(array.nbytes.to_bytes(8, "little") + array.tobytes())


def only(out, copy):
    """The one file that differs, and how."""
    ((name, differs),) = [(n, d) for n, d in compared(out, copy).items() if d.what != SAME]
    return name, differs


def test_a_copy_is_the_same(out, copy):
    made = compared(out, copy)
    assert len(made) == 10
    assert {d.what for d in made.values()} == {SAME}
    assert not figures_off(out, copy)
    assert not differences(found(out), found(copy))


def test_the_version_is_left_out_and_nothing_else_of_the_summary(out, copy):
    version = json.loads((out / "summary.json").read_text())["version"]
    change(copy / "summary.json", f'"version": "{version}"'.encode(), b'"version": "9.9"')
    assert compared(out, copy)["summary.json"].what == SAME
    change(copy / "summary.json", b"one half", b"two halves")
    assert compared(out, copy)["summary.json"].counts
    assert figures_off(out, copy) == {
        "title": "'one half (invented)' became 'two halves (invented)'"
    }


def test_a_net_is_told_in_mm(out, copy):
    path = copy / "nets" / "lower-1.vtp"
    arrays = net_arrays(path.read_bytes())
    points = arrays["Points"].copy()
    points[7] += [0.0, 3e-5, 4e-5]
    change(path, encoded(arrays["Points"]), encoded(points))
    assert only(out, copy)[1].what == "nodes by up to 5e-05 mm, shear by 0°"
    wrong = {line.split(":")[0] for line in differences(found(out), found(copy))}
    assert not wrong  # one node of a thousand: the digest is of them all
    change(path, encoded(points), encoded(points + np.array([0.0, 0.0, 1e-5])))
    wrong = {line.split(":")[0] for line in differences(found(out), found(copy))}
    assert "nets/lower-1.vtp/mean_mm" in wrong


def test_an_outline_is_told_in_mm_and_a_figure_by_its_share(out, copy):
    def edit(summary):
        piece = summary["plies"][1]["pieces"][0]
        piece["outline_mm"][3][0] += 0.002
        piece["cloth_area_mm2"] *= 1.001

    change_summary(copy, edit)
    off = figures_off(out, copy)
    assert off == {OUTLINE: "0.002 mm", "plies/*/pieces/*/cloth_area_mm2": "0.001 relative"}
    lines = differences(found(out), found(copy))
    assert [line.split(":")[0].split("/")[-1] for line in lines] == ["cloth_area_mm2", "outline_mm"]


def test_what_is_gone_new_or_another_word_is_told(out, copy):
    def edit(summary):
        piece = summary["plies"][0]["pieces"][0]
        piece["valid"] = False
        piece["outline_mm"].pop()
        del summary["findings"][0]["remedy"]
        summary["findings"][0]["message"] += "!"
        summary["more"] = 1

    change_summary(copy, edit)
    off = figures_off(out, copy)
    assert off["plies/*/pieces/*/valid"] == "True became False"
    assert off["more"] == "new"
    assert off["findings/*/remedy"] == "gone"
    assert off["findings/*/message"].rstrip("'\"").endswith("!")
    assert "numbers became" in off[OUTLINE]
    assert len(differences(found(out), found(copy))) == len(off) == 5


def test_files_that_come_and_go(out, copy):
    (copy / "view.html").rename(copy / "look.html")
    made = compared(out, copy)
    assert (made["view.html"].what, made["look.html"].what) == ("gone", "new")
    assert made["view.html"].counts
    assert made["look.html"].counts


def test_texts_are_told_by_their_numbers_or_lines(out, copy):
    assert difference("a.svg", b"M 1.5 2 L 3 4", b"M 1.5 2 L 3 4.25").what.endswith("up to 0.25")
    assert (
        difference("a.svg", b"M 1.5 2", b"M 1.50 2").what == "how numbers in the text are written"
    )
    assert difference("a.pdf.txt", b".25 rg 7", b"1.5 rg 7").what.endswith("up to 1.2")
    assert difference("a.csv", b"a\nb\nc", b"a\nd").what == "2 lines in the text lost, 1 new"
    change(copy / "view.html", b'"title":"one half', b'"title":"two halves')
    assert only(out, copy)[1].what == "the scene differs"


def test_the_order_of_a_drawings_classes_is_left_out(out, copy):
    path = copy / "patterns.dxf"
    change(path, b"\nLAYOUT\n", b"\nPASSING\n")
    change(path, b"\nACDBPLACEHOLDER\n", b"\nLAYOUT\n")
    change(path, b"\nPASSING\n", b"\nACDBPLACEHOLDER\n")
    assert only(out, copy)[1].what == "same, but for the order of its classes"
    assert not only(out, copy)[1].counts
    change(path, b"EDGE_DASHES", b"EDGE_SPACES")
    assert only(out, copy)[1].counts


def page(words, grey):
    """A PDF with words and a picture."""
    stream = io.BytesIO()
    canvas = Canvas(stream, invariant=1)
    canvas.drawString(50, 500, words)
    canvas.drawImage(ImageReader(Image.new("L", (4, 4), grey)), 50, 50)
    canvas.save()
    return stream.getvalue()


def test_pictures_are_left_out_and_nothing_else_of_a_page():
    one = page("lower-1", 16)
    assert difference("a.pdf", one, page("lower-1", 16)).what == SAME
    off = difference("a.pdf", one, page("lower-1", 32))
    assert (off.what, off.counts) == ("same, but for pictures", False)
    assert difference("a.pdf", one, page("lower-2", 16)).counts
