"""What hands do to the joint, from job file to summary: placement scatter, trimmed edges.

Two half-round troughs unroll to exact rectangles (key ``docarmo1976``), so that moved edges
are straight lines in the plane and can be enumerated.
"""

import numpy as np
import pytest
from trough_jobs import LENGTH, two_troughs, width

from drape import pipeline
from drape.job import load_job
from drape.layup.buildup import Overlap
from drape.layup.joint import RunJoint, scatter_findings
from drape.layup.scatter import Placement, Proud

JOINT = '[joint]\nlap_half = "lower"\nlaps = [12]\nset_backs = [2]\n'
STARTS = {"lower": 10.0, "upper": -17.0}
PLIES = [
    ("lower", "angle = 30\nstart = [10, 0, -25]"),
    ("upper", "angle = -10\nstart = [-17, 0, 25]"),
]


def enumerated(start, allowance, x, offset, angle, turns=41, directions=72):
    """(moves, len(x)) places past the line of an edge moved in every way about its start.

    The edge lies parallel to the line, half the width and the allowance from the start;
    turned and shifted it is a straight line still.
    """
    around = np.linspace(0, 2 * np.pi, directions, endpoint=False)
    shift = offset * np.concatenate([[[0, 0]], np.stack([np.cos(around), np.sin(around)], 1)])
    turn = np.linspace(-angle, angle, turns)[:, None]
    height = 0.5 * width() + allowance
    foot = shift[None] + height * np.stack([-np.sin(turn), np.cos(turn)], axis=2)
    foot[..., 0] += start
    along = np.asarray(x)[:, None, None] - foot[..., 0]
    places = foot[..., 1] + along * np.tan(turn) - 0.5 * width()
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
def test_a_least_overlap_is_wished_for(tmp_path, wish, told):
    """One line for the pair at both runs. Scatter takes (1.5 + 57 mm · 1.5°) at most: 6 mm."""
    bench = "" if wish is None else f"[bench]\nleast_overlap = {wish}\n"
    results = pipeline.run(load_job(two_troughs(tmp_path, JOINT + bench, PLIES)), jobs=1)
    risks = [f for f in results.findings if "lower-1 and upper-1" in f.where]
    assert [f.where for f in risks] == ["A-B.1, A-B.2, lower-1 and upper-1"] * told
    for risk in risks:
        assert risk.level == "risk"
        assert f"wished at least {wish or 10:g} mm" in risk.message


def test_a_set_back_ply_may_stand_proud(tmp_path):
    """Set back by 2 mm, the far end (57 mm from the start) passes the line by all above it."""
    results = pipeline.run(load_job(two_troughs(tmp_path, JOINT, PLIES)), jobs=1)
    (risk,) = [f for f in results.findings if "proud" in f.message]
    x = np.array([-LENGTH / 2, LENGTH / 2])
    past = enumerated(STARTS["upper"], -2.0, x, 1.5, np.radians(1.5)).max()
    assert risk.where == "A-B.1, A-B.2, upper-1"
    assert f"may lie {past:.1f} mm proud" in risk.message


def joint(*overlaps, proud=()):
    return RunJoint("lower", (), overlaps, (), proud)


def test_findings_of_several_runs_become_one():
    """The worst run's figure, all runs' names; a run that keeps the wish isn't named."""
    runs = {
        "A-B.1": joint(Overlap("a", "b", 10.0, 4.0, 16.0, 40.0), proud=(Proud("b", 0.0, 2.0),)),
        "A-B.2": joint(Overlap("b", "a", 10.0, 3.0, 16.0, 40.0), proud=(Proud("b", 0.0, 5.0),)),
        "B-C.1": joint(Overlap("a", "b", 10.0, 8.0, 16.0, 40.0)),
    }
    pair, proud = scatter_findings(runs, 6.0)
    assert pair.where == "A-B.1, A-B.2, b and a"
    assert "overlap of 3.0 mm" in pair.message
    assert pair.message.endswith("(worst at A-B.2)")
    assert proud.where == "A-B.1, A-B.2, b"
    assert "5.0 mm proud" in proud.message
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
    assert not [f for f in results.findings if "proud" in f.message]


def test_an_edge_cut_too_little_proud_is_told(tmp_path):
    """Placement may take 2.99 mm by hand, 1.5 + 57 tan 1.5°: more than 1 mm, not than 3 mm."""
    assert not [f for f in trimmed(tmp_path, FLUSH).findings if "proud" in f.message]
    results = trimmed(tmp_path, FLUSH + "[bench]\nproud = 1\n")
    x = np.array([-LENGTH / 2, LENGTH / 2])
    short = -enumerated(STARTS["upper"], 0.0, x, 1.5, np.radians(1.5)).min() - 1.0
    (risk,) = [f for f in results.findings if "proud" in f.message]
    assert (risk.level, risk.where) == ("risk", "A-B.1, A-B.2, upper-1")
    assert f"it may lie {short:.1f} mm short" in risk.message
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
