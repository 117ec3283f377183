"""What is drawn across a joint (scene/scene, scene/zones), and what is said of the strokes.

The bars and the build-up come by different ways (each ply's own end; a sweep over all ends
in ``drape.joint.build_up``): at any distance as many bars lie as there are plies.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from jobs import two_troughs
from scene_contract import SCENES

from drape import pipeline
from drape.job.job import load_job
from viewers.scene.packing import packed
from viewers.scene.scene import make_scene
from viewers.scene.zones import stroke_text

JOINT = """[joint]
lap_half = "lower"
laps = [8, 14]
set_backs = [0, 3]
[[joint.strips]]
name = "tape"
run = "A-B.1"
width = 20
angle = 0
fabric = "twill"
laid = "after"
spacing = 2.0
"""
CHANGING = '[plies.allowances]\n"A-B.2" = [[0, 1], [80, 12]]'


@pytest.fixture(scope="module")
def taped(tmp_path_factory):
    plies = [("lower", "angle = 0"), ("lower", f"angle = 45\n{CHANGING}"),
             ("upper", "angle = 0"), ("upper", "angle = 45")]  # fmt: skip
    path = two_troughs(tmp_path_factory.mktemp("taped"), JOINT, plies)
    return make_scene(pipeline.run(load_job(path), jobs=1))


def test_its_scene_is_as_the_schema_says(taped):
    SCENES.validate(packed(taped))


@pytest.mark.parametrize("run", ["A-B.1", "A-B.2"])
def test_as_many_bars_lie_anywhere_as_there_are_plies(taped, run):
    (joint,) = [j for j in taped["joints"] if j["run"] == run]
    inf = np.inf
    bars = [
        (-inf if b["from_mm"] is None else b["from_mm"], inf if b["to_mm"] is None else b["to_mm"])
        for b in joint["bars"]
    ]
    for band in joint["bands"]:
        middle = 0.5 * (band["from_mm"] + band["to_mm"])
        assert sum(low < middle < high for low, high in bars) == band["plies"]
    assert any(b["ply"] == "tape" for b in joint["bars"]) == (run == "A-B.1")


def test_a_changing_lap_is_shown_where_its_build_up_is_told(taped):
    (joint,) = [j for j in taped["joints"] if j["run"] == "A-B.2"]
    ends = [b["to_mm"] for b in joint["bars"] if b["half"] == "lower"]
    assert joint["at_mm"] > 0
    assert ends[1] == pytest.approx(1 + 11 * joint["at_mm"] / 80, abs=0.01)


@pytest.mark.parametrize(("lengthens", "seen_from", "way"), [
    (1, "inside", "+45°"), (-1, "inside", "−45°"), (1, "mould", "−45°"), (-1, "mould", "+45°"),
])  # fmt: skip
def test_a_stroke_is_told_as_the_job_counts_angles(lengthens, seen_from, way):
    """Seen from the other side of the cloth every angle changes its sign."""
    stroke = SimpleNamespace(sector=1, lengthens=lengthens, greatest_shear=np.radians(20.0))
    text = stroke_text(stroke, seen_from)
    assert way in text
    assert seen_from in text
