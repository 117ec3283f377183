"""The demo mould: what is committed is what the script makes, and it is found."""

import tomllib
from pathlib import Path

import make_demo
import numpy as np
import pytest
import trimesh
from exact.split_tubes import HALVES

from drape.mould.mould import find_mould
from drape.mould.reading import read_surface
from drape.mould.trim import trim_region

MESHES = Path(__file__).parents[2] / "meshes"


@pytest.fixture(scope="module")
def mould():
    surfaces = {}
    for half in HALVES:
        surfaces[half], findings = read_surface(MESHES / f"rigger_{half}.stl")
        assert [f.text.split()[0] for f in findings] == ["welded"]
    return find_mould(surfaces)


@pytest.mark.parametrize("half", HALVES)
def test_the_committed_files_are_what_the_script_makes(half):
    """To the last digit but one of single precision: sines differ between processors."""
    mesh = make_demo.rigger_half(half)
    made = np.frombuffer(make_demo.stl_bytes(mesh.vertices, mesh.faces), np.uint8)
    kept = np.frombuffer((MESHES / f"rigger_{half}.stl").read_bytes(), np.uint8)
    assert len(made) == len(kept)
    assert np.array_equal(made[:84], kept[:84])
    a, b = (x[84:].reshape(-1, 50)[:, :48].copy().view("<f4") for x in (made, kept))
    assert np.allclose(a[:, 3:], b[:, 3:], rtol=0, atol=5e-5)


@pytest.mark.parametrize("half", HALVES)
def test_each_half_is_a_closed_block_of_demo_size(half):
    """Reference: trimesh's reader and watertightness (key ``trimesh``)."""
    solid = trimesh.load(MESHES / f"rigger_{half}.stl")
    assert solid.is_watertight
    assert solid.volume > 0
    assert 10_000 <= len(solid.faces) <= 25_000


def test_the_mould_is_found_as_made(mould):
    tube = make_demo.rigger()
    assert mould.closing == pytest.approx([0, 0, 1], abs=1e-6)
    assert [m.name for m in mould.mouths] == ["A", "B"]
    assert mould.runs == ("A-B.1", "A-B.2")
    assert not mould.findings
    for half in HALVES:
        area = mould.halves[half].region.surface.face_areas.sum()
        assert area == pytest.approx(tube.cavity_area(half), rel=1e-3)
    for mouth, s in zip(mould.mouths, (0.0, make_demo.LENGTH), strict=True):
        point, _, _ = tube.centreline.frame(np.array(s))
        assert np.linalg.norm(mouth.centre[:2] - point[:2]) < 0.01


def test_the_job_says_invented_and_its_trim_lines_lie_15_mm_inside(mould):
    job = tomllib.loads((MESHES / "rigger.toml").read_text())
    assert "invented" in job["title"]
    assert "invented" in (MESHES / "README.md").read_text()
    assert [p["half"] for p in job["plies"]] == ["lower"] * 3 + ["upper"] * 3
    for half in HALVES:
        assert (MESHES / job["mould"]["halves"][half]["mesh"]).is_file()
        region = mould.halves[half].region
        for name, plane in job["mould"]["trim"].items():
            trimmed, findings = trim_region(region, name, plane["point"], plane["normal"])
            assert trimmed.edge(name).kind == "trim"
            room = float(findings[0].text.split("least")[1].split()[0])
            assert room == pytest.approx(15.0, abs=0.2)
