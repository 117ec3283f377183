"""A bias net on a 90° elbow: parts behind the bend have no two known neighbours.

They are grown by least shear, a rule of the project's own; so what is proved here is what
must hold whatever the rule: all is covered, the spacing doesn't matter, and a mould that is
symmetric about the bisector plane gets a symmetric net.
"""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from closing_moulds import BARE, job_file
from draped import drape_piece, gap

from drape.geometry import shapes

BEND, SECTION = 80.0, 25.0
MIDDLE = [BEND * np.sqrt(0.5), BEND - BEND * np.sqrt(0.5), -SECTION]
WARPS = {"bias": [1.0, 0.0, 0.0], "along": [1.0, 1.0, 0.0]}


def elbow_piece(spacing, name, allowance=0.0):
    mesh = shapes.elbow(BEND, SECTION, np.pi / 2, 48, 96)
    return drape_piece(mesh, MIDDLE, WARPS[name], allowances=allowance, spacing=spacing)


@pytest.fixture(scope="module")
def pieces():
    return {(n, d): elbow_piece(d, n) for n in WARPS for d in (1.0, 0.5)}


def test_the_bias_net_has_to_grow(pieces):
    assert pieces["bias", 1.0].net.columns_grown > 0


@pytest.mark.parametrize("name", WARPS)
@pytest.mark.parametrize("spacing", [1.0, 0.5])
def test_everything_is_covered(pieces, name, spacing):
    piece = pieces[name, spacing]
    assert piece.unreached_area == 0.0
    area = piece.region.surface.face_areas.sum()
    assert piece.covered_cavity_area == pytest.approx(area, rel=1e-3)
    assert piece.valid


@pytest.mark.parametrize("name", WARPS)
def test_the_outline_is_independent_of_the_spacing(pieces, name):
    """Both lie on the same extension: the margin is 10 mm for either spacing."""
    coarse, fine = pieces[name, 1.0], pieces[name, 0.5]
    assert np.array_equal(coarse.extended.surface.vertices, fine.extended.surface.vertices)
    assert gap(coarse.outlines[0].points, fine.outlines[0].points) <= 0.03


def test_results_are_symmetric_about_the_bisector_plane(pieces):
    """The mirror takes the tangent to minus the tangent: along the hollow the warp turns
    round, on the bias warp and weft change places. The mesh isn't symmetric: its diagonals.
    """
    along = pieces["along", 1.0].outlines[0].points
    assert gap(along, along * [-1.0, 1.0]) <= 0.03
    bias = pieces["bias", 1.0].outlines[0].points
    swapped = bias[:, ::-1]
    assert min(gap(bias, swapped), gap(bias, -swapped)) <= 0.03
    for name in WARPS:
        shear = np.abs(pieces[name, 1.0].net.shear)
        assert np.nanmax(shear) < np.radians(60.0)


@pytest.mark.parametrize("allowance", [10.0, -5.0])
def test_grown_parts_are_symmetric_with_laps_and_set_backs(allowance):
    bias = elbow_piece(1.0, "bias", allowance).outlines[0].points
    swapped = bias[:, ::-1]
    assert min(gap(bias, swapped), gap(bias, -swapped)) <= 0.03


RUN = """
import resource
import sys
from drape import pipeline
from drape.job import load_job
resource.setrlimit(resource.RLIMIT_AS, (8_000_000_000, 8_000_000_000))
print([p.ply.name for p in pipeline.run(load_job(sys.argv[1]), jobs=1).plies])
"""


def test_columns_that_fail_one_by_one_dont_fill_the_memory(tmp_path):
    """Twelve facets round a tube and two along it: each seed that failed entered those beside
    it once more, twice as many from one to the next."""
    vertices, faces = shapes.trough(SECTION, BEND, 6, 2)
    meshes = {"lower": (vertices, faces), "upper": (vertices * [1, -1, -1], faces)}
    tables = '[joint]\nlap_half = "lower"\nlaps = [0]\nset_backs = [0]\nrun_off = 0\n'
    plies = [("lower", "angle = 0"), ("upper", "angle = 0")]
    path = job_file(tmp_path, meshes, tables + BARE, plies)
    command = [sys.executable, "-c", RUN, str(path)]
    here = Path(__file__).resolve().parents[2]
    ran = subprocess.run(command, capture_output=True, text=True, cwd=here, check=False)
    assert ran.stdout == "['lower-1', 'upper-1']\n", ran.stderr[-300:]
