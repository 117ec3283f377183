"""The PDF at the bench: true to size, glued together again, within what printers can print.

Tries out ``output/page_marks`` as well.
"""

import re
import subprocess
from dataclasses import replace

import numpy as np
import pytest
import shapely
from output_examples import NASTY, large, strip
from pdf_reading import crosses, cut_lines, page_size, read, strokes
from PIL import Image

from drape.errors import InputError
from drape.output.drawing import pattern_drawing
from drape.output.pdf import drawing_tiles, to_pdf

PATTERNS = {"strip": strip(turned_deg=35.0), "large": large()}
PAPER = {"A4": (210, 297), "A3": (297, 420), "Letter": (215.9, 279.4)}  # ISO 216; 8.5 x 11 in
LABEL = re.compile(r"row (\d+) of (\d+) · column (\d+) of (\d+)")


@pytest.fixture(scope="module")
def drawings():
    return {name: pattern_drawing(p) for name, p in PATTERNS.items()}


def raster(data, folder, page, dpi):
    """One page by poppler, as darkness from 0 to 1 with the first row at the top."""
    (folder / "in.pdf").write_bytes(data)
    command = ["pdftoppm", "-r", str(dpi), "-f", str(page), "-l", str(page), "-gray", "-singlefile"]
    subprocess.run([*command, folder / "in.pdf", folder / "out"], check=True)
    with Image.open(folder / "out.pgm") as image:
        return 1.0 - np.asarray(image, dtype=np.float64) / 255.0


def longest_run(ink):
    """Start and length of the longest unbroken run in each column."""
    length = np.zeros(ink.shape[1], dtype=int)
    best, start = length.copy(), length.copy()
    for i, row in enumerate(ink):
        length = np.where(row, length + 1, 0)
        better = length > best
        best = np.where(better, length, best)
        start = np.where(better, i - length + 1, start)
    return start, best


def square_side(dark, dpi):
    """Distance in mm between the centres of the two upright lines 100 mm long.

    Found by their length alone. The centre of a line is the centroid of its darkness,
    by the median over the rows that both lines have in common.
    """
    mm = dpi / 25.4
    start, length = longest_run(dark > 0.15)
    columns = np.flatnonzero(abs(length / mm - 100.0) < 1.0)
    lines = np.split(columns, np.flatnonzero(np.diff(columns) > 2) + 1)
    centres = []
    for line in lines:
        top = start[line].max() + int(3 * mm)
        rows = slice(top, top + int(94 * mm))
        window = np.arange(line[0] - 4, line[-1] + 5)
        profile = np.median(dark[rows, window[0] : window[-1] + 1], axis=0)
        centres.append((profile @ window) / profile.sum())
    pairs = [(b - a) / mm for i, a in enumerate(centres) for b in centres[i + 1 :]]
    return min(pairs, key=lambda side: abs(side - 100.0))


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter", "roll"])
@pytest.mark.parametrize("name", PATTERNS)
def test_square_measures_100_mm_on_first_and_last_tile(drawings, name, paper, tmp_path):
    """Rasterised by poppler at 300 to 600 dpi (0.085 to 0.042 mm a pixel), both axes."""
    how = {"roll_width": 620.0} if paper == "roll" else {"page": paper}
    dpi = {"roll": 300, "A3": 400}.get(paper, 600)
    data = to_pdf([drawings[name]], **how)
    for page in {1, len(read(data).pages)}:
        dark = raster(data, tmp_path, page, dpi)
        assert square_side(dark, dpi) == pytest.approx(100.0, abs=0.05)
        assert square_side(dark.T, dpi) == pytest.approx(100.0, abs=0.05)


def glued(data):
    """Cut lines of all pages in one frame, pages laid on each other by their crosses.

    Neighbours are known by their labels; the crosses at a page's right rim are those one
    overlap inside its right neighbour's left rim, and likewise downward.
    """
    reader = read(data)
    pages = {}
    for page in reader.pages:
        row, _, column, _ = map(int, LABEL.search(page.extract_text()).groups())
        lines = strokes(reader, page)
        pages[row, column] = crosses(lines), cut_lines(lines)
    first = next(iter(pages))
    shifts, todo = {first: np.zeros(2)}, [first]
    while todo:
        row, column = todo.pop()
        for step in ((0, 1), (0, -1), (1, 0), (-1, 0)):
            other = row + step[0], column + step[1]
            if other in pages and other not in shifts:
                shift = _laid_on(pages[row, column][0], pages[other][0], step)
                shifts[other] = shifts[row, column] + shift
                todo.append(other)
    assert len(shifts) == len(pages)
    return [line + shifts[place] for place, (_, cut) in pages.items() for line in cut]


def _laid_on(here, there, step):
    axis, forward = (0, step[1] > 0) if step[1] else (1, step[0] < 0)
    mine, other = np.unique(here[:, axis]), np.unique(there[:, axis])
    shift = np.zeros(2)
    apart = mine[-2:] - other[:2] if forward else mine[:2] - other[-2:]
    assert np.ptp(apart) < 2e-3
    shift[axis] = apart.mean()
    across_mine, across_other = np.unique(here[:, 1 - axis]), np.unique(there[:, 1 - axis])
    shift[1 - axis] = across_mine[0] - across_other[0]
    return shift


@pytest.mark.parametrize("paper", ["A4", "A3", "Letter", "roll"])
@pytest.mark.parametrize("name", PATTERNS)
def test_glued_pages_give_the_outline_back(drawings, name, paper):
    how = {"roll_width": 320.0} if paper == "roll" else {"page": paper}
    data = to_pdf([drawings[name]], **how)
    lines = shapely.MultiLineString(glued(data))
    pattern = PATTERNS[name]
    wanted = shapely.MultiLineString(
        [np.vstack([ring, ring[:1]]) for ring in (pattern.outline, *pattern.holes)]
    )
    shift = np.array(wanted.bounds[:2]) - np.array(lines.bounds[:2])
    moved = shapely.transform(lines, lambda points: points + shift)
    assert shapely.hausdorff_distance(moved, wanted, densify=0.02) < 0.05
    assert moved.buffer(0.05).covers(wanted)
    assert wanted.buffer(0.05).covers(moved)


@pytest.mark.parametrize("paper", PAPER)
def test_paper_has_its_size_upright_or_on_its_side(drawings, paper):
    reader = read(to_pdf(list(drawings.values()), paper))
    assert len(reader.pages) > 1
    for page in reader.pages:
        assert sorted(page_size(page)) == pytest.approx(PAPER[paper], abs=1e-3)


def test_roll_is_one_page_a_piece_of_the_rolls_width(drawings):
    reader = read(to_pdf(list(drawings.values()), roll_width=1067.0))
    assert len(reader.pages) == 2
    for page in reader.pages:
        assert 1067.0 in [pytest.approx(side, abs=1e-3) for side in page_size(page)]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_nothing_is_printed_in_the_printers_margin(drawings, paper, tmp_path):
    data = to_pdf([drawings["large"]], paper)
    for page in (1, 2, len(read(data).pages)):
        dark = raster(data, tmp_path, page, 127)  # 5 pixels a mm
        assert dark[40:-40, 40:-40].any()
        dark[40:-40, 40:-40] = 0.0
        assert not dark.any()


def test_labels_hints_and_page_numbers(drawings):
    data = to_pdf(list(drawings.values()))
    texts = [page.extract_text() for page in read(data).pages]
    tiles = [t for d in drawings.values() for t in drawing_tiles(d)]
    assert len(texts) == len(tiles)
    names = ["lower-2"] * len(drawing_tiles(drawings["strip"]))
    names += ["lower-1"] * len(drawing_tiles(drawings["large"]))
    for number, (text, one, name) in enumerate(zip(texts, tiles, names, strict=True), start=1):
        place = f"row {one.row} of {one.rows} · column {one.column} of {one.columns}"
        assert f"{name} · {place}" in text
        assert f"page {number} of {len(tiles)}" in text
    offset = len(drawing_tiles(drawings["strip"]))
    grid = {
        (t.row, t.column): offset + i for i, t in enumerate(drawing_tiles(drawings["large"]), 1)
    }
    for (row, column), number in grid.items():
        hints = set(re.findall(r"lay over page (\d+)", texts[number - 1]))
        wanted = {grid.get((row, column - 1)), grid.get((row - 1, column))} - {None}
        assert hints == {str(n) for n in wanted}


def test_square_says_how_to_print_on_first_and_last_page(drawings):
    for drawing in drawings.values():
        texts = [page.extract_text() for page in read(to_pdf([drawing])).pages]
        for text in (texts[0], texts[-1]):
            assert "measure: must be 100 mm both ways" in text
            assert "print at 100 %, no fit-to-page" in text


def test_square_is_there_even_where_no_place_is_clear(tmp_path):
    """A sheet so full of holes that a square of 100 mm must cross some."""
    pattern = large()
    x, y = np.meshgrid(np.arange(-280.0, 580.0, 27.0), np.arange(-220.0, 240.0, 27.0))
    ring = np.array([[-10, -10], [-10, 10], [10, 10], [10, -10]])
    holes = tuple(ring + centre for centre in np.stack([x.ravel(), y.ravel()], axis=1))
    data = to_pdf([pattern_drawing(replace(pattern, holes=holes))])
    for page in (1, len(read(data).pages)):
        dark = raster(data, tmp_path, page, 300)
        assert square_side(dark, 300) == pytest.approx(100.0, abs=0.05)
        assert square_side(dark.T, 300) == pytest.approx(100.0, abs=0.05)


def test_cut_line_is_drawn_on_every_page_that_it_crosses_and_only_within_the_live_area(drawings):
    reader = read(to_pdf([drawings["large"]]))
    assert sum(bool(cut_lines(strokes(reader, page))) for page in reader.pages) > 1
    for page in reader.pages:
        width, height = page_size(page)
        for line in cut_lines(strokes(reader, page)):
            assert (line >= 14 - 1e-3).all()
            assert (line <= np.array([width, height]) - 14 + 1e-3).all()


def test_names_in_any_script_and_of_any_length_are_printed():
    data = to_pdf([pattern_drawing(strip(piece=NASTY * 5))])
    assert "<script>" in read(data).pages[0].extract_text()


def test_no_piece_and_unknown_paper_are_refused(drawings):
    with pytest.raises(InputError, match="no piece"):
        to_pdf([])
    with pytest.raises(InputError, match="A3"):
        to_pdf(list(drawings.values()), "A0")
