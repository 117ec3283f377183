"""Plies wrapped round both halves, from job file to summary and cut files, against exact tubes.

A cylinder and a cone unroll to rectangles and annular sectors; on a torus the overlap's end
is a parallel circle, since sections cross the equators as geodesics (key ``docarmo1976``).

Tries out ``job/layers``, ``closed/tube``, ``layup/ground`` as well.
"""

import json

import numpy as np
import pytest
import shapely
from exact import shapes
from helpers import edge_points, length, one_line_of
from hollows import y_halves
from jobs import BARE, JOINT, LENGTH, ONE_EACH, PLY, RADIUS, job_file, two_troughs
from moulds import cones, elbows

from drape import pipeline, publish
from drape.job.job import load_job
from drape.job.layers import Wrapped
from drape.joint.at_run import AtRun
from drape.joint.build_up import build_up

OVERLAP, RUN_OFF = 12.0, 6.0


def wrap(seam="A-B.1", overlap=OVERLAP, angle=0, more="", fabric="twill", spacing=2.0):
    text = f"[[joint.wraps]]\noverlap = {overlap}\nangle = {angle}\n"
    text += f'fabric = "{fabric}"\nspacing = {spacing}\n{more}\n'
    return text + (f'seam = "{seam}"\n' if seam else "")


def run(path):
    return pipeline.run(load_job(path), jobs=1)


def wraps_of(results):
    return [p for p in results.plies if isinstance(p.ply.layer, Wrapped)]


def side(piece, name):
    """(k, 2) flat samples of an edge of the cut outline."""
    outline = piece.outlines[0]
    (edge,) = [e for e in outline.edges if e.name == name]
    return edge_points(outline, edge)


def girth(number, turns=1.0):
    """Round a trough's mould at the mid-surface of a wrapped ply, from its seam: 1.5 plies from
    the wall, or 2.5 and, past half a turn, one more over 12 mm of the wall: where the first
    one overlaps."""
    inner = number * (turns >= 0.5) * OVERLAP / RADIUS * PLY
    return turns * 2.0 * np.pi * (RADIUS - (1.5 + number) * PLY) - inner


# --- cylinder: exact rectangles -------------------------------------------------------------


@pytest.fixture(scope="module")
def taped(tmp_path_factory):
    """Butted plies; one wrapped at 0°, a second at 45°, its seam at the other run."""
    tables = JOINT.format(lap=0, run_off=RUN_OFF)
    tables += wrap() + wrap("A-B.2", 8, 45, more='name = "second"')
    return run(two_troughs(tmp_path_factory.mktemp("wrapped"), tables, ONE_EACH))


@pytest.mark.parametrize(("number", "overlap"), [(0, OVERLAP), (1, 8.0)])
def test_a_ply_round_a_tube_is_a_rectangle(taped, number, overlap):
    """As wide as the girth of its mid-surface and the overlap, measured along it."""
    result = wraps_of(taped)[number]
    piece, seam = result.piece, result.ply.run
    assert piece.valid, result.findings
    wide, long = girth(number) + overlap, LENGTH + 2.0 * RUN_OFF
    assert length(side(piece, f"first edge, flush with {seam}")) == pytest.approx(long, abs=0.05)
    assert length(side(piece, f"last edge, overlapping {seam}")) == pytest.approx(long, abs=0.05)
    for mouth in ("A", "B"):
        assert length(side(piece, mouth)) == pytest.approx(wide, abs=0.05)
    outline = shapely.Polygon(result.pattern.outline)
    box = outline.minimum_rotated_rectangle
    assert outline.area == pytest.approx(wide * long, abs=0.05 * (wide + long))
    assert box.area == pytest.approx(outline.area, abs=0.05 * (wide + long))


@pytest.mark.parametrize(("number", "overlap"), [(0, OVERLAP), (1, 8.0)])
def test_the_runs_are_drawn_where_they_lie(taped, number, overlap):
    """The seam's line, for the beginning to be under, by the overlap from the end; the other
    run halfway round from the beginning."""
    result = wraps_of(taped)[number]
    seam = result.ply.run
    other = {"A-B.1": "A-B.2", "A-B.2": "A-B.1"}[seam]
    lines = {name: points for name, points in result.pattern.edge_lines if name in (seam, other)}
    begin, end = (
        shapely.LineString(side(result.piece, name))
        for name in (f"first edge, flush with {seam}", f"last edge, overlapping {seam}")
    )
    for point in shapely.points(lines[seam]):
        assert point.distance(end) == pytest.approx(overlap, abs=0.05)
        assert point.distance(begin) == pytest.approx(girth(number), abs=0.05)
    for point in shapely.points(lines[other]):
        assert point.distance(begin) == pytest.approx(girth(number, 0.5), abs=0.05)
    along = lines[seam][-1] - lines[seam][0]  # flat coordinates: the warp is x
    turn = np.degrees(np.arctan2(along[1], along[0])) % 180.0
    assert min(turn, 180.0 - turn) == pytest.approx((0.0, 45.0)[number], abs=0.1)


def test_it_lies_on_all_plies_and_on_its_own_beginning(taped):
    """Its mid-surface is 1.5 t from the wall; at its end, 12 of the 16 mm that it goes up
    over (four facets) past the seam, by 3 x² − 2 x³ of t more."""
    piece = wraps_of(taped)[0].piece
    on = piece.mid.vertices
    depth = RADIUS - np.hypot(on[:, 1], on[:, 2])
    facet = RADIUS * (1.0 - np.cos(np.pi / 64))
    end = piece.region.edge("last edge, overlapping A-B.1").vertices
    ramp = 4.0 * LENGTH / 20
    share = OVERLAP / ramp * RADIUS / (RADIUS - 1.5 * PLY)
    up = PLY * (3.0 * share**2 - 2.0 * share**3)
    assert depth[end] == pytest.approx(1.5 * PLY + up, abs=facet + 0.01)
    begin = piece.region.edge("first edge, flush with A-B.1").vertices
    assert depth[begin] == pytest.approx(1.5 * PLY, abs=1e-6)
    turn = np.degrees(np.arctan2(on[:, 2], on[:, 1]))
    assert len(np.unique(np.round(turn[begin], 6) % 360.0)) == 1


def test_it_lies_on_strips_too(tmp_path):
    """One over the other run, laid on the butted plies: there its mid-surface is 2.5 t in."""
    strip = (
        '[[joint.strips]]\nrun = "A-B.2"\nwidth = 30\nangle = 0\nfabric = "twill"\nlaid = "after"\n'
    )
    tables = JOINT.format(lap=0, run_off=0) + strip + wrap()
    (result,) = wraps_of(run(two_troughs(tmp_path, tables, ONE_EACH)))
    on = result.piece.mid.vertices
    depth = RADIUS - np.hypot(on[:, 1], on[:, 2])
    seam = result.piece.region.edge("first edge, flush with A-B.1").vertices
    assert depth[seam] == pytest.approx(1.5 * PLY, abs=1e-6)
    opposite = (on[:, 1] * on[seam, 1].mean() < 0.0) & (np.abs(on[:, 2]) < 1e-6)
    assert opposite.sum() > 10
    assert depth[opposite] == pytest.approx(2.5 * PLY, abs=1e-6)


@pytest.mark.parametrize("angle", [0, 45])
def test_begun_on_the_other_half_it_is_its_mirror_image(tmp_path, angle):
    """Mirrored in the parting plane: the angle changes sign, the outline is turned over."""
    shapes_ = []
    for half, sign in (("lower", 1), ("upper", -1)):
        folder = tmp_path / half
        folder.mkdir()
        tables = JOINT.format(lap=0, run_off=RUN_OFF) + wrap(
            angle=sign * angle, more=f'half = "{half}"'
        )
        (result,) = wraps_of(run(two_troughs(folder, tables, ONE_EACH)))
        assert result.piece.valid, result.findings
        region = result.piece.region  # its end lies past the seam, on the side that was asked for
        ends = region.surface.vertices[region.edge("last edge, overlapping A-B.1").vertices]
        assert (np.sign(ends[:, 2]) == -sign).all()
        shapes_.append(result.pattern.outline * [1.0, sign])
    one, two = (shapely.Polygon(points) for points in shapes_)
    two = shapely.transform(
        two, lambda p: p + np.array(one.centroid.coords[0]) - two.centroid.coords[0]
    )
    assert one.symmetric_difference(two).area < 0.05 * one.length


# --- cone, torus ----------------------------------------------------------------------------


def test_round_a_cone_it_is_an_annular_sector_and_a_parallel_overlap(tmp_path):
    """Unrolled, the slit's two images meet in the apex at 2π sin(lean); past the second one
    the ply goes on to a line parallel to it."""
    lean, radius, long, t = np.radians(5.0), 25.0, 80.0, 1e-3
    tables = JOINT.format(lap=0, run_off=0) + wrap(overlap=10, fabric="cloth")
    (result,) = wraps_of(run(job_file(tmp_path, cones(lean), tables + BARE, ONE_EACH, t)))
    piece = result.piece
    assert piece.valid, result.findings
    begin, end = (
        side(piece, "first edge, flush with A-B.1"),
        side(piece, "last edge, overlapping A-B.1"),
    )
    (seam,) = [points for name, points in result.pattern.edge_lines if name == "A-B.1"]
    to_begin, to_seam = (points[-1] - points[0] for points in (begin, seam))
    cos = abs(to_begin @ to_seam) / np.linalg.norm(to_begin) / np.linalg.norm(to_seam)
    assert np.arccos(cos) == pytest.approx(2.0 * np.pi * np.sin(lean), abs=2e-3)
    square = np.array([-to_seam[1], to_seam[0]]) / np.linalg.norm(to_seam)
    assert np.abs((end - seam[0]) @ square) == pytest.approx(10.0, abs=0.05)
    ends = np.sort((radius + np.tan(lean) * np.array([-0.5, 0.5]) * long) / np.sin(lean))
    sector = np.pi * np.sin(lean) * (ends[1] ** 2 - ends[0] ** 2)
    # past the seam: between the two circles and a parallel at 10 mm, ∫ √(ρ² − y²) dy
    y = np.linspace(0.0, 10.0, 2001)
    overlap = np.trapezoid(np.sqrt(ends[1] ** 2 - y**2) - np.sqrt(ends[0] ** 2 - y**2), y)
    outline = shapely.Polygon(result.pattern.outline)
    assert outline.area == pytest.approx(sector + overlap, abs=0.05 * outline.length)


def test_on_an_elbow_its_end_is_a_parallel_circle(tmp_path):
    """Bend of 40° and 80 mm, section 25: the end lies by its overlap from the equator."""
    bend, section, t, overlap, turned = 80.0, 25.0, 0.3, 10.0, np.radians(40.0)
    tables = JOINT.format(lap=0, run_off=0) + wrap(overlap=overlap, fabric="cloth")
    meshes = elbows(bend, section, turned, 72, 40)
    (result,) = wraps_of(run(job_file(tmp_path, meshes, tables + BARE, ONE_EACH, t)))
    piece = result.piece
    assert piece.valid, result.findings
    start = piece.region.surface.vertices[
        piece.region.edge("first edge, flush with A-B.1").vertices
    ]
    which = np.sign(np.hypot(start[:, 0], start[:, 1] - bend).mean() - bend)
    end = side(piece, "last edge, overlapping A-B.1")
    flat = np.clip(end, np.sort(end, axis=0)[1], np.sort(end, axis=0)[-2])  # corners: roundings
    laid = piece.net.to_surface(flat)
    laid = laid[np.isfinite(laid).all(axis=1)]
    assert len(laid) > 0.9 * len(end)
    rho = np.hypot(laid[:, 0], laid[:, 1] - bend) - bend
    tube = np.hypot(rho, laid[:, 2])
    facet = section * (1.0 - np.cos(np.pi / 144))
    assert ((section - 2.5 * t - 0.01 < tube) & (tube < section - 1.5 * t + facet)).all()
    section_angle = np.arctan2(np.abs(laid[:, 2]), which * rho)
    # it goes up over four facets, so that the way is along a radius between the two
    assert (section_angle * tube)[2:-2] == pytest.approx(overlap, abs=0.08)
    # on the own half's side, over the beginning
    assert (laid[2:-2, 2] < 0.0).all()


# --- records --------------------------------------------------------------------------------


def test_build_up_counts_it_once_and_at_its_seam_twice(taped):
    runs = taped.summary.joint.runs
    found = {name: [(b.from_mm, b.to_mm, b.plies) for b in runs[name].build_up] for name in runs}
    assert found["A-B.1"] == [(-22, -12, 3), (-12, 0, 4), (0, 10, 3)]
    assert found["A-B.2"] == [(-18, -8, 3), (-8, 0, 4), (0, 10, 3)]
    for name in runs:
        for b in runs[name].build_up:
            assert b.thickness_mm == pytest.approx(PLY * b.plies)
    said = [f for f in taped.findings if "butt" in f.text]
    assert [f.level for f in said] == ["note", "note"]


def test_build_up_with_a_wrap_by_hand():
    lapping, other = [AtRun("a", 1.0, 5.0)], [AtRun("b", 2.0, -2.0)]
    cloth = [
        AtRun("s", 0.5, spans=((-4.0, 4.0),)),
        AtRun("w", 0.25, spans=((0.0, np.inf), (-np.inf, 7.0))),
        AtRun("v", 0.125, spans=((-np.inf, np.inf),)),
    ]
    found = [
        (b.from_mm, b.to_mm, b.plies, b.thickness_mm) for b in build_up(lapping, other, 3.0, cloth)
    ]
    assert found == [
        (-7, -4, 3, 1.375),
        (-4, 0, 4, 1.875),
        (0, 2, 5, 2.125),
        (2, 4, 6, 4.125),
        (4, 5, 5, 3.625),
        (5, 7, 4, 2.625),
        (7, 10, 3, 2.375),
    ]


def test_without_laps_or_strips_a_wrap_alone_joins_the_halves(tmp_path):
    results = run(two_troughs(tmp_path, "[joint]\n" + wrap(more='half = "upper"'), ONE_EACH))
    runs = results.summary.joint.runs
    assert (runs["A-B.1"].lap_half, runs["A-B.2"].lap_half) == ("upper", "lower")
    assert [(b.from_mm, b.to_mm, b.plies) for b in runs["A-B.1"].build_up] == [
        (-22, -12, 2),
        (-12, 0, 3),
        (0, 10, 2),
    ]


def test_records_kit_and_cut_files(taped, tmp_path):
    one, two = (p for p in taped.summary.plies if p.wrap is not None)
    assert (one.name, one.half) == ("wrap-1", "lower + upper")
    assert (two.name, two.wrap.seam, two.wrap.overlap_mm, two.wrap.half) == (
        "second", "A-B.2", 8.0, "lower",
    )  # fmt: skip
    (kit,) = taped.summary.kit
    each = [p.cloth_area_mm2 for ply in taped.summary.plies for p in ply.pieces]
    assert len(each) == 4
    assert kit.cloth_area_mm2 == pytest.approx(sum(each), abs=0.01)
    files = publish.publish(taped, tmp_path / "out")
    assert {"patterns/wrap-1.svg", "patterns/second.svg", "nets/second.vtp"} <= set(files)
    written = json.loads((tmp_path / "out" / "summary.json").read_text())
    assert written["plies"][2]["wrap"] == {"seam": "A-B.1", "overlap_mm": 12.0, "half": "lower"}


def test_the_bag_has_less_room_by_wrapped_plies(tmp_path):
    """The girth inside the finished laminate: one ply and the wrap."""
    tables = "[bag]\n[joint]\n" + wrap()
    results = run(two_troughs(tmp_path, tables, ONE_EACH))
    girths = [s.girth_mm for s in results.summary.bag.sections]
    assert girths == pytest.approx([2.0 * np.pi * (RADIUS - 2.0 * PLY)] * len(girths), rel=1e-3)


# --- starts, bad input ----------------------------------------------------------------------


def test_a_start_can_be_given_and_lies_at_the_nets_origin(tmp_path):
    tables = JOINT.format(lap=0, run_off=0) + wrap(angle=30, more=f"start = [5.0, 0.0, {-RADIUS}]")
    (result,) = wraps_of(run(two_troughs(tmp_path, tables, ONE_EACH)))
    assert result.piece.valid, result.findings
    i, j = result.piece.net.origin
    assert result.piece.net.points[i, j] == pytest.approx([5.0, 0.0, 1.5 * PLY - RADIUS], abs=0.01)


@pytest.mark.parametrize("side_", [-1.0, 1.0])
def test_its_angle_counts_from_the_zero_direction_of_the_half_it_starts_on(tmp_path, side_):
    """The lower half's along the tube, the upper one's round it."""
    start = f"start = [5.0, 0.0, {side_ * RADIUS}]"
    path = two_troughs(tmp_path, JOINT.format(lap=0, run_off=0) + wrap(more=start), ONE_EACH)
    text = path.read_text()
    for half, zero in (("lower", [1, 0, 0]), ("upper", [0, 1, 0])):
        text = text.replace(f'mesh = "{half}.stl"', f'mesh = "{half}.stl"\nzero = {zero}')
    path.write_text(text)
    (result,) = wraps_of(run(path))
    along = {-1.0: [1.0, 0.0, 0.0], 1.0: [0.0, 1.0, 0.0]}[side_]
    assert np.abs(result.piece.options.warp @ along) == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (wrap(overlap=79), "passes the middle of its half"),
        (wrap(seam="A-B.7"), "no such run"),
        (wrap(seam=None), "'seam' is missing"),
        (wrap(more='half = "uper"'), "no such half"),
        (wrap(fabric="silk"), "no such fabric"),
        (wrap(more='name = "lower-1"'), "has the same name"),
        (wrap(overlap=0), "more than 0"),
        (wrap(more="start = [500, 0, 0]"), "isn't on the cavity"),
    ],
)
def test_bad_wraps_are_told_in_one_line(tmp_path, table, words):
    path = two_troughs(tmp_path, JOINT.format(lap=0, run_off=0) + table, ONE_EACH)
    assert words in one_line_of(run, path)


def test_a_fork_has_no_single_seam(tmp_path):
    meshes = {name: (m.vertices, m.faces) for name, m in y_halves(40.0, 30.0, 120.0).items()}
    path = job_file(tmp_path, meshes, "[joint]\n" + wrap(fabric="cloth"), ONE_EACH)
    assert "single seam" in one_line_of(run, path)


def test_a_run_that_comes_back_to_itself_is_no_seam(tmp_path):
    vertices, faces = shapes.hemisphere(20.0, 10)
    low = 1.0 if vertices[:, 2].mean() < 0 else -1.0
    meshes = {
        "lower": (vertices * [1, 1, low], faces[:, :: int(low)]),
        "upper": (vertices * [1, 1, -low], faces[:, :: -int(low)]),
    }
    path = job_file(tmp_path, meshes, "[joint]\n" + wrap("rim.1", fabric="cloth"), ONE_EACH)
    assert "single seam" in one_line_of(run, path)
