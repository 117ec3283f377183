"""Allowances: what the joint gives each ply at each edge (``layup/order``), and its own.

Tries out ``job/joint_settings`` as well.
"""

from __future__ import annotations

from helpers import errors_of
from job_texts import BY_RUN, JOB, replaced

from drape.layup.order import laid_plies


def test_allowances(load):
    got = laid_plies(load(JOB))
    assert [a.name for a in got] == ["lower-1", "outer", "lower-2", "upper-2"]
    assert [a.order for a in got] == [1, 1, 2, 2]
    # the i-th ply of the lap half laps, the i-th of the other stops short
    assert [a.allowance("root-B.2", "parting") for a in got] == [10.0, 0.0, 15.0, -5.5]
    assert [a.allowance("root", "trim") for a in got] == [8.0] * 4
    assert [a.allowance("C", "mouth") for a in got] == [8.0] * 4
    assert [a.allowance("hole.1", "hole") for a in got] == [0.0] * 4


def test_a_ply_of_its_own_mind(load):
    outer = laid_plies(load(JOB))[1]
    assert outer.allowance("root-B.1", "parting") == 12.0
    assert outer.allowance("B", "mouth") == -3.0


def test_new_names_of_mouths(load):
    job = load(JOB)
    found = ["A", "B", "A-B.1", "B-C.2", "hole.1", "edge.1"]
    renamed = ["root", "B", "root-B.1", "B-C.2", "hole.1", "edge.1"]
    assert [job.edge_name(n) for n in found] == renamed
    assert load(replaced('"A-B.1" = 12', '"root-B.1" = 12')).plies[1].allowances["root-B.1"] == 12


def test_joint_without_laps_is_flush(load):
    text = replaced('lap_half = "lower"\nlaps = [10, 15]\nset_backs = [0, 5.5]\n', "")
    got = laid_plies(load(text))
    assert [a.parting for a in got] == [0.0] * 4
    assert [a.run_off for a in got] == [8.0] * 4


def test_wishes_want_a_lap_half(load):
    text = 'lap_half = "lower"\nlaps = [10, 15]\nset_backs = [0, 5.5]\n'
    for wish in ("greatest_build_up = 2", "least_overlap = 8"):
        (line,) = errors_of(load, replaced(text, f"{wish}\n"))
        assert "joint: 'lap_half' is missing" in line


def test_lists_may_be_longer_than_needed(load):
    got = laid_plies(load(replaced("[10, 15]", "[10, 15, 20]")))
    assert [a.parting for a in got] == [10.0, 0.0, 15.0, -5.5]


def test_lap_half_by_run(load):
    """Laps 10, 15, set-backs 0, 5.5 by hand: lower laps at run 1, upper at run 2.

    ``outer`` gives 12 at run 1 itself: it still is upper's first ply there and at run 2.
    """
    got = laid_plies(load(BY_RUN))
    assert [a.name for a in got] == ["lower-1", "outer", "lower-2", "upper-2"]
    assert [a.allowance("root-B.1", "parting") for a in got] == [10.0, 12.0, 15.0, -5.5]
    assert [a.allowance("root-B.2", "parting") for a in got] == [0.0, 10.0, -5.5, 15.0]
    assert [a.allowance("root", "trim") for a in got] == [8.0] * 4


def test_lap_half_by_run_wants_lists_for_both_halves(load):
    """Two plies a half, each lapping somewhere: one lap or set-back too few is told twice."""
    for key, short in (("laps = [10, 15]", "laps = [10]"), ("[0, 5.5]", "[0]")):
        lines = errors_of(load, replaced(key, short, BY_RUN))
        assert len(lines) == 2
        assert "half 'lower' has 2 plies" in lines[0]
        assert "half 'upper' has 2 plies" in lines[1]
