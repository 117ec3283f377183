"""The whole road: the demo's job run once, and small jobs of one trough that go wrong.

Sources: exact shapes, the project's contracts (summary's schema, key
``json-schema-2020-12``; exit codes), and results that must not depend on threads.

Tries out ``drape/publish``, ``drape/results``, ``joint/joint``, ``layup/draping``,
``layup/pattern``, ``layup/result``, ``summary/records``,
``summary/summarise`` as well.
"""

import json
from dataclasses import replace
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
import shapely
import trimesh
from exact import shapes
from jobs import TWILL, two_troughs, write_job

import drape.layup.piece as piece_module
from drape import cli, pipeline, publish
from drape.errors import InputError
from drape.geometry.polyline import signed_area
from drape.job.allowance import values_at
from drape.job.job import load_job
from drape.joint.joint import joints_of, suggested
from drape.layup.order import layup_of
from drape.output.summary.models import SCHEMA_FILE as SCHEMA

RADIUS, LENGTH, PLY = 25.0, 80.0, 0.22


@pytest.fixture(scope="module")
def demo(demo_job):
    return demo_job


def plain(job):
    """The demo's job with nothing but its six plies, without wishes; laps 10, 15, 20 on
    set-backs of 0, 5, 10 everywhere."""
    plies = tuple(replace(p, allowances={}) for p in job.plies)
    joint = replace(job.joint, greatest_build_up=None, least_overlap=None)
    return replace(job, plies=plies, joint=joint, strips=(), wraps=())


@pytest.fixture(scope="module")
def results(demo_results):
    return demo_results


@pytest.fixture(scope="module")
def files(results):
    return publish.rendered(results)


def test_every_demo_piece_is_valid(results):
    assert [p.ply.half for p in results.plies] == [
        *["lower"] * 3, *["upper"] * 3, *["lower + upper"] * 2,
    ]  # fmt: skip
    assert results.valid
    for ply in results.plies:
        checks = ply.piece.checks
        assert checks.curvature <= checks.curvature_limit
        assert checks.yarn_length <= checks.yarn_limit == 1e-5
        assert checks.closure <= checks.closure_limit
    assert not [f for f in results.findings if f.level == "error"]


def test_demo_joint_by_hand(results):
    """Laps 10, 15, 20 on plies that start 0, 5 and 10 short, and the wrapped ply everywhere.

    On A-B.2 it lies on itself over 12 mm, ahead of the line. On A-B.1 the strip reaches 15 mm to
    either side; there the third lap is 20 − 6u and its other ply 10 − 6u short at
    200 + 90u mm, so that all three pairs overlap from 5 to 10 from u = 5/6, 275 mm, on.
    """
    runs, thick = results.summary.joint.runs, results.job.plies[0].fabric.thickness
    assert list(runs) == ["A-B.1", "A-B.2"]
    least = 0.07  # mm: the steps at the shown place are told apart by no less
    bands = {
        name: [(b.from_mm, b.to_mm, b.plies) for b in run.build_up if b.to_mm - b.from_mm > least]
        for name, run in runs.items()
    }
    assert bands["A-B.2"] == [
        (-22, -12, 4), (-12, 5, 5), (5, 15, 6), (15, 20, 5), (20, 30, 4),
    ]  # fmt: skip
    assert bands["A-B.1"][:5] == [
        (-25, -15, 4), (-15, 0, 5), (0, pytest.approx(5, abs=least), 6),
        (pytest.approx(5, abs=least), 10, 8), (10, pytest.approx(15, abs=least), 7),
    ]  # fmt: skip
    assert runs["A-B.1"].build_up_at_mm == pytest.approx(275.5, abs=0.5)
    assert max(b.plies for b in runs["A-B.1"].least_build_up) == 7
    for run in runs.values():
        for band in run.build_up:
            assert band.thickness_mm == pytest.approx(band.plies * thick, abs=1e-3)
        assert [o.overlap_mm for o in run.overlaps] == [10.0, 10.0, 10.0]
        assert [o.lap_ply for o in run.overlaps] == ["lower-1", "lower-2", "lower-3"]
        assert [o.other_ply for o in run.overlaps] == ["upper-1", "upper-2", "upper-3"]


# of a mould that isn't there: what the joint asks of one
RUNS = SimpleNamespace(
    runs=("A-B.1", "A-B.2"),
    halves={"lower": None, "upper": None},
    other={"lower": "upper", "upper": "lower"}.get,
)


def joints_at(job, mould):
    return joints_of(job, layup_of(job, mould), mould)


def suggestions(job, mould):
    return suggested(job, layup_of(job, mould), mould)


def test_joint_of_the_plies_alone_by_hand(demo):
    joints = joints_at(plain(demo), RUNS)
    assert tuple(joints) == RUNS.runs
    for joint in joints.values():
        bands = [(b.from_mm, b.to_mm, b.plies) for b in joint.bands]
        assert bands == [(-10, 0, 3), (0, 5, 4), (5, 15, 5), (15, 20, 4), (20, 30, 3)]


def test_demo_bench(results):
    """1 mm and 0.5° leave 5 mm of each pair; the flush ply is cut 3 mm proud and trimmed.

    One ply's scatter is at least the offset and at most offset + 0.5° over the part's 310 mm.
    """
    joint = results.summary.joint
    assert (joint.scatter.placement_mm, joint.scatter.angle_deg) == (1.0, 0.5)
    most = 1.0 + 310.0 * np.tan(np.radians(0.5))
    for run in joint.runs.values():
        for pair in run.overlaps:
            moving = 1 if pair.other_ply == "upper-1" else 2
            assert moving < 10.0 - pair.least_mm < moving * most
            assert moving < pair.greatest_mm - 10.0 < moving * most
            assert pair.least_mm > 5.0
    edges = {e.name: e for e in results.summary.plies[3].pieces[0].edges}
    for run in joint.runs:
        assert (edges[run].trim_in_mould, edges[run].trim_to_mm) == (True, 0.0)
        assert edges[run].allowance_mm == 3.0
    told = [f.text for f in results.findings if f.level == "risk"]
    assert told
    assert all("must be tucked in" in text for text in told)  # of the closing, not of the placement


def test_a_gap_at_the_joint_is_told(demo):
    """A lap of 10 against a set-back of 12 leaves 2 mm bare at each run."""
    demo = plain(demo)
    wide = replace(demo, joint=replace(demo.joint, set_backs=(12.0, 5.0, 10.0)))
    mould = RUNS
    joints = joints_at(wide, mould)
    assert tuple(joints) == mould.runs
    for run, joint in joints.items():
        errors = [f for f in joint.findings if f.level == "error"]
        assert len(errors) == 1
        assert errors[0].where.startswith(run)
        assert "gap of 2.0 mm" in errors[0].text
    assert joints_at(replace(demo, joint=None), mould) == {}


def test_lap_half_by_run(demo):
    """Lower laps 10, 15, 20 at the first run, upper at the second; the bands are the same."""
    by_run = {"A-B.1": "lower", "A-B.2": "upper"}
    demo = plain(demo)
    mixed = replace(demo, joint=replace(demo.joint, lap_half=by_run))
    joints = joints_at(mixed, RUNS)
    assert {run: joint.lap_half for run, joint in joints.items()} == by_run
    for run, joint in joints.items():
        bands = [(b.from_mm, b.to_mm, b.plies) for b in joint.bands]
        assert bands == [(-10, 0, 3), (0, 5, 4), (5, 15, 5), (15, 20, 4), (20, 30, 3)]
        assert [o.nominal_mm for o in joint.overlaps] == [10.0, 10.0, 10.0]
        assert all(o.ply.startswith(by_run[run]) for o in joint.overlaps)


def wished(demo, **wishes):
    demo = plain(demo)
    return suggestions(replace(demo, joint=replace(demo.joint, **wishes)), RUNS)


def test_suggested_laps_and_set_backs_by_hand(demo):
    """Three plies of 0.22 mm a half. 0.9 mm holds four plies (0.88): each may only start when
    the lap before it ends, so that overlaps of 8 stand in a row: 8, 16, 24 over 0, 8, 16."""
    found, (note,) = wished(demo, greatest_build_up=0.9, least_overlap=8.0)
    assert list(found) == ["A-B.1", "A-B.2"]
    for schedule in found.values():
        assert schedule.laps == (8.0, 16.0, 24.0)
        assert schedule.set_backs == (0.0, 8.0, 16.0)
        assert schedule.greatest_mm == pytest.approx(0.88)
    assert (note.level, note.where) == ("note", "A-B.1, A-B.2")
    assert "8, 16, 24 mm (lower), with set-backs of 0, 8, 16 mm: 0.88 mm" in note.text


def test_one_wish_alone(demo):
    """No limit: overlap as wished, stagger 5; no overlap wished: 10 (common practice)."""
    found, _ = wished(demo, least_overlap=12.0)
    assert found["A-B.1"].laps == (12.0, 17.0, 22.0)
    assert found["A-B.1"].set_backs == (0.0, 5.0, 10.0)
    found, _ = wished(demo, greatest_build_up=0.9)
    assert found["A-B.1"].laps == (10.0, 20.0, 30.0)
    assert wished(demo) == (None, ())


def test_suggestions_leave_room_for_strips_and_wrapped_plies(demo):
    """The demo's strip of 0.22 mm lies over the first run, its wrapped ply of 0.22 mm over
    both, at the second twice: 0.44 mm at each are gone from 1.34 mm, and 0.9 mm left."""
    joint = replace(demo.joint, greatest_build_up=1.34, least_overlap=8.0)
    job = replace(plain(demo), joint=joint, strips=demo.strips, wraps=demo.wraps)
    found, (note,) = suggestions(job, RUNS)
    for schedule in found.values():
        assert schedule.set_backs == (0.0, 8.0, 16.0)
        assert schedule.greatest_mm == pytest.approx(1.32)
    assert note.text.endswith("1.32 mm thick at most, with 0.44 mm of strips and wrapped plies")
    less = replace(job, joint=replace(joint, greatest_build_up=1.3))
    assert suggestions(less, RUNS)[1][0].level == "warning"


def test_suggestions_follow_the_lap_half_of_each_run(demo):
    by_run = {"A-B.1": "lower", "A-B.2": "upper"}
    _, notes = wished(demo, least_overlap=12.0, lap_half=by_run)
    assert [n.where for n in notes] == ["A-B.1", "A-B.2"]
    assert ["(lower)" in n.text for n in notes] == [True, False]


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (
            0.5,
            "thicker than the greatest build-up (got 0.66 mm, allowed: up to 0.5 mm)",
        ),
        (
            0.7,
            "no laps and set-backs keep the joint that thin (got 0.7 mm, allowed: 0.88 mm or more",
        ),
    ],
)
def test_wishes_that_contradict_are_a_warning(demo, limit, words):
    """Three plies a half are 0.66 mm, and one more of the other half must start: 0.88 mm."""
    found, (warning,) = wished(demo, greatest_build_up=limit)
    assert found == {}
    assert (warning.level, warning.where) == ("warning", "A-B.1, A-B.2")
    assert words in warning.text


def test_demo_plies_cover_the_cavity(results):
    """All but the strips that set-backs leave bare."""
    assert len(results.plies) >= 6
    for ply in results.plies:
        region, allowances = ply.piece.region, ply.piece.options.allowances
        expected = region.surface.face_areas[region.inside].sum()
        for e in region.edges:
            points = region.surface.vertices[e.vertices]
            along = np.r_[0.0, np.linalg.norm(np.diff(points, axis=0), axis=1).cumsum()]
            short = np.minimum(values_at(allowances[e.name], along), 0.0)
            expected += np.trapezoid(short, along)
        assert ply.piece.unreached_area == 0.0
        bent = any(
            np.min(values_at(a, np.array([0.0]))) < 0.0 for a in allowances.values()
        )  # a strip's width changes its length
        assert ply.piece.covered_cavity_area == pytest.approx(expected, rel=0.02 if bent else 2e-3)


def test_demo_outlines_are_simple_and_turn_left(results):
    assert len(results.plies) >= 6
    for ply in results.plies:
        outline = ply.pattern.outline
        assert signed_area(outline) > 0.0
        assert shapely.Polygon(outline).is_valid
        names = {e.name for e in ply.pattern.edges}
        assert names == {e.name for e in ply.piece.region.edges}


def test_summary_follows_its_schema(results, files):
    summary = json.loads(files["summary.json"])
    jsonschema.Draft202012Validator(json.loads(SCHEMA.read_text())).validate(summary)
    assert summary["files"] == sorted(files)
    assert [p["name"] for p in summary["plies"]] == [p.ply.name for p in results.plies]
    for ply in summary["plies"]:
        (piece,) = ply["pieces"]
        assert piece["valid"]
        assert piece["checks"]["limits"]["yarn_length"] == 1e-5
        assert shapely.Polygon(piece["outline_mm"]).area == pytest.approx(
            piece["cloth_area_mm2"], rel=1e-4
        )


# --- small jobs ------------------------------------------------------------------------


def trough_job(folder, **ply):
    """A job of one half-round trough, 32 facets round; ``ply`` are keys of its one ply."""
    job = {
        "mould": {"closing": [0, 0, 1]},
        "fabrics": {"twill": TWILL},
        "plies": [{"half": "lower", "fabric": "twill", "angle": 0, "spacing": 2.0, **ply}],
    }
    return write_job(folder, job, {"lower": shapes.trough(RADIUS, LENGTH, 32, 20)})


def test_a_run_without_a_lap_half_is_one_line_and_exit_code_2(tmp_path, capsys):
    path, out = trough_job(tmp_path), tmp_path / "out"
    joint = '[joint]\nlap_half = { "A-B.1" = "lower", "A-B.3" = "lower" }\nlaps = [5]\n'
    path.write_text(path.read_text().replace("[[plies]]", joint + "[[plies]]"))
    assert cli.main(["run", str(path), "-o", str(out), "--jobs", "1"]) == 2
    errors = [x for x in capsys.readouterr().err.splitlines() if x.startswith("error")]
    assert len(errors) == 2
    assert "no such run; got A-B.3; allowed: A-B.1, A-B.2" in errors[0]
    assert "a run of the parting line has no lap half; got A-B.2" in errors[1]
    assert not out.exists()


def test_prepreg_is_weighed_with_its_resin_and_tape_is_told_of(tmp_path):
    """A trough of known area: cloth × areal mass, over the part that is fibre."""
    path = trough_job(tmp_path)
    tape = 'kind = "unidirectional"\nresin_content = 42\nbleed = true'
    path.write_text(path.read_text().replace('weave = "2x2 twill"', tape))
    results = pipeline.run(load_job(path), jobs=1)
    area = np.pi * (RADIUS - 0.5 * PLY) * LENGTH
    (item,), (ply,) = results.summary.kit, results.summary.plies
    assert item.mass_g == pytest.approx(200e-6 * area, rel=1e-3)
    assert item.prepreg_mass_g == pytest.approx(200e-6 * area / 0.58, rel=1e-3)
    assert ply.prepreg_mass_g == item.prepreg_mass_g
    assert item.prepreg_areal_mass_g_per_m2 == 344.828
    assert (item.kind, item.thickness_mm) == ("unidirectional", PLY)
    assert [f.level for f in results.findings if f.where == "fabric twill"] == ["note"]


def test_suggestions_stand_in_the_summary(tmp_path):
    """One ply of 0.22 mm a half, 6 mm wished: a lap of 6, 0.44 mm thick; two plies need that."""
    plies = [("lower", "angle = 0"), ("upper", "angle = 0")]
    joint = '[joint]\nlap_half = "upper"\nlaps = [12]\nset_backs = [2]\n'
    for wish, expected in (("0.5", {"laps_mm": (6.0,), "set_backs_mm": (0.0,)}), ("0.4", None)):
        wishes = f"least_overlap = 6\ngreatest_build_up = {wish}\n"
        results = pipeline.run(load_job(two_troughs(tmp_path, joint + wishes, plies)), jobs=1)
        found = results.summary.joint.suggested
        assert list(found) == (["A-B.1", "A-B.2"] if expected else [])
        for schedule in found.values():
            assert schedule.model_dump() == {**expected, "greatest_mm": 0.44}
        levels = [f.level for f in results.findings if "laps and set-backs" in f.text]
        levels += [f.level for f in results.findings if "6 mm (upper), with" in f.text]
        assert levels == (["note"] if expected else ["warning"])


def test_one_half_that_laps_at_one_run_only(tmp_path):
    """A lap of 5 at one long side, a set-back of 2 at the other: π(R − t/2) + 3 wide."""
    path = trough_job(tmp_path)
    joint = '[mould.halves.upper]\nmesh = "upper.stl"\n[fabrics.twill]'
    vertices, faces = shapes.trough(RADIUS, LENGTH, 32, 20)
    turned = vertices * [1.0, -1.0, -1.0]
    trimesh.Trimesh(turned, faces, process=False).export(tmp_path / "upper.stl")
    text = path.read_text().replace("[fabrics.twill]", joint)
    table = '{ "A-B.1" = "lower", "A-B.2" = "upper" }'
    text = text.replace(
        "[[plies]]", f"[joint]\nlap_half = {table}\nlaps = [5]\nset_backs = [2]\n[[plies]]"
    )
    path.write_text(text)
    results = pipeline.run(load_job(path), jobs=1)
    size = np.ptp(results.plies[0].pattern.outline, axis=0)
    width = np.pi * (RADIUS - 0.5 * PLY) + 5.0 - 2.0
    assert sorted(size) == pytest.approx(sorted([LENGTH, width]), abs=0.03)
    told = {e.name: e.allowance_mm for e in results.plies[0].pattern.edges}
    assert told == {"A": 0.0, "A-B.1": 5.0, "B": 0.0, "A-B.2": -2.0}
    runs = results.summary.joint.runs
    assert {name: run.lap_half for name, run in runs.items()} == {
        "A-B.1": "lower",
        "A-B.2": "upper",
    }


def test_a_trough_from_file_to_its_exact_rectangle(tmp_path):
    """From an STL file: π(R − t/2) by the length (key ``docarmo1976``), 0.03 mm."""
    results = pipeline.run(load_job(trough_job(tmp_path)), jobs=1)
    assert results.valid
    size = np.ptp(results.plies[0].pattern.outline, axis=0)
    width = np.pi * (RADIUS - 0.5 * PLY)
    assert sorted(size) == pytest.approx(sorted([LENGTH, width]), abs=0.03)


def test_an_invalid_piece_gets_no_cut_files_and_exit_code_3(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(piece_module, "CLOSURE_LIMIT", 1e-9)
    monkeypatch.setattr(piece_module, "CLOSURE_CEILING", 1e-9)
    path, out = trough_job(tmp_path), tmp_path / "out"
    assert cli.main(["run", str(path), "-o", str(out), "--jobs", "1"]) == 3
    told = "".join(capsys.readouterr())
    assert "closure check:" in told
    names = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert names == {
        "summary.json",
        "nets/lower-1.vtp",
        "view.html",
        "layup-sheets.pdf",
    }
    (piece,) = json.loads((out / "summary.json").read_text())["plies"][0]["pieces"]
    assert piece["valid"] is False
    assert piece["outline_mm"] is None


def test_a_valid_piece_gets_its_files_and_exit_code_0(tmp_path, capsys):
    path, out = trough_job(tmp_path), tmp_path / "out"
    assert cli.main(["run", str(path), "-o", str(out), "--jobs", "1"]) == 0
    capsys.readouterr()
    names = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    assert {"patterns.dxf", "patterns.pdf", "patterns/lower-1.svg"} <= names


def test_a_start_point_far_off_the_cavity_is_refused(tmp_path, capsys):
    path = trough_job(tmp_path, start=[0.0, 0.0, -18.0])
    with pytest.raises(InputError, match=r"start point.*7\.0 mm away.*up to 5 mm"):
        pipeline.run(load_job(path), jobs=1)
    assert cli.main(["run", str(path), "-o", str(tmp_path / "out")]) == 2
    capsys.readouterr()
    assert not (tmp_path / "out").exists()


def test_a_start_point_near_the_cavity_is_moved_and_told(tmp_path):
    """3 mm above the middle of a facet, where the foot is unique."""
    middle = np.pi / 64
    way = np.array([0.0, np.sin(middle), -np.cos(middle)])
    x, y, z = (RADIUS * np.cos(middle) - 3.0) * way + [3.0, 0.0, 0.0]
    path = trough_job(tmp_path, start=[x, y, z])
    results = pipeline.run(load_job(path), jobs=1)
    told = [f for f in results.findings if "start point was moved 3.00 mm" in f.text]
    assert [f.level for f in told] == ["warning"]
    net = results.plies[0].piece.net
    assert np.allclose(
        net.points[net.origin], [3.0, 0.0, 0.0] + (RADIUS - PLY / 2) * way, atol=0.01
    )


def test_a_start_point_on_the_cavity_is_not_worth_a_word(tmp_path):
    path = trough_job(tmp_path, start=[3.0, 0.0, -25.0])
    results = pipeline.run(load_job(path), jobs=1)
    assert not [f for f in results.findings if "start point" in f.text]


def test_new_names_of_the_mouths_turn_nothing_round(tmp_path):
    """A renamed to a word that sorts after B's: the warp still points away from A."""
    path = trough_job(tmp_path)
    plain = pipeline.run(load_job(path), jobs=1)
    job = path.read_text().replace("[[plies]]", '[mould.mouths]\nA = "stern"\nB = "bow"\n[[plies]]')
    path.write_text(job)
    named = pipeline.run(load_job(path), jobs=1)
    assert [m.name for m in named.mould.mouths] == ["stern", "bow"]
    assert named.plies[0].piece.options.warp @ plain.plies[0].piece.options.warp > 0.99


def test_a_net_coarser_than_the_part_is_refused_in_words(tmp_path, capsys):
    path, out = trough_job(tmp_path, spacing=60.0), tmp_path / "out"
    assert cli.main(["run", str(path), "-o", str(out), "--jobs", "1"]) == 3
    assert "the yarn length check could not be made: the net is too coarse" in "".join(
        capsys.readouterr()
    )


def test_inspect_tells_of_a_scans_noise_and_looks_past_it(tmp_path):
    """Radius 30 exactly; unsmoothed, the noise made it 18."""
    vertices, faces = shapes.trough(30.0, 200.0, 64, 100)
    shake = 0.02 * np.random.default_rng(0).normal(size=vertices.shape)
    path = tmp_path / "scan.stl"
    trimesh.Trimesh(vertices + shake, faces, process=False).export(path)
    seen = pipeline.inspect([path], 1.0)
    assert any("noisy, like a scan (0.02" in f.text for f in seen["findings"])
    assert 26.0 < seen["halves"]["scan"]["smallest_inside_radius_mm"] < 31.0
