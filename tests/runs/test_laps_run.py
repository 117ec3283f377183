"""Laps from job file to outline where sections change: tapered tubes, tapered laps, steps.

A cone unrolls to an annular sector, on which lines at a distance from a generator are straight
and parallel to it (elementary geometry). Distances from a stepped line: pygeodesic's exact ones
(key ``kirsanov2008``).
"""

import numpy as np
import pytest
import trimesh
from dense_line import dense_distance
from exact.split_tubes import HALVES, Oval, SplitTube, Step, straight
from jobs import BARE, job_file
from moulds import cones

from drape import pipeline
from drape.job.job import load_job
from drape.mould.closed.stitched import stitch

LEAN, RADIUS, LONG = np.radians(5.0), 25.0, 80.0
ONE_EACH = [("lower", "angle = 0"), ("upper", "angle = 0")]
JOINT = '[joint]\nlap_half = "lower"\nlaps = [{lap}]\nset_backs = [0]\n'


def lower(results):
    (result,) = [p for p in results.plies if p.ply.half == "lower"]
    assert result.piece.valid, result.findings
    return result


def squarely(part):
    """Of a straight stretch: (k,) mm from its base line outward, and along it from its start."""
    base = part.flat_base
    along = base[-1] - base[0]
    along = along / np.linalg.norm(along)
    out = np.array([along[1], -along[0]])
    assert np.abs((base - base[0]) @ out).max() < 0.02  # a generator: straight on the cloth
    gap = part.flat - base[0]
    return gap @ out, (part.flat - part.flat_base) @ along


def test_laps_on_a_tapered_tube_are_parallels_of_the_generators(tmp_path):
    tables = JOINT.format(lap=10) + BARE
    piece = lower(
        pipeline.run(load_job(job_file(tmp_path, cones(LEAN), tables, ONE_EACH, 1e-3)))
    ).piece
    lines = {}
    for name in ("A-B.1", "A-B.2"):
        (part,) = piece.moved[name]
        away, _ = squarely(part)
        assert away == pytest.approx(10.0, abs=0.05)
        lines[name] = part.flat_base[-1] - part.flat_base[0]
    one, two = lines.values()
    cos = abs(one @ two) / np.linalg.norm(one) / np.linalg.norm(two)
    assert np.arccos(cos) == pytest.approx(np.pi * np.sin(LEAN), abs=1e-3)


def test_a_tapered_lap_on_a_tapered_tube_changes_evenly_along_the_run(tmp_path):
    """From 12 at one end to 6 at the other, in a straight line along the generator."""
    long = LONG / np.cos(LEAN)
    keys = f'angle = 0\n[plies.allowances]\n"A-B.1" = [[0, 12], [{long}, 6]]'
    plies = [("lower", keys), ("upper", "angle = 0")]
    tables = JOINT.format(lap=10) + BARE
    piece = lower(
        pipeline.run(load_job(job_file(tmp_path, cones(LEAN), tables, plies, 1e-3)))
    ).piece
    (part,) = piece.moved["A-B.1"]
    away, slip = squarely(part)
    assert np.abs(slip).max() < 0.05  # square to the run
    assert away == pytest.approx(12.0 - 6.0 * part.place / long, abs=0.05)
    assert np.ptp(away) == pytest.approx(6.0, abs=0.05)


def test_laps_past_a_stepped_line_end_where_the_exact_distance_says(tmp_path):
    """The parting line goes down by 10 mm over 40 mm; laps of 10 on the upper half.

    Over 25 mm this mesh is too coarse: the curvature check refuses it (1.9°, allowed 1°).
    """
    tube = SplitTube(straight(160), Oval(), 26, 26, flange=0, step=Step(10, 80, 40))
    meshes = {}
    for half, along in zip(HALVES, (90, 121), strict=True):
        mesh = tube.mesh(half, "sheet", along=along, around=48)
        meshes[half] = mesh.vertices, mesh.faces
    tables = JOINT.format(lap=10) + BARE
    results = pipeline.run(load_job(job_file(tmp_path, meshes, tables, ONE_EACH, 1e-3)))
    result = lower(results)
    assert not [f for f in result.findings if "extended straight" in f.text]
    own, other = (results.mould.halves[half].region for half in HALVES)
    whole = stitch(own, other)
    faces = whole.surface.faces[whole.other]
    exact = dense_distance(whole.surface.vertices, faces, whole.line)
    upper = trimesh.Trimesh(whole.surface.vertices, faces, process=False)
    for name in ("A-B.1", "A-B.2"):
        (part,) = result.piece.moved[name]
        points = part.moved[3:-3, :3]
        on, off, at = trimesh.proximity.closest_point(upper, points)
        assert off.max() < 0.05
        weights = trimesh.triangles.points_to_barycentric(upper.triangles[at], on)
        distance = np.einsum("ki,ki->k", weights, exact[upper.faces[at]])
        assert distance == pytest.approx(10.0, abs=0.05)
        base = part.base[3:-3, :3]
        assert np.ptp(base[:, 2]) > 9.0  # the line does go down
