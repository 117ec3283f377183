"""Names with blanks, hyphens and "and": nothing is read out of a sentence.

A ply called "skin and core" once lost its joint's risks on the lay-up sheet, since these were
found by splitting their text.
"""

import io
import json

import numpy as np
import pytest
from jobs import RADIUS, two_troughs
from pypdf import PdfReader

from drape import pipeline, publish
from drape.bench.sheets import bench_sheets
from drape.job.job import load_job
from drape.job.toml_lines import renamed
from drape.mould.run_line import edge_places
from viewers.scene.scene import make_scene

MOUTHS = '[mould.mouths]\nA = "bow-and-port"\nB = "stern-side"\n'
JOINT = """[joint]
lap_half = { "bow-and-port-stern-side.1" = "lower", "A-stern-side.2" = "lower" }
laps = [12]
set_backs = [2]
"""
LOWER, UPPER = "skin and core", "core"
RUNS = ("bow-and-port-stern-side.1", "bow-and-port-stern-side.2")


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    plies = [
        ("lower", f'name = "{LOWER}"\nangle = 30\nstart = [10, 0, -25]'),
        ("upper", f'name = "{UPPER}"\nangle = -10\nstart = [-17, 0, 25]'),
    ]
    path = two_troughs(tmp_path_factory.mktemp("names"), MOUTHS + JOINT, plies)
    return pipeline.run(load_job(path), jobs=1)


def test_runs_start_at_the_mouth_that_their_name_has_first(results):
    assert len(results.mould.halves) == 2
    for half in results.mould.halves.values():
        runs = [e for e in half.region.edges if e.kind == "parting"]
        assert [e.ends for e in runs] == [("bow-and-port", "stern-side")] * 2
        assert {e.name for e in runs} == set(RUNS)
        bow = next(m.centre for m in results.mould.mouths if m.name == "bow-and-port")
        for run in runs:
            first = half.region.surface.vertices[run.vertices[edge_places(half.region, run) == 0.0]]
            assert np.linalg.norm(first - bow) < RADIUS + 1.0


def test_a_risk_of_the_joint_names_runs_and_plies_whole(results):
    pair = [f for f in results.findings if {LOWER, UPPER} <= set(f.about)]
    assert [(f.level, f.about) for f in pair] == [("risk", (*RUNS, LOWER, UPPER))]


def test_both_sheets_show_it(results):
    pages = PdfReader(io.BytesIO(bench_sheets(results, make_scene(results), {}, ""))).pages
    texts = [" ".join(page.extract_text().split()) for page in pages]
    assert ["placement scatter may leave" in text for text in texts] == [True, True]
    # the upper ply's alone
    assert ["hold the mould open" in text for text in texts] == [False, True]


def test_summary_and_page_show_it(results, tmp_path):
    publish.publish(results, tmp_path / "out")
    told = json.loads((tmp_path / "out" / "summary.json").read_text())["findings"]
    assert [LOWER, UPPER] in [f["about"][-2:] for f in told]
    found = [f["where"] for f in make_scene(results)["findings"]]
    assert ", ".join((*RUNS, LOWER, UPPER)) in found


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("A", "x-A"),
        ("A-B.1", "x-A-x.1"),
        ("x-A-x.1", "x-A-x.1"),
        ("A-x.2", "x-A-x.2"),
        ("x-A-B.2", "x-A-x.2"),
        ("B-C.1", "x-C.1"),
        ("hole.1", "hole.1"),
        ("x-A", "x-A"),
    ],
)
def test_new_names_may_hold_hyphens_and_letters(given, expected):
    assert renamed(given, {"A": "x-A", "B": "x"}) == expected
