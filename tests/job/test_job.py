"""Job files: what a good one becomes."""

from __future__ import annotations

import datetime
import math

import pytest
from helpers import errors_of
from job_texts import JOB, replaced

from drape.fabric.composition import cured_thickness
from drape.fabric.fabric import shipped
from drape.layup.order import laid_plies


def test_the_whole_job(load, folder):
    job = load(JOB)
    assert (job.title, job.units, job.unit_scale) == ("Test part", "cm", 10.0)
    assert job.closing == (0.0, 0.0, 1.0)
    assert [h.name for h in job.halves] == ["lower", "upper"]
    assert job.halves[1].mesh == folder / "sub" / "upper.PLY"
    assert (job.halves[0].zero, job.halves[1].zero) == ((1.0, 0.0, 0.0), None)
    assert job.trims[0].mouth == "root"
    assert job.trims[0].point == (1.0, 2.0, 3.0)
    assert job.trims[0].normal == (-1.0, 0.0, 0.0)
    assert (job.page, job.fail_on, job.date) == ("A3", ("risk",), datetime.date(2026, 2, 3))


def test_plies(load):
    plies = load(JOB).plies
    assert [p.name for p in plies] == ["lower-1", "outer", "lower-2", "upper-2"]
    assert [(p.order, p.of, p.index) for p in plies] == [(1, 2, 0), (1, 2, 1), (2, 2, 2), (2, 2, 3)]
    assert [p.start for p in plies] == [None, (1.0, 2.0, 3.0), None, None]
    assert [p.spacing for p in plies] == [None, 2.5, None, None]
    assert [p.name for p in load(JOB).plies_of("upper")] == ["outer", "upper-2"]


def test_fabrics(load):
    fabrics = load(JOB).fabrics
    assert fabrics["twill"].thickness == cured_thickness(200)
    assert fabrics["heavy"].thickness == cured_thickness(400)  # not that of the one taken
    taken = shipped()["twill-200"]["locking_angle"]
    assert math.degrees(fabrics["heavy"].locking_angle) == pytest.approx(taken)
    assert fabrics["heavy"].weave == "2x2 twill"


def test_angles_seen_from_the_mould_turn_round(load):
    inside = load(JOB)
    mould = load(replaced('seen_from = "inside"', 'seen_from = "mould"'))
    degrees = [0.0, 30.0, -45.0, 90.0]
    assert [p.angle_deg for p in inside.plies] == degrees
    assert [p.angle_deg for p in mould.plies] == degrees
    assert [p.angle for p in inside.plies] == pytest.approx([math.radians(d) for d in degrees])
    assert [p.angle for p in mould.plies] == pytest.approx([-math.radians(d) for d in degrees])
    assert math.copysign(1, mould.plies[0].angle) == 1  # 0, not −0: it is printed


def test_defaults(load):
    small = """
        format = 1
        mould.halves.lower.mesh = "lower.stl"
        fabrics.f.take = "plain-200"
        plies = [{half = "lower", fabric = "f", angle = 45}]
    """
    job = load(small)
    assert (job.title, job.units, job.seen_from, job.page) == ("part", "mm", "inside", "A4")
    assert (job.closing, job.joint, job.date, job.fail_on, job.trims) == (None, None, None, (), ())
    (allowances,) = laid_plies(job)
    kinds = ("parting", "mouth", "trim", "hole", "border")
    assert [allowances.allowance("x", kind) for kind in kinds] == [0.0] * 5


def test_date_as_text_and_byte_order_mark_and_crlf(load):
    text = replaced("date = 2026-02-03", 'date = "2026-02-03"')
    job = load(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert job.date == datetime.date(2026, 2, 3)
    lines = errors_of(load, replaced("angle = 90", "angle = nan").replace("\n", "\r\n"))
    assert f"line {JOB.splitlines().index('angle = 90') + 1}," in lines[0]
