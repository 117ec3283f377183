"""The order of laying (layup/order, job/layers), and what layers cover across a run
(joint/at_run), by hand.

The laws of the spans are this project's own (the docstrings of ``LaidLayer.spans`` and
``under``); figures are counted by hand.
"""

from dataclasses import replace
from math import inf
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from jobs import two_troughs

from drape.job.allowance import Stations, not_below_zero, values_at
from drape.job.job import load_job
from drape.joint.at_run import AtRun, across, laps_at, plies_at
from drape.layup.order import layup_of, under

# of a mould that isn't there: what the order asks of one
MOULD = SimpleNamespace(
    runs=("A-B.1", "A-B.2"),
    halves={"lower": None, "upper": None},
    other={"lower": "upper", "upper": "lower"}.get,
)
TABLES = """[joint]
lap_half = { "A-B.1" = "lower", "A-B.2" = "upper" }
laps = [12, 17]
set_backs = [2, 4]
[[joint.strips]]
name = "tape"
run = "A-B.1"
laid = "before"
half = "lower"
width = 16
angle = 45
fabric = "twill"
[[joint.strips]]
laid = "after"
width = 10
angle = 0
fabric = "twill"
[[joint.wraps]]
seam = "A-B.2"
half = "upper"
overlap = 9
angle = 0
fabric = "twill"
"""
PLIES = [("lower", "angle = 0"), ("upper", "angle = 0"), ("lower", "angle = 45")]


@pytest.fixture(scope="module")
def layup(tmp_path_factory):
    job = load_job(two_troughs(tmp_path_factory.mktemp("order"), TABLES, PLIES))
    return {each.name: each for each in layup_of(job, MOULD)}


def test_places_in_the_order(layup):
    """Two plies below and one above, a strip over the lower two; 4 under the late strips."""
    assert [(e.name, e.half, e.order, e.of, e.index) for e in layup.values()] == [
        ("lower-1", "lower", 1, 2, 0),
        ("upper-1", "upper", 1, 1, 1),
        ("lower-2", "lower", 2, 2, 2),
        ("tape", "lower", 3, 3, 3),
        ("strip-2-A-B.1", "lower + upper", 5, 7, 4),
        ("strip-2-A-B.2", "upper + lower", 6, 7, 5),
        ("wrap-1", "upper + lower", 7, 7, 6),
    ]


def test_what_each_covers_across_a_run(layup):
    """Laps and set-backs by hand, counted from the lower half's side."""
    found = {n: [e.spans(run, "lower") for run in MOULD.runs] for n, e in layup.items()}
    assert found == {
        "lower-1": [((-inf, 12),), ((-inf, -2),)],
        "upper-1": [((2, inf),), ((-12, inf),)],
        "lower-2": [((-inf, 17),), ((-inf, -4),)],
        "tape": [((-8, 8),), ()],
        "strip-2-A-B.1": [((-5, 5),), ()],
        "strip-2-A-B.2": [(), ((-5, 5),)],
        # it begins at the line on the upper side, and ends 9 mm over that
        "wrap-1": [((-inf, inf),), ((0, inf), (-inf, 9))],
    }


def test_from_the_other_side_all_is_mirrored(layup):
    for each in layup.values():
        for run in MOULD.runs:
            mirrored = [(-b, -a) for a, b in each.spans(run, "upper")]
            assert mirrored == list(each.spans(run, "lower"))


@given(st.lists(st.floats(-30, 30), min_size=2, max_size=5))
def test_stations_are_mirrored_value_by_value(values):
    stations = Stations(tuple(range(len(values))), tuple(values))
    between = np.linspace(-1.0, len(values), 23)
    found = values_at(stations, between)
    assert values_at(-stations, between) == pytest.approx(-found)
    whole = np.arange(float(len(values)))
    assert values_at(not_below_zero(stations), whole) == pytest.approx(np.maximum(values, 0.0))


def test_what_lies_under_cloth_across_the_line(layup):
    """Under a strip the strips of its own run alone; under the wrapped ply all."""
    plies = ["lower-1", "upper-1", "lower-2"]
    assert names_under(layup, "tape") == plies
    assert names_under(layup, "strip-2-A-B.1") == [*plies, "tape"]
    assert names_under(layup, "strip-2-A-B.2") == plies
    assert names_under(layup, "wrap-1") == [*plies, "tape", "strip-2-A-B.1", "strip-2-A-B.2"]


def test_what_is_laid_early_in_the_other_half_comes_with_it(layup):
    """Though it stands later in the list; the same strip of its own half doesn't lie under it."""
    tape = layup["tape"]
    far = replace(tape, name="far", own="upper", other="lower", halves=("upper",), index=99)
    near = replace(tape, name="near", index=99)
    assert [e.name for e in under((tape, far, near), tape)] == ["far"]
    assert [e.name for e in under((tape, far, near), near)] == ["tape", "far"]


def names_under(layup, name):
    return [each.name for each in under(tuple(layup.values()), layup[name])]


def test_the_joint_sees_the_same(layup):
    layers = tuple(layup.values())
    assert plies_at(layers, "A-B.2", "lower") == [
        AtRun("lower-1", 0.22, -2.0),
        AtRun("lower-2", 0.22, -4.0),
    ]
    assert laps_at(layers, "A-B.1", "lower")[-1] == AtRun("tape", 0.22, 8.0)
    assert [(e.name, e.spans) for e in across(layers, "A-B.2", "upper")] == [
        ("strip-2-A-B.2", ((-5, 5),)),
        ("wrap-1", ((-inf, 0), (-9, inf))),
    ]


def test_another_start_keeps_the_place(layup):
    turned = layup["lower-2"].from_start((1.0, 2.0, 3.0), 0.5, 28.6)
    assert (turned.start, turned.angle, turned.angle_deg) == ((1.0, 2.0, 3.0), 0.5, 28.6)
    assert (turned.name, turned.order, turned.runs) == ("lower-2", 2, layup["lower-2"].runs)
    assert layup["tape"].from_start((1.0, 2.0, 3.0), 0.5, 28.6) == layup["tape"]
