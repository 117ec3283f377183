"""Meshes that nobody here made: those that pyvista carries inside its wheel.

``sphere.ply``: a ball of 840 triangles whose vertices are rounded to whole millimetres (a
rough ball of radius 127 ± 1); ``nut.ply``, ``ant.ply``, ``airplane.ply``: closed or broken
bodies without a mould's cavity. They are read from the installed package, never copied.
"""

import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from jobs import write_job
from pyvista import examples

from drape import cli, pipeline
from drape.errors import AccuracyError, InputError
from drape.job.job import load_job
from drape.layup.piece import PieceOptions, make_piece
from drape.layup.start_places import chosen_spacing
from drape.mould.centre import centre
from drape.mould.mould import find_mould
from drape.mould.reading import read_surface
from drape.mould.region import plain_region

FOLDER = Path(examples.__file__).parent
RADIUS = 127.0


@pytest.fixture(scope="module")
def half_ball(tmp_path_factory):
    """The lower half of the ball, turned over so that its normals look into the hollow."""
    folder = tmp_path_factory.mktemp("ball")
    ball = trimesh.load(FOLDER / "sphere.ply")
    half = ball.slice_plane(ball.bounds.mean(axis=0), [0.0, 0.0, -1.0])
    half.invert()
    job = {
        "fabrics": {
            "satin": {
                "weave": "8-harness satin",
                "areal_mass": 300,
                "thickness": 0.3,
                "locking_angle": 60,
            }
        },
        "plies": [{"half": "bowl", "fabric": "satin", "angle": 0}],
    }
    return write_job(folder, job, {"bowl": (half.vertices, half.faces)})


def test_the_ball_is_read_and_inspected(half_ball):
    surface, findings = read_surface(half_ball.parent / "bowl.stl")
    assert all(f.level in ("note", "warning") for f in findings)
    mould = find_mould({"bowl": surface})
    (half,) = mould.halves.values()
    assert [(e.kind, e.closed) for e in half.region.edges] == [("parting", True)]
    assert np.abs(mould.closing @ [0.0, 0.0, 1.0]) == pytest.approx(1.0, abs=1e-6)
    area = half.region.surface.face_areas[half.region.inside].sum()
    assert area == pytest.approx(2.0 * np.pi * RADIUS**2, rel=0.02)


def test_a_ply_on_the_ball_passes_its_checks_or_is_refused_with_the_reason(half_ball, capsys):
    results = pipeline.run(load_job(half_ball), jobs=1)
    (ply,) = results.plies
    errors = [f for f in results.findings if f.level == "error"]
    assert results.valid == (not errors)
    assert all("allowed" in f.text and f.remedy.startswith("don't cut") for f in errors)
    # whatever the verdict: near the exact ball's figures (key ``chebyshev1878``), within
    # what a roughness of 1 mm and 12° facets leave
    assert np.degrees(ply.piece.assessment.max_shear) == pytest.approx(52.4, abs=2.0)
    assert ply.piece.assessment.cloth_area == pytest.approx(6.7938 * RADIUS**2, rel=0.02)
    out = half_ball.parent / "out"
    code = cli.main(["run", str(half_ball), "-o", str(out), "--jobs", "1"])
    told = "".join(capsys.readouterr())
    assert code == (0 if results.valid else 3)
    assert (out / "patterns.dxf").exists() == results.valid
    assert ("don't cut this piece" in told) == (not results.valid)
    (piece,) = json.loads((out / "summary.json").read_text())["plies"][0]["pieces"]
    assert piece["valid"] == results.valid


@pytest.mark.parametrize("name", ["nut.ply", "ant.ply", "sphere.ply"])
def test_a_body_without_a_cavity_is_refused_with_the_reason(name):
    surface, _ = read_surface(FOLDER / name)
    with pytest.raises(InputError, match="no cavity found"):
        find_mould({"half": surface})


def test_a_model_in_loose_parts_is_told():
    _, findings = read_surface(FOLDER / "airplane.ply")
    assert any("parts that aren't joined" in f.text for f in findings)


def test_a_shell_too_coarse_for_its_laps_is_refused_with_the_reason(tmp_path):
    """Half of the ant's largest part: 22 triangles."""
    ant = trimesh.load(FOLDER / "ant.ply")
    part = max(ant.split(only_watertight=False), key=lambda p: p.area)
    half = part.slice_plane(part.bounds.mean(axis=0), [0.0, 0.0, -1.0])
    half.invert()
    half.export(tmp_path / "bowl.stl")
    surface, _ = read_surface(tmp_path / "bowl.stl", 10.0)
    region = plain_region(surface)
    laps = {e.name: 5.0 for e in region.edges}
    warp = np.array([1.0, 0.2, 0.1])
    options = PieceOptions(centre(region), warp, laps, 0.0, chosen_spacing(region))
    with pytest.raises(AccuracyError):
        make_piece(region, options)
