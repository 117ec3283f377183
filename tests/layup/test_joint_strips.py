"""Joint strips from job file to summary and cut files, against exact bands.

Developable troughs give rectangles; on a torus the sides of a strip along an equator are
parallel circles, since the sections cross it as geodesics (key ``docarmo1976``).

Tries out ``job/layers``, ``layup/ground`` as well.
"""

import json

import numpy as np
import pytest
import shapely
from exact import shapes
from helpers import edge_points, length, one_line_of
from jobs import BARE, JOINT, LENGTH, ONE_EACH, PLY, RADIUS, job_file, two_troughs
from moulds import elbows, troughs

from drape import pipeline, publish
from drape.job.job import load_job
from drape.job.layers import Strip
from drape.joint.at_run import AtRun
from drape.joint.build_up import build_up


def strip(run="A-B.1", width=30, angle=0, laid="after", more="", fabric="twill"):
    text = f'[[joint.strips]]\nwidth = {width}\nangle = {angle}\nlaid = "{laid}"\n'
    text += f'fabric = "{fabric}"\nspacing = 2.0\n{more}\n'
    return text + (f'run = "{run}"\n' if run else "")


def run(path):
    return pipeline.run(load_job(path), jobs=1)


def strips_of(results):
    return [p for p in results.plies if isinstance(p.ply.layer, Strip)]


def side_lengths(piece):
    """Flat length of each edge of the outline by name."""
    outline = piece.outlines[0]
    out = {}
    for e in outline.edges:
        out[e.name] = length(edge_points(outline, e))
    return out


# --- developable: exact rectangles ----------------------------------------------------------


@pytest.fixture(scope="module")
def taped(tmp_path_factory):
    """A strip along the first run at 0°, one along the second at 45°; a lap of 8 under both."""
    tables = JOINT.format(lap=8, run_off=6) + strip() + strip("A-B.2", 20, 45, more='name = "tape"')
    return run(two_troughs(tmp_path_factory.mktemp("taped"), tables, ONE_EACH))


@pytest.mark.parametrize(("number", "width"), [(0, 30.0), (1, 20.0)])
def test_a_strip_over_a_straight_seam_is_a_rectangle(taped, number, width):
    result = strips_of(taped)[number]
    assert result.piece.valid, result.findings
    sides = side_lengths(result.piece)
    assert sides.pop("lower side") == pytest.approx(LENGTH + 2 * 6, abs=0.05)
    assert sides.pop("upper side") == pytest.approx(LENGTH + 2 * 6, abs=0.05)
    assert list(sides.values()) == pytest.approx([width, width], abs=0.05)
    area = shapely.Polygon(result.pattern.outline).area
    assert area == pytest.approx(width * (LENGTH + 12), abs=0.05 * (LENGTH + 12 + width))


@pytest.mark.parametrize("number", [0, 1])
def test_the_warp_lies_at_the_strips_angle_from_the_run(taped, number):
    result = strips_of(taped)[number]
    (line,) = [points for name, points in result.pattern.edge_lines if name == result.ply.run]
    along = line[-1] - line[0]  # flat coordinates: the warp is x
    angle = np.degrees(np.arctan2(along[1], along[0])) % 180.0
    assert min(angle, 180.0 - angle) == pytest.approx((0.0, 45.0)[number], abs=0.05)
    assert np.linalg.norm(along) == pytest.approx(LENGTH, abs=0.05)
    # halfway between the sides
    middle = shapely.Polygon(result.pattern.outline).centroid
    assert shapely.LineString(line).distance(middle) < 0.05


def test_a_strip_lies_on_what_is_there(tmp_path):
    """Butted plies: its middle is 1.5 t from the cavity; half its width there is its arc."""
    tables = JOINT.format(lap=0, run_off=0) + strip()
    results = run(two_troughs(tmp_path, tables, ONE_EACH))
    (result,) = strips_of(results)
    middle = RADIUS - 1.5 * PLY
    on = result.piece.mid.vertices
    facet = RADIUS * (1.0 - np.cos(np.pi / 64))  # a 32-gon's edges lie inside the circle
    assert np.hypot(on[:, 1], on[:, 2]) == pytest.approx(middle, abs=facet)
    for edge in result.piece.region.edges:
        if edge.kind == "border":
            y, z = on[edge.vertices, 1], on[edge.vertices, 2]
            turn = np.arctan2(np.abs(z), np.abs(y))
            assert turn * middle == pytest.approx(15.0, abs=0.05)
            assert (np.sign(z) == (-1 if edge.name == "lower side" else 1)).all()
    said = [f for f in results.findings if "butt" in f.text]
    # the first run is under a strip: a note; the second isn't: a risk
    assert sorted(f.level for f in said) == ["note", "risk"]
    assert {f.where.split(",")[0]: f.level for f in said} == {"A-B.1": "note", "A-B.2": "risk"}


# --- records --------------------------------------------------------------------------------


def test_build_up_counts_half_the_width_on_each_side(taped):
    bands = taped.summary.joint.runs["A-B.1"].build_up
    assert [(b.from_mm, b.to_mm, b.plies) for b in bands] == [
        (-25, -15, 1),
        (-15, 0, 2),
        (0, 8, 3),
        (8, 15, 2),
        (15, 25, 1),
    ]
    assert [b.thickness_mm for b in bands] == pytest.approx([PLY * b.plies for b in bands])


def test_build_up_of_several_strips_by_hand():
    lapping, other = [AtRun("a", 1.0, 5.0)], [AtRun("b", 2.0, -2.0)]
    strips = [AtRun("s", 0.5, spans=((-10.0, 10.0),)), AtRun("t", 0.25, spans=((-4.0, 4.0),))]
    found = [
        (b.from_mm, b.to_mm, b.plies, b.thickness_mm) for b in build_up(lapping, other, 5.0, strips)
    ]
    assert found == [
        (-15, -10, 1, 1.0),
        (-10, -4, 2, 1.5),
        (-4, 2, 3, 1.75),
        (2, 4, 4, 3.75),
        (4, 5, 3, 3.5),
        (5, 10, 2, 2.5),
        (10, 15, 1, 2.0),
    ]


def test_records_kit_and_cut_files(taped, tmp_path):
    one, two = (p for p in taped.summary.plies if p.strip is not None)
    assert (one.name, one.half, one.strip.run) == ("strip-1", "lower + upper", "A-B.1")
    assert (two.name, two.strip.width_mm, two.strip.laid) == ("tape", 20.0, "after")
    (kit,) = taped.summary.kit
    each = [p.cloth_area_mm2 for ply in taped.summary.plies for p in ply.pieces]
    assert len(each) == 4
    assert kit.cloth_area_mm2 == pytest.approx(sum(each), abs=0.01)
    files = publish.publish(taped, tmp_path / "out")
    assert {"patterns/strip-1.svg", "patterns/tape.svg", "nets/tape.vtp"} <= set(files)
    written = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert written["plies"][2]["strip"] == {"run": "A-B.1", "width_mm": 30.0, "laid": "after"}


def test_without_a_run_there_is_a_strip_along_each(tmp_path):
    tables = "[joint]\n" + strip(run=None)
    results = run(two_troughs(tmp_path, tables, ONE_EACH))
    assert [p.ply.name for p in strips_of(results)] == ["strip-1-A-B.1", "strip-1-A-B.2"]
    # no lap half is given: the first half's side counts negative
    assert {r.lap_half for r in results.summary.joint.runs.values()} == {"lower"}


# --- laid before closing --------------------------------------------------------------------


def test_a_strip_laid_before_closing_is_tucked_like_a_lap(tmp_path):
    """In the thin limit: half of 30 turns by 0.6 on R 25: 4.37 in, 14.1 up."""
    tables = JOINT.format(lap=0, run_off=0) + strip(
        laid="before", more='half = "lower"', fabric="cloth"
    )
    results = run(job_file(tmp_path, troughs(), tables + BARE, ONE_EACH, 1e-4))
    (result,) = strips_of(results)
    assert result.piece.valid, result.findings
    assert result.ply.half == "lower"
    runs = results.summary.joint.runs
    assert not runs["A-B.2"].tuck
    assert len(runs["A-B.1"].tuck) == 7
    for t in runs["A-B.1"].tuck:
        assert t.ply == "strip-1"
        assert t.inward_mm == pytest.approx(25 * (1 - np.cos(0.6)), abs=0.01)
        assert t.height_mm == pytest.approx(25 * np.sin(0.6), abs=0.01)


def test_a_strip_comes_down_between_a_flush_ply_and_one_set_back(tmp_path):
    """One ends at 0, the next begins at 5 mm past the line: both by 3 x² − 2 x³ over four
    facets of 4 mm, half of them on either side."""
    tables = '[joint]\nlap_half = "lower"\nlaps = [0]\nset_backs = [5]\n'
    tables += strip(laid="before", more='half = "lower"')
    (result,) = strips_of(run(two_troughs(tmp_path, tables, ONE_EACH)))
    _, y, z = result.piece.region.surface.vertices.T
    past = np.arctan2(z, np.abs(y)) * RADIUS
    down, up = (np.clip((past - at) / 16.0 + 0.5, 0.0, 1.0) for at in (0.0, 5.0))
    under = 1.0 - (3 * down**2 - 2 * down**3) + (3 * up**2 - 2 * up**3)
    expected = PLY * (0.5 + under)
    inner = np.abs(past) < 14.0  # the sides' vertices are moved along facets
    assert ((past > 1) & (past < 4)).any()
    assert result.piece.options.height[inner] == pytest.approx(expected[inner], abs=1e-4)


# --- curved ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["A-B.1", "A-B.2"])
def test_sides_on_an_elbow_are_parallel_circles(tmp_path, name):
    bend, section, t, width = 80.0, 25.0, 0.5, 24.0
    tables = JOINT.format(lap=0, run_off=0) + strip(name, width, fabric="cloth")
    (result,) = strips_of(run(job_file(tmp_path, elbows(), tables + BARE, ONE_EACH, t)))
    assert result.piece.valid, result.findings
    piece, outline = result.piece, result.piece.outlines[0]
    seam = piece.region.surface.vertices[piece.region.edges[0].vertices]
    side = np.sign(np.linalg.norm(seam[:, :2] - [0.0, bend], axis=1).mean() - bend)
    tube = section - 1.5 * t
    turn = 0.5 * width / tube
    exact = 0.5 * np.pi * (bend + side * tube * np.cos(turn))
    for e in outline.edges:
        if e.kind != "border":
            continue
        line = piece.net.to_surface(edge_points(outline, e))
        line = line[np.isfinite(line).all(axis=1)]
        rho = np.linalg.norm(line[:, :2] - [0.0, bend], axis=1) - bend
        seen = np.arctan2(np.abs(line[:, 2]), side * rho)
        assert seen * tube == pytest.approx(0.5 * width, abs=0.05)
        # corners may lie off the net by a rounding: lengths from first to last sample
        span = np.arctan2(line[:, 0], side * 0 + bend - line[:, 1])
        share = abs(span[-1] - span[0]) / (0.5 * np.pi)
        along = length(line)
        assert share > 0.98
        assert along == pytest.approx(exact * share, rel=1e-3)


# --- bad input ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (strip(width=90), "the strip is too wide"),
        (strip(run="A-B.7"), "no such run"),
        (strip(laid="before"), "'half' is missing"),
        (strip(laid="before", more='half = "uper"'), "no such half"),
        (strip(laid="before", more='half = "upper"'), "the half that laps there"),
        (strip(more='half = "lower"'), "only applies with laid"),
        (strip(fabric="silk"), "no such fabric"),
        (strip(more='name = "lower-1"'), "has the same name"),
        (strip(width=0), "more than 0"),
    ],
)
def test_bad_strips_are_told_in_one_line(tmp_path, table, words):
    path = two_troughs(tmp_path, JOINT.format(lap=0, run_off=0) + table, ONE_EACH)
    assert words in one_line_of(run, path)


def test_a_run_that_comes_back_to_itself_has_no_strip(tmp_path):
    vertices, faces = shapes.hemisphere(20.0, 10)
    low = 1.0 if vertices[:, 2].mean() < 0 else -1.0
    meshes = {
        "lower": (vertices * [1, 1, low], faces[:, :: int(low)]),
        "upper": (vertices * [1, 1, -low], faces[:, :: -int(low)]),
    }
    path = job_file(tmp_path, meshes, "[joint]\n" + strip(run=None, fabric="cloth"), ONE_EACH)
    assert "comes back to itself" in one_line_of(run, path)
