"""What hands do to the joint, from job file to summary: placement scatter, trimmed edges.

Two half-round troughs unroll to exact rectangles (key ``docarmo1976``), so that moved edges
are straight lines in the plane and can be enumerated.

Tries out ``job/bench_settings``, ``joint/run_joint`` as well.
"""

import numpy as np
import pytest
from exact.split_tubes import Oval, SplitTube, straight
from helpers import gap
from jobs import LENGTH, two_troughs, width

from drape import pipeline
from drape.geometry.surface import build
from drape.job.allowance import Stations
from drape.job.bench_settings import Placement
from drape.job.job import load_job
from drape.joint.at_run import AtRun
from drape.joint.build_up import Overlap
from drape.joint.run_joint import RunJoint, join_run, scatter_findings
from drape.joint.scatter import Proud
from drape.mould.mould import find_mould
from drape.mould.run_line import edge_places
from drape.output.marks import allowance_words

JOINT = '[joint]\nlap_half = "lower"\nlaps = [12]\nset_backs = [2]\n'
STARTS = {"lower": 10.0, "upper": -17.0}
PLIES = [
    ("lower", "angle = 30\nstart = [10, 0, -25]"),
    ("upper", "angle = -10\nstart = [-17, 0, 25]"),
]


def enumerated(start, allowance, x, offset, angle, turns=41, directions=72, slope=0.0):
    """(moves, len(x)) places past the line of an edge moved in every way about its start.

    The edge passes at half the width and the allowance from the start, leaning away from
    the line by ``slope``; turned and shifted it is a straight line still.
    """
    around = np.linspace(0, 2 * np.pi, directions, endpoint=False)
    shift = offset * np.concatenate([[[0, 0]], np.stack([np.cos(around), np.sin(around)], 1)])
    turn = np.linspace(-angle, angle, turns)[:, None]
    height = 0.5 * width() + allowance
    foot = shift[None] + height * np.stack([-np.sin(turn), np.cos(turn)], axis=2)
    foot[..., 0] += start
    along = np.asarray(x)[:, None, None] - foot[..., 0]
    places = foot[..., 1] + along * np.tan(turn + np.arctan(slope)) - 0.5 * width()
    return places.reshape(len(x), -1).T


@pytest.mark.parametrize(("offset", "degrees"), [(1.5, 1.5), (0.5, 3.0)])
def test_least_and_greatest_overlap_by_enumeration(tmp_path, offset, degrees):
    """Every move of both plies at places all along the run, against the summary's figures.

    The enumeration loses half a step of the shift's direction, 0.0015 mm; outlines are right
    to 0.03 mm.
    """
    bench = f"[bench]\nplacement = {offset}\nangle = {degrees}\n"
    results = pipeline.run(load_job(two_troughs(tmp_path, JOINT + bench, PLIES)), jobs=1)
    x = np.linspace(-LENGTH / 2, LENGTH / 2, 17)
    scatter = offset, np.radians(degrees)
    low = enumerated(STARTS["lower"], 12.0, x, *scatter)
    up = enumerated(STARTS["upper"], -2.0, x, *scatter)
    # plies move one without the other: at each place the extremes of the two add up
    least = (low.min(axis=0) + up.min(axis=0)).min()
    greatest = (low.max(axis=0) + up.max(axis=0)).max()
    joint = results.summary.joint
    assert (joint.scatter.placement_mm, joint.scatter.angle_deg) == (offset, degrees)
    assert list(joint.runs) == ["A-B.1", "A-B.2"]
    for run in joint.runs.values():
        (pair,) = run.overlaps
        assert pair.overlap_mm == 10.0
        assert pair.least_mm == pytest.approx(least, abs=0.03)
        assert pair.greatest_mm == pytest.approx(greatest, abs=0.03)


def test_without_scatter_the_overlap_is_the_nominal_one(tmp_path):
    bench = "[bench]\nplacement = 0\nangle = 0\n"
    results = pipeline.run(load_job(two_troughs(tmp_path, JOINT + bench, PLIES)), jobs=1)
    for run in results.summary.joint.runs.values():
        (pair,) = run.overlaps
        assert (pair.least_mm, pair.greatest_mm) == (10.0, 10.0)
    assert not [f for f in results.findings if f.level == "risk"]


@pytest.mark.parametrize(("wish", "told"), [(None, True), (6.0, True), (2.0, False)])
def test_a_least_overlap_is_required(tmp_path, wish, told):
    """One line for the pair at both runs. Scatter takes (1.5 + 57 mm · 1.5°) at most: 6 mm."""
    bench = "" if wish is None else f"[bench]\nleast_overlap = {wish}\n"
    results = pipeline.run(load_job(two_troughs(tmp_path, JOINT + bench, PLIES)), jobs=1)
    risks = [f for f in results.findings if {"lower-1", "upper-1"} <= set(f.about)]
    assert [f.about for f in risks] == [("A-B.1", "A-B.2", "lower-1", "upper-1")] * told
    for risk in risks:
        assert risk.level == "risk"
        assert f"required minimum {wish or 10:g} mm" in risk.text


def test_a_set_back_ply_may_stand_proud(tmp_path):
    """Set back by 2 mm, the far end (57 mm from the start) passes the line by all above it."""
    results = pipeline.run(load_job(two_troughs(tmp_path, JOINT, PLIES)), jobs=1)
    (risk,) = [f for f in results.findings if "hold the mould open" in f.text]
    x = np.array([-LENGTH / 2, LENGTH / 2])
    past = enumerated(STARTS["upper"], -2.0, x, 1.5, np.radians(1.5)).max()
    assert risk.about == ("A-B.1", "A-B.2", "upper-1")
    assert f"may lie {past:.1f} mm past the parting line" in risk.text


def joint(*overlaps, proud=()):
    return RunJoint("lower", (), overlaps, (), proud)


def test_findings_of_several_runs_become_one():
    """The worst run's figure, all runs' names; a run with enough overlap isn't named."""
    runs = {
        "A-B.1": joint(Overlap("a", "b", 10.0, 4.0, 16.0, 40.0), proud=(Proud("b", 0.0, 2.0),)),
        "A-B.2": joint(Overlap("b", "a", 10.0, 3.0, 16.0, 40.0), proud=(Proud("b", 0.0, 5.0),)),
        "B-C.1": joint(Overlap("a", "b", 10.0, 8.0, 16.0, 40.0)),
    }
    pair, proud = scatter_findings(runs, 6.0)
    assert pair.about == ("A-B.1", "A-B.2", "b", "a")
    assert "3.0 mm of overlap" in pair.text
    assert pair.text.endswith("(worst at A-B.2)")
    assert proud.about == ("A-B.1", "A-B.2", "b")
    assert "5.0 mm past the parting line" in proud.text
    assert scatter_findings({"B-C.1": runs["B-C.1"]}, 6.0) == ()


def test_a_pair_without_a_piece_has_no_least_overlap():
    runs = {"A-B.1": joint(Overlap("a", "b", 10.0, np.nan, np.nan, 40.0))}
    assert scatter_findings(runs, 6.0) == ()


def test_common_scatter_is_a_millimetre_and_a_half(tmp_path):
    """The defaults, from memory: ±1.5 mm, ±1.5°, 10 mm of overlap (common practice)."""
    bench = load_job(two_troughs(tmp_path, "", PLIES)).bench
    assert bench.placement == Placement(1.5, np.radians(1.5))
    assert bench.least_overlap == 10.0


# --- trimmed in the mould ------------------------------------------------------------------

FLUSH = JOINT.replace("[2]", "[0]")
BOTH_RUNS = 'trim_in_mould = ["A-B.1", "A-B.2"]'


def trimmed(folder, tables, keys=BOTH_RUNS):
    lower, (half, upper) = PLIES
    return pipeline.run(load_job(two_troughs(folder, tables, [lower, (half, upper + "\n" + keys)])))


def across(ply, points):
    """Distances of flat points from the hollow's middle line; the warp lies at ``angle``."""
    a = ply.ply.angle
    return np.abs(np.asarray(points) @ [np.sin(a), np.cos(a)])


@pytest.mark.parametrize(("own", "joint"), [(0.0, FLUSH), (-2.0, JOINT)])
def test_an_edge_trimmed_in_the_mould_is_cut_proud(tmp_path, own, joint):
    """Width and trim lines of the exact rectangle; overlaps with the lower ply's scatter alone."""
    results = trimmed(tmp_path, joint + "[bench]\nproud = 8\n")
    upper = results.plies[1]
    assert across(upper, upper.pattern.outline).max() == pytest.approx(
        0.5 * width() + own + 8.0, abs=0.03
    )
    assert len(upper.pattern.edge_lines) == 2
    for _, line in upper.pattern.edge_lines:
        assert across(upper, line) == pytest.approx(0.5 * width() + own, abs=0.03)
    told = {e.name: e for e in results.summary.plies[1].pieces[0].edges}
    for name in ("A-B.1", "A-B.2"):
        assert (told[name].allowance_mm, told[name].trim_to_mm) == (own + 8.0, own)
        assert told[name].trim_in_mould
    assert not told["A"].trim_in_mould
    assert told["A"].trim_to_mm is None
    x = np.array([-LENGTH / 2, LENGTH / 2])
    low = enumerated(STARTS["lower"], 12.0, x, 1.5, np.radians(1.5))
    for run in results.summary.joint.runs.values():
        (pair,) = run.overlaps
        assert pair.overlap_mm == 12.0 + own
        assert pair.least_mm == pytest.approx(low.min() + own, abs=0.03)
        assert pair.greatest_mm == pytest.approx(low.max() + own, abs=0.03)
        # the lower ply's 12 mm past the line, the upper's own start
        assert [(b.from_mm, b.to_mm, b.plies) for b in run.build_up][1] == (-own, 12.0, 2)
    words = ("proud", "hold the mould open")
    assert not [f for f in results.findings if any(word in f.text for word in words)]


def test_an_edge_cut_too_little_proud_is_told(tmp_path):
    """Placement may take 2.99 mm by hand, 1.5 + 57 tan 1.5°: more than 1 mm, not than 3 mm."""
    assert not [f for f in trimmed(tmp_path, FLUSH).findings if "proud" in f.text]
    results = trimmed(tmp_path, FLUSH + "[bench]\nproud = 1\n")
    x = np.array([-LENGTH / 2, LENGTH / 2])
    short = -enumerated(STARTS["upper"], 0.0, x, 1.5, np.radians(1.5)).min() - 1.0
    (risk,) = [f for f in results.findings if "proud" in f.text]
    assert (risk.level, risk.where) == ("risk", "A-B.1, A-B.2, upper-1")
    assert f"may lie {short:.1f} mm short" in risk.text
    assert short == pytest.approx(0.5 + 57.0 * np.tan(np.radians(1.5)), abs=0.03)
    assert "set proud to 3 mm" in risk.remedy


def test_a_mouth_may_be_trimmed_in_the_mould_too(tmp_path):
    """Run-off 5, cut 4 proud: 9 mm longer at that end, and a line where each of them is."""
    joint = FLUSH + "run_off = 5\n[bench]\nproud = 4\n"
    upper = trimmed(tmp_path, joint, 'trim_in_mould = ["A"]').plies[1]
    along = upper.pattern.outline @ [np.cos(upper.ply.angle), -np.sin(upper.ply.angle)]
    assert np.ptp(along) == pytest.approx(LENGTH + 9.0 + 5.0, abs=0.03)
    names = [name for name, _ in upper.pattern.edge_lines]
    assert sorted(names) == ["A", "A", "B"]


# --- allowances that change along a run ----------------------------------------------------

LAPS = '[plies.allowances]\n"A-B.1" = [[0, 12], [80, 6]]\n"A-B.2" = [[0, 12], [80, 6]]'
BACKS = (
    '[plies.allowances]\n"A-B.1" = [[10, 0], [50, -4]]\n"A-B.2" = [[10, 0], [50, -4], [900, -4]]'
)


def changing(folder, tables=JOINT, lower=LAPS, upper=BACKS):
    keys = {"lower": lower, "upper": upper}
    plies = [(half, f"{own}\n{keys[half]}") for half, own in PLIES]
    return pipeline.run(load_job(two_troughs(folder, tables, plies)), jobs=1)


def from_mouth_a(results, index):
    """The ply's outline as (mm from mouth A, mm from the middle line), and its start's place."""
    ply = results.plies[index]
    a, sign = ply.ply.angle, -np.sign(results.mould.mouths[0].centre[0])
    start = LENGTH / 2 + sign * STARTS[ply.ply.half]
    turning = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    return ply.pattern.outline @ turning + [start, 0.0], start


def both_sides(rim):
    """Closed polygon from places and distances (k, 2) of one long side, A to B."""
    rim = np.array([0.0, 0.5 * width()]) + rim
    return np.concatenate([rim, (rim * [1.0, -1.0])[::-1]])


def test_outlines_follow_their_stations(tmp_path):
    """Exact polygons: both long sides of both halves start at mouth A, and go on constant."""
    results = changing(tmp_path)
    assert results.valid
    lower, _ = from_mouth_a(results, 0)
    assert gap(lower, both_sides([(0, 12), (80, 6)])) < 0.03
    upper, _ = from_mouth_a(results, 1)
    assert gap(upper, both_sides([(0, 0), (10, 0), (50, -4), (80, -4)])) < 0.05
    edges = {e.name: e for e in results.summary.plies[0].pieces[0].edges}
    assert edges["A-B.1"].allowance_mm == pytest.approx(6.0, abs=1e-3)
    assert edges["A-B.1"].stations_mm == ((0.0, 12.0), (80.0, 6.0))
    assert edges["A"].stations_mm is None


def test_corners_go_by_the_allowance_at_the_end(tmp_path):
    """Run-off 8: the lap goes on straight to the corner, and is chamfered by min(lap, 8)."""
    results = changing(tmp_path, JOINT + "run_off = 8\n")
    lower, _ = from_mouth_a(results, 0)
    slope = np.array([80.0, -6.0]) / np.hypot(80.0, 6.0)
    a, b = np.array([-8.0, 12.6]), np.array([88.0, 5.4])
    rim = [a - [0, 8.0], a + 8.0 * slope, b - 6.0 * slope, b - [0, 6.0]]
    assert gap(lower, both_sides(rim)) < 0.05


def test_overlaps_with_stations_by_hand(tmp_path):
    """Lap 12 − 6 s/80 less a set-back of 0 to 4: 12 at mouth A, 6 − 4 = 2 at mouth B."""
    results = changing(tmp_path, JOINT + "[bench]\nplacement = 0\nangle = 0\n")
    assert set(results.summary.joint.runs) == {"A-B.1", "A-B.2"}
    for run in results.summary.joint.runs.values():
        (pair,) = run.overlaps
        assert pair.overlap_mm == 2.0
        assert (pair.least_mm, pair.greatest_mm) == pytest.approx((2.0, 12.0), abs=1e-3)
        assert run.build_up_at_mm == run.least_build_up_at_mm == 0.0


def test_overlaps_with_stations_and_scatter_by_enumeration(tmp_path):
    """A lap edge that leans by 6 in 80 against a set-back of 2, moved in every way.

    The figures take the scatter square to the edge and not to the line: 1/cos 4.3°, 0.01 mm.
    """
    results = changing(tmp_path, upper="")
    x = np.linspace(0.0, LENGTH, 17)
    (_, low_start), (_, up_start) = from_mouth_a(results, 0), from_mouth_a(results, 1)
    lap, common = 12.0 - 6.0 * low_start / 80.0, (1.5, np.radians(1.5))
    low = enumerated(low_start, lap, x, *common, slope=-6.0 / 80.0)
    up = enumerated(up_start, -2.0, x, *common)
    least = (low.min(axis=0) + up.min(axis=0)).min()
    greatest = (low.max(axis=0) + up.max(axis=0)).max()
    assert set(results.summary.joint.runs) == {"A-B.1", "A-B.2"}
    for run in results.summary.joint.runs.values():
        (pair,) = run.overlaps
        assert pair.least_mm == pytest.approx(least, abs=0.05)
        assert pair.greatest_mm == pytest.approx(greatest, abs=0.05)


def test_stations_of_an_edge_trimmed_in_the_mould(tmp_path):
    """Cut 4 past set-backs of 2 to 6; drawn and told as both; no scatter of the upper ply."""
    keys = BOTH_RUNS + '\n[plies.allowances]\n"A-B.1" = [[0, -2], [80, -6]]'
    results = changing(tmp_path, JOINT + "[bench]\nproud = 4\n", lower="", upper=keys)
    (edge,) = [e for e in results.plies[1].pattern.edges if e.name == "A-B.1"]
    words = "cut 4 proud, trim in mould: set-back 6 to 2"
    assert allowance_words(edge) == words
    lines = dict(results.plies[1].pattern.edge_lines)
    (_, start), a = from_mouth_a(results, 1), results.plies[1].ply.angle
    along = lines["A-B.1"] @ [np.cos(a), -np.sin(a)] + start
    expected = 0.5 * width() - 2.0 - 4.0 * along / 80.0
    assert across(results.plies[1], lines["A-B.1"]) == pytest.approx(expected, abs=0.03)
    (pair,) = results.summary.joint.runs["A-B.1"].overlaps
    x = np.array([0.0, LENGTH])
    low = enumerated(from_mouth_a(results, 0)[1], 12.0, x, 1.5, np.radians(1.5)).min(axis=0)
    assert pair.least_mm == pytest.approx((low - [2.0, 6.0]).min(), abs=0.03)


def bands(plies):
    return [(round(b.from_mm, 3), round(b.to_mm, 3), b.plies) for b in plies]


def test_build_up_where_it_is_greatest_and_least():
    """Two laps that cross half way, 10 each, over a ply set back 9: three plies there alone.

    At the ends one lap is 20 and one 0: 2 plies at most.
    """
    lapping = [
        AtRun("a", 0.2, Stations((0, 100), (0, 20))),
        AtRun("b", 0.2, Stations((0, 100), (20, 0))),
    ]
    joint = join_run("low", lapping, [AtRun("c", 0.3, -9.0)], "A-B.1", length=100.0)
    assert joint.bands_at == 50.0  # 1 mm of three plies; less of them from 45 and to 55
    assert max(b.plies for b in joint.bands) == 3
    assert joint.least_bands_at == 0.0
    assert bands(joint.least_bands) == [(-10, 0, 2), (0, 9, 1), (9, 20, 2), (20, 30, 1)]


def test_a_gap_at_one_end_of_a_run():
    """Lap 12 to 0 over a set-back of 2: from 66.7 mm on the plies don't meet; 2 mm at most."""
    lap = AtRun("a", 0.2, Stations((0, 80), (12, 0)))
    joint = join_run("low", [lap], [AtRun("c", 0.2, -2.0)], "A-B.1", length=80.0)
    (error,) = joint.findings
    assert (error.level, error.about) == ("error", ("A-B.1", "a", "c"))
    assert "gap of 2.0 mm" in error.text
    assert joint.overlaps[0].nominal_mm == -2.0
    assert (joint.bands_at, joint.least_bands_at) == (0.0, 67.0)
    assert bands(joint.bands) == [(-10, 2, 1), (2, 12, 2), (12, 22, 1)]


@pytest.mark.parametrize("caps", [None, (0.0, 25.0)])
def test_a_run_starts_at_the_same_end_in_both_halves(caps):
    """Places of the two halves' runs agree where the runs meet; A-A.1 too, from a closed end."""
    tube = SplitTube(
        straight(120.0), Oval(), 25.0, 25.0, **({} if caps is None else {"caps": caps})
    )
    meshes = {h: tube.mesh(h, "solid", along=60, around=64) for h in ("lower", "upper")}
    mould = find_mould({h: build(m.vertices, m.faces) for h, m in meshes.items()})
    assert mould.runs == (("A-B.1", "A-B.2") if caps is None else ("A-A.1",))
    for run in mould.runs:
        found = []
        for half in mould.halves.values():
            edge = half.region.edge(run)
            found.append(
                (half.region.surface.vertices[edge.vertices], edge_places(half.region, edge))
            )
        (points, places), (others, other_places) = found
        near = np.linalg.norm(points[:, None] - others, axis=2)
        same = near.min(axis=1) < 0.01
        assert same.sum() > 20
        assert places[same] == pytest.approx(other_places[near.argmin(axis=1)][same], abs=0.1)
        start = points[np.argmin(places)]
        if caps is None:
            assert np.linalg.norm(start - mould.mouths[0].centre) < 26.0
        else:
            ends = points[[0, -1]]
            assert start[1] == ends[:, 1].min()


def test_the_least_overlap_is_of_each_pair_where_it_lies():
    """Lap 10 to 12 over a set-back of 0 to 6: 6 at the far end; 4 to 8 over 0: 4 at the start."""
    rising, back = Stations((0, 80), (10, 12)), Stations((0, 80), (0, -6))
    lapping = [AtRun("a", 0.2, rising), AtRun("b", 0.2, Stations((0, 80), (4, 8)))]
    other = [AtRun("c", 0.4, back), AtRun("d", 0.2, 0.0)]
    joint = join_run("low", lapping, other, "A-B.1", length=80.0)
    assert [o.nominal_mm for o in joint.overlaps] == [6.0, 4.0]
    assert [o.per_thickness for o in joint.overlaps] == pytest.approx([15.0, 20.0])
