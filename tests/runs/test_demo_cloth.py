"""What becomes of the demo's cloth: an elbow's halves with trim lines, laps on the other half."""

import csv
import io

import numpy as np
import pytest
import trimesh
from demo_run import demo_results
from strokes import cells_inside, hold

from drape import publish


def test_the_demos_smoothing_orders_hold():
    """An elbow's halves, with laps on the other half: see ``strokes.hold``."""
    plies = demo_results().plies
    assert len(plies) >= 6
    for ply in plies:
        assert 5 < len(ply.risks.strokes) <= 16
        hold(ply.piece.net, cells_inside(ply.piece), ply.risks.strokes)


def test_the_demos_fields_lie_on_its_files_faces():
    """Past trim lines and a parting line that was made to conform: each face once a ply."""
    results = demo_results()
    files = publish.rendered(results)
    assert len(results.job.halves) == 2
    for half in results.job.halves:
        raw = trimesh.load(half.mesh, process=False)
        rows = list(csv.DictReader(io.StringIO(files[f"fields/{half.name}.csv"].decode())))
        face = np.array([int(r["face"]) for r in rows])
        middle = np.array([[float(r[f"{a}_mm"]) for a in "xyz"] for r in rows])
        np.testing.assert_allclose(raw.vertices[raw.faces[face]].mean(axis=1), middle, atol=6e-4)
        keys = [(r["order"], r["face"]) for r in rows]
        assert len(set(keys)) == len(keys)
        area = sum(raw.area_faces[int(r["face"])] for r in rows if r["order"] == "1")
        covered = next(p for p in results.plies if p.ply.half == half.name).piece
        assert area == pytest.approx(covered.covered_cavity_area, rel=0.01)
