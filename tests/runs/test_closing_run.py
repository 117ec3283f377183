"""Tuck, lap ease and yarn match from job file to summary, against trigonometry written here.

Half cylinders and plane walls are checked in their section, the torus by its parallel circles
(key ``docarmo1976``).

Tries out ``joint/ease``, ``joint/stations``, ``joint/tuck``, ``joint/yarns``,
``summary/joint_models``, ``summary/joint_records`` as well.
"""

import numpy as np
import pytest
import shapely
from jobs import BARE, job_file
from moulds import elbows, leaning, troughs

from drape import pipeline
from drape.errors import InputError
from drape.job.job import load_job
from drape.joint.yarn_match import YarnMatch
from drape.joint.yarns import PairYarns, yarn_findings
from drape.output.drawing import pattern_drawing

R, THIN = 25.0, 1e-4
LAP = '[joint]\nlap_half = "{half}"\nlaps = [15]\nset_backs = [0]\n'


def summary(path):
    return pipeline.run(load_job(path), jobs=1)


def runs_of(results):
    runs = results.summary.joint.runs
    assert set(runs) == {"A-B.1", "A-B.2"}
    return runs


ONE_EACH = [("lower", "angle = 0"), ("upper", "angle = 0")]


# --- tuck -----------------------------------------------------------------------------------


@pytest.mark.parametrize("half", ["lower", "upper"])
@pytest.mark.parametrize("turned", [False, True])
def test_trough_in_the_thin_limit(tmp_path, half, turned):
    """Lap 15 on R 25 turns by 0.6: 25 (1 − cos 0.6) = 4.37 in, 25 sin 0.6 = 14.1 up.

    Whichever half laps and lies on top: in is in, and up is into the other half.
    """
    if turned:  # the job's first half closes downwards onto the second
        meshes = troughs(turned=True)
        path = job_file(tmp_path, meshes, LAP.format(half=half) + BARE, ONE_EACH, THIN)
        path.write_text(path.read_text().replace("closing = [0, 0, 1]", "closing = [0, 0, -1]"))
    else:
        path = job_file(tmp_path, troughs(), LAP.format(half=half) + BARE, ONE_EACH, THIN)
    results = summary(path)
    assert list(runs_of(results)) == ["A-B.1", "A-B.2"]
    for run in runs_of(results).values():
        assert {t.ply for t in run.tuck} == {f"{half}-1"}
        assert sorted(t.station_mm for t in run.tuck) == pytest.approx(np.arange(0, 61, 10))
        for t in run.tuck:
            # facets of a 64-gon lie up to 25 (1 − cos(π/128)) = 0.008 mm inside
            assert t.inward_mm == pytest.approx(R * (1 - np.cos(0.6)), abs=0.01)
            assert t.height_mm == pytest.approx(R * np.sin(0.6), abs=0.01)
            assert (t.inward_mm, t.height_mm) == pytest.approx((4.37, 14.1), abs=0.03)
            assert np.radians(t.angle_deg) == pytest.approx(0.3, abs=1e-3)
            assert t.press_back_mm == pytest.approx(0.0, abs=1e-3)


def test_trough_with_plies_by_trigonometry(tmp_path):
    """Two plies each, t thick cured, b t uncured; clearance c; set-backs 0.

    Ply k (0, 1) of the lapping half leaves it at b t (k + 1/2). On the other half lie its two
    plies and the k laps before: the ply's middle is b t (2 + k + 1/2) + c off the wall, so it
    first goes in by 2 b t + c and then round a circle of radius R − that. It ends on the lap
    before it.
    """
    t, b, c, laps = 0.4, 1.2, 0.7, (16.0, 15.0)
    tables = f'[joint]\nlap_half = "lower"\nlaps = {list(laps)}\nset_backs = [0, 0]\n'
    tables += f"[bench]\nbulk = {b}\ntack_clearance = {c}\n"
    plies = [(half, f"angle = {a}") for half in ("lower", "upper") for a in (0, 0)]
    results = summary(job_file(tmp_path, troughs(around=160), tables, plies, t))
    for run in runs_of(results).values():
        assert [x.ply for x in run.tuck].count("lower-1") == 7
        assert len(run.tuck) == 14
        sizes = [x.tuck_mm for x in run.tuck]
        assert sizes == sorted(sizes, reverse=True)
        for k, lap in enumerate(laps):
            root, off = b * t * (k + 0.5), b * t * (2 + k + 0.5) + c
            turn = (lap - (off - root)) / (R - off)
            tip = R - (R - off) * np.cos(turn), (R - off) * np.sin(turn)
            for found in [x for x in run.tuck if x.ply == f"lower-{k + 1}"]:
                assert (found.inward_mm, found.height_mm) == pytest.approx(tip, abs=0.012)
                assert found.tuck_mm == pytest.approx(tip[0] - root, abs=0.012)
                lean = np.degrees(np.arctan2(tip[0] - root, tip[1]))
                assert found.angle_deg == pytest.approx(lean, abs=0.06)


def test_a_set_back_ply_is_only_in_the_way_past_its_edge(tmp_path):
    """Lap 6 ends before the other ply begins, at 8: as if it weren't there."""
    t = 0.4
    joint = '[joint]\nlap_half = "lower"\nlaps = [{}]\nset_backs = [8]\n'
    tips = {}
    for lap in (6, 15):
        path = job_file(tmp_path, troughs(around=160), joint.format(lap) + BARE, ONE_EACH, t)
        tips[lap] = runs_of(summary(path))["A-B.1"].tuck[0]
    rho = R - 0.5 * t
    turn = 6.0 / rho
    tip = R - rho * np.cos(turn), rho * np.sin(turn)
    assert (tips[6].inward_mm, tips[6].height_mm) == pytest.approx(tip, abs=0.01)
    # from 8 mm on its cloth reaches to radius R − 3t/2, its edge square to the wall: what lies
    # lower on the edge passes what lies higher, so the lap leaves its circle at the edge's
    # lowest height, goes in level to the smaller circle, and on round that
    off, edge = R - 1.5 * t, 8.0 / R
    leaves = np.arcsin(off * np.sin(edge) / rho)
    level = rho * np.cos(leaves) - off * np.cos(edge)
    turn = edge + (15.0 - rho * leaves - level) / off
    tip = R - off * np.cos(turn), off * np.sin(turn)
    assert (tips[15].inward_mm, tips[15].height_mm) == pytest.approx(tip, abs=0.012)


@pytest.mark.parametrize(("draft_deg", "wall", "lap"), [(8.0, 25.0, 15.0), (-8.0, 8.0, 6.0)])
def test_drafted_and_undercut_walls(tmp_path, draft_deg, wall, lap):
    """Drafted: the lap lies on the leaning wall. Undercut: upright, and pressed back by the
    chord 2 lap sin(δ/2) (nothing but the edge passes it).
    """
    tables = LAP.format(half="lower").replace("15", f"{lap:g}") + BARE
    path = job_file(tmp_path, leaning(draft_deg, wall=wall), tables, ONE_EACH, THIN)
    d = np.radians(abs(draft_deg))
    for run in runs_of(summary(path)).values():
        assert len(run.tuck) == 7
        for t in run.tuck:
            if draft_deg > 0:
                expected = lap * np.sin(d), lap * np.cos(d), draft_deg, 0.0
            else:
                expected = 0.0, lap, 0.0, 2 * lap * np.sin(d / 2)
            found = t.inward_mm, t.height_mm, t.angle_deg, t.press_back_mm
            assert found == pytest.approx(expected, abs=2e-3)


def test_lines_of_the_lap_are_kept(tmp_path):
    """Folded out level on the flange's place, tucked and closed on the circle; 15 mm each."""
    results = summary(
        job_file(tmp_path, troughs(), LAP.format(half="lower") + BARE, ONE_EACH, THIN)
    )
    assert len(results.closing.runs) == 2
    for run in results.closing.runs.values():
        (lap,) = run.laps
        assert lap.folded.shape == lap.tucked.shape == lap.closed.shape == (7, 16, 3)
        for line in (lap.folded, lap.tucked, lap.closed):
            assert np.linalg.norm(np.diff(line, axis=1), axis=2).sum(axis=1) == pytest.approx(
                15.0, abs=0.01
            )
            assert not line.flags.writeable
        assert lap.folded[:, :, 2] == pytest.approx(0.0, abs=1e-3)
        assert np.abs(lap.folded[:, -1, 1]) == pytest.approx(R + 15.0, abs=1e-3)
        assert np.hypot(lap.tucked[..., 1], lap.tucked[..., 2]) == pytest.approx(R, abs=0.01)
        assert (lap.tucked[:, 1:, 2] > 0.0).all()
        assert lap.tucked[:, 0, 0] == pytest.approx(run.line.points[:, 0])


def risks(results, word):
    return [f for f in results.findings if f.level == "risk" and word in f.text]


def test_limits_are_told_once_for_each_ply_and_run(tmp_path):
    """The trough's 15 mm lean by 17.2°, and stand 4.37 mm in: at bag widths past 50 − 8.74."""
    path = job_file(
        tmp_path,
        troughs(),
        LAP.format(half="lower") + BARE + "tuck_limit = 17\nbag_width = 42\n",
        ONE_EACH,
        THIN,
    )
    results = summary(path)
    assert [f.where for f in risks(results, "must be tucked in by 17°")] == [
        "A-B.1, lower-1",
        "A-B.2, lower-1",
    ]
    bag = risks(results, "the bag is in the way")
    assert [f.where for f in bag] == ["A-B.1, lower-1", "A-B.2, lower-1"]
    assert "reaches 4.4 mm in (room 4.0 mm)" in bag[0].text
    path.write_text(path.read_text().replace("= 17", "= 17.5").replace("= 42", "= 41"))
    results = summary(path)
    assert not risks(results, "must be tucked in") + risks(results, "bag")


def test_a_lap_longer_than_the_wall_is_deep(tmp_path):
    """A quarter of the trough's girth is 39.3 mm."""
    path = job_file(
        tmp_path, troughs(), LAP.format(half="lower").replace("15", "41") + BARE, ONE_EACH, THIN
    )
    with pytest.raises(InputError, match="lap passes the middle of the other half"):
        summary(path)


def with_flange(meshes, width):
    """The lower half with flat land beside both its edges."""
    vertices, faces = meshes["lower"]
    x = np.unique(np.round(vertices[:, 0], 9))
    points, more = [vertices], [faces]
    count = len(vertices)
    for side in (1.0, -1.0):
        edge = np.array(
            [np.argmin(np.linalg.norm(vertices - [at, side * R, 0.0], axis=1)) for at in x]
        )
        outer = vertices[edge] + [0.0, side * width, 0.0]
        k = np.arange(len(x) - 1)
        a, b, c, d = edge[k], edge[k + 1], count + k, count + k + 1
        quads = np.concatenate([np.c_[a, b, d], np.c_[a, d, c]])
        more.append(quads[:, ::-1] if side < 0 else quads)
        points.append(outer)
        count += len(x)
    return {**meshes, "lower": (np.concatenate(points), np.concatenate(more))}


@pytest.mark.parametrize(("width", "told"), [(14.0, 2), (16.0, 0)])
def test_a_flange_narrower_than_the_lap(tmp_path, width, told):
    meshes = with_flange(troughs(), width)
    path = job_file(tmp_path, meshes, LAP.format(half="lower") + BARE, ONE_EACH, THIN)
    results = summary(path)
    found = risks(results, f"narrower than the lap folded out on it: {width:.1f} mm")
    assert len(found) == told
    for run in results.closing.runs.values():
        assert run.flange == pytest.approx(width, abs=1e-3)
        assert run.hollow == pytest.approx(2 * R, abs=1e-3)


# --- ease -----------------------------------------------------------------------------------


def test_ease_on_an_elbow(tmp_path):
    """Parallel circles of a torus: the free edge over the run, ±0.1 %; +7.9 % and −4.2 %."""
    bend, section = 80.0, 25.0
    plies = [("lower", "angle = 45"), ("upper", "angle = 45")]
    meshes = elbows()
    path = job_file(tmp_path, meshes, LAP.format(half="lower") + BARE, plies, THIN)
    results = summary(path)
    shown = []
    for name, run in results.closing.runs.items():
        radius = np.linalg.norm(run.line.points[:, :2] - [0.0, bend], axis=1)
        side = np.sign(radius.mean() - bend)
        exact = (bend + side * section * np.cos(0.6)) / (bend + side * section) - 1.0
        (ease,) = results.summary.joint.runs[name].ease
        assert ease.ply == "lower-1"
        assert ease.ease_percent == pytest.approx(100 * exact, abs=0.1)
        assert ease.whole_percent == pytest.approx(100 * exact, abs=0.1)
        shown.append(ease.whole_percent)
    assert sorted(shown) == pytest.approx([-4.2, 7.9], abs=0.1)


def test_ease_with_plies(tmp_path):
    """Ply 2, each t thick cured, b t now: its own line lies b t 3/2 from the edge. In the other
    half one ply and one lap lie under it: its middle is b t 5/2 off the wall.
    """
    bend, section, t, b = 80.0, 25.0, 0.5, 1.1
    tables = '[joint]\nlap_half = "lower"\nlaps = [17, 15]\nset_backs = [0]\n'
    tables += f"[bench]\nbulk = {b}\ntack_clearance = 0\n"
    plies = [("lower", "angle = 45"), ("lower", "angle = 45"), ("upper", "angle = 45")]
    results = summary(job_file(tmp_path, elbows(), tables, plies, t))
    root, off = 1.5 * b * t, 2.5 * b * t
    turn = (15.0 - (off - root)) / (section - off)
    assert len(results.closing.runs) == 2
    for name, run in results.closing.runs.items():
        radius = np.linalg.norm(run.line.points[:, :2] - [0.0, bend], axis=1)
        side = np.sign(radius.mean() - bend)
        free = bend + side * (section - off) * np.cos(turn)
        exact = free / (bend + side * (section - root)) - 1.0
        ease = {e.ply: e for e in results.summary.joint.runs[name].ease}["lower-2"]
        assert ease.whole_percent == pytest.approx(100 * exact, abs=0.1)


def test_yarns_along_the_edge_are_snipped(tmp_path):
    """A short elbow whose warp follows the inner run: bent by 20°.

    Its edge keeps within some degrees of the warp, and must stretch by 7.9 %: cloth that locks
    at 45° can't. Marks on the pattern reach from the cut line to 2 mm from the line (common
    practice); the number is the ease's over 3 mm each.
    """
    plies = [("lower", "angle = 0"), ("upper", "angle = 0")]
    meshes = elbows(angle=np.radians(20), along=16)
    path = job_file(tmp_path, meshes, LAP.format(half="lower") + BARE, plies, THIN)
    results = summary(path)
    marks = results.plies[0].pattern.snips
    told = {f.where: f for f in results.findings if "free edge" in f.text}
    count = 0
    for name, run in runs_of(results).items():
        (ease,) = run.ease
        assert ease.snips
        assert f"{name}, lower-1" in told
        word = "stretch" if ease.whole_percent > 0 else "gather"
        assert f"must {word} by" in told[f"{name}, lower-1"].text
        assert 0.0 < ease.longest_lap_mm < 15.0
        for cut in ease.snips:
            change = abs(ease.whole_percent) / 100 * (cut.to_mm - cut.from_mm)
            assert cut.count == max(1, np.ceil(change / 3.0))
            assert cut.opening_mm == pytest.approx(change / cut.count, rel=0.02)
            assert (cut.depth_mm, cut.reason) == (13.0, "yarns run along the edge")
            count += cut.count
    assert len(marks) == count
    outline = shapely.Polygon(results.plies[0].pattern.outline)
    for mark in marks:
        assert np.linalg.norm(mark[1] - mark[0]) == pytest.approx(13.0, abs=0.2)
        assert shapely.distance(outline.exterior, shapely.Point(mark[0])) < 0.05
        assert outline.contains(shapely.Point(mark[1]))
    drawing = pattern_drawing(results.plies[0].pattern)
    ends = [p.points[[0, -1]] for p in drawing.paths if p.layer == "mark" and len(p.points) == 2]
    for mark in marks:
        assert any(np.allclose(e, mark, atol=1e-6) for e in ends)
    assert any("snips" in t.content for t in drawing.texts)


def test_cloth_on_the_bias_takes_the_ease_up(tmp_path):
    """The same elbow at 45°: its edge shears, and there is nothing to snip."""
    plies = [("lower", "angle = 45"), ("upper", "angle = 45")]
    meshes = elbows(angle=np.radians(20), along=16)
    path = job_file(tmp_path, meshes, LAP.format(half="lower") + BARE, plies, THIN)
    results = summary(path)
    assert not results.plies[0].pattern.snips
    for run in runs_of(results).values():
        assert (run.ease[0].snips, run.ease[0].longest_lap_mm) == ((), None)


# --- yarns ----------------------------------------------------------------------------------


def yarns(results, run, goal):
    (found,) = [y for y in results.summary.joint.runs[run].yarns if y.goal == goal]
    return found


@pytest.mark.parametrize(("first", "second"), [(30, 30), (30, -30), (45, 45), (20, -20)])
def test_cylinder(tmp_path, first, second):
    """+θ/+θ is one helix: 0 running through. +θ/−θ: 2θ, and mirror images of each other."""
    plies = [("lower", f"angle = {first}"), ("upper", f"angle = {second}")]
    results = summary(job_file(tmp_path, troughs(), LAP.format(half="lower"), plies, THIN))
    for run in ("A-B.1", "A-B.2"):
        through, mirrored = (yarns(results, run, g) for g in ("running-through", "mirrored"))
        assert (through.ply, through.other) == ("lower-1", "upper-1")
        same = first == second
        assert through.greatest_deg == pytest.approx(0 if same else 2 * first, abs=0.1)
        assert through.best_turn_deg == pytest.approx(0 if same else 2 * first, abs=0.1)
        assert mirrored.greatest_deg == pytest.approx(2 * first if same else 0, abs=0.1)
        turn = -2 * first if same else 0
        apart = (mirrored.best_turn_deg - turn + 90.0) % 180.0 - 90.0
        assert apart == pytest.approx(0.0, abs=0.1)
        assert through.after_turn_deg == pytest.approx(0.0, abs=0.1)


def test_the_turn_is_in_the_jobs_sense(tmp_path):
    """Seen from the mould: angles, and the turn that is to be added to them, change sign."""
    plies = [("lower", "angle = 10"), ("upper", "angle = 30")]
    for seen in ("inside", "mould"):
        path = job_file(
            tmp_path,
            troughs(),
            LAP.format(half="lower"),
            plies,
            THIN,
            seen_from=seen,
        )
        found = yarns(summary(path), "A-B.1", "running-through")
        assert found.greatest_deg == pytest.approx(20.0, abs=0.1)
        assert found.best_turn_deg == pytest.approx(-20.0, abs=0.1)  # makes it 10 as well


@pytest.mark.parametrize(("weave", "apart"), [("plain", 20.0), ("2x2 twill", 70.0)])
def test_a_plain_weave_counts_modulo_a_quarter_turn(tmp_path, weave, apart):
    plies = [("lower", "angle = 0"), ("upper", "angle = 70")]
    path = job_file(tmp_path, troughs(), LAP.format(half="lower"), plies, THIN, weave=weave)
    assert yarns(summary(path), "A-B.1", "running-through").greatest_deg == pytest.approx(
        apart, abs=0.1
    )


def test_only_the_wished_goal_and_a_note_where_it_is_missed(tmp_path):
    """40° apart: one note for both runs. Within what hands do (2 × 1.5°): none."""
    tables = LAP.format(half="lower") + 'yarns = "mirrored"\n'
    plies = [("lower", "angle = 20"), ("upper", "angle = 20")]
    path = job_file(tmp_path, troughs(), tables, plies, THIN)
    results = summary(path)
    assert {y.goal for y in runs_of(results)["A-B.1"].yarns} == {"mirrored"}
    (note,) = [f for f in results.findings if "yarns" in f.text]
    assert (note.level, note.about) == ("note", ("A-B.1", "A-B.2", "lower-1", "upper-1"))
    assert "40° away from mirroring" in note.text
    assert "turn upper-1 by -40° to leave 0°" in note.remedy
    path.write_text(path.read_text().replace("angle = 20", "angle = 1"))
    assert not [f for f in summary(path).findings if "yarns" in f.text]


def test_a_turn_that_mends_nothing_is_not_advised(tmp_path):
    tables = LAP.format(half="lower") + 'yarns = "running-through"\n'
    job = load_job(job_file(tmp_path, troughs(), tables, ONE_EACH, THIN))
    pair = PairYarns("a", "b", YarnMatch("running-through", 1.4, 0.9, 0.7, 1.5))
    (note,) = yarn_findings(job, {"A-B.1": (pair,)}, 0.1)
    assert "no single angle fixes" in note.remedy
    assert yarn_findings(job, {"A-B.1": (pair,)}, 1.4) == ()


def test_elbow_halves_that_mirror_each_other(tmp_path):
    """Mirror images with opposite angles: 0 mirrored; running through, twice the angle that the
    lower ply's yarns make with the run, read here from its net's own cells."""
    plies = [("lower", "angle = 25"), ("upper", "angle = -25")]
    joint = LAP.format(half="lower").replace("15", "0")  # a lap's nets aren't mirror images
    results = summary(job_file(tmp_path, elbows(), joint, plies, THIN, spacing=1.0))
    assert [p.piece is not None for p in results.plies] == [True, True]
    assert len(results.closing.runs) == 2
    for name, run in results.closing.runs.items():
        mirrored = yarns(results, name, "mirrored")
        assert mirrored.greatest_deg == pytest.approx(0.0, abs=0.1)
        alpha = warp_angles(results.plies[0].piece, run.line)
        through = np.degrees(np.abs((2 * alpha + np.pi / 2) % np.pi - np.pi / 2))
        found = yarns(results, name, "running-through")
        assert found.greatest_deg == pytest.approx(through.max(), abs=0.5)


def warp_angles(piece, line):
    """At each station the angle from the bend's direction to the warp of the net: the sides of
    the nearest cells, as a linear function of the place along the run and the height."""
    points, known = piece.net.points, piece.net.known
    both = known[1:] & known[:-1]
    middle, way = 0.5 * (points[1:] + points[:-1])[both], (points[1:] - points[:-1])[both]
    up, out = np.array([0.0, 0.0, 1.0]), []
    for at, along in zip(line.points, line.tangents, strict=True):
        near = np.argsort(np.linalg.norm(middle - at, axis=1))[:16]
        angle = np.unwrap(np.arctan2(way[near] @ up, way[near] @ along))
        away = middle[near] - at
        terms = np.column_stack([np.ones(16), away @ along, away @ up])
        out.append(np.linalg.lstsq(terms, angle, rcond=None)[0][0])
    return np.array(out)
