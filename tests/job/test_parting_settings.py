"""Parting lines that are given, as height, plane and polylines."""

from __future__ import annotations

from job_texts import JOB, replaced


def parting_of(load, line):
    return load(replaced("[mould.trim.A]", f"[mould.parting]\n{line}\n[mould.trim.A]")).parting


def test_parting_lines(load, folder):
    (folder / "sub" / "line.csv").write_text("x [mm];y [mm];z [cm]\n1;2;0,3\n4,5;5;0,6\n7;8;1\n")
    points = [[1, 2, 3], [4.5, 5, 6], [7, 8, 10]]
    assert load(JOB).parting is None
    assert parting_of(load, "height = -3").height == -3.0  # mm, whatever the meshes' units
    point, normal = parting_of(load, "plane = { point = [1, 2, 3], normal = [0, 0, 4] }").plane
    assert (point.tolist(), normal.tolist()) == ([1.0, 2.0, 3.0], [0.0, 0.0, 1.0])
    for spelled_out, count in [
        (f"{points}", 1),
        ('"sub/line.csv"', 1),
        (f"[{points}, {points}]", 2),
        ('["sub/line.csv", "sub/line.csv"]', 2),
        (f'["sub/line.csv", {points}]', 2),
    ]:
        lines = parting_of(load, f"polyline = {spelled_out}").lines
        assert [line.tolist() for line in lines] == [points] * count
