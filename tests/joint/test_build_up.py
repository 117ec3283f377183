"""Plies across the joint, against the worked case and against counting by sampling."""

from itertools import pairwise

import numpy as np
import pytest

from drape.joint.at_run import AtRun
from drape.joint.build_up import Band, build_up, nominal_overlaps


def plies(prefix, allowances, thickness=0.25):
    thick = np.broadcast_to(thickness, len(allowances))
    return [
        AtRun(f"{prefix}-{i + 1}", float(t), float(a))
        for i, (a, t) in enumerate(zip(allowances, thick, strict=True))
    ]


def test_worked_case():
    """Laps 5, 10, 15 against set-backs 0, 3, 6, worked by hand."""
    bands = build_up(plies("low", [5, 10, 15]), plies("up", [0, -3, -6]), margin=10.0)
    assert [b.plies for b in bands] == [3, 4, 5, 4, 5, 4, 3]
    assert [b.to_mm for b in bands[:-1]] == [0.0, 3.0, 5.0, 6.0, 10.0, 15.0]
    assert [b.from_mm for b in bands[1:]] == [0.0, 3.0, 5.0, 6.0, 10.0, 15.0]
    assert (bands[0].from_mm, bands[-1].to_mm) == (-10.0, 25.0)
    assert [b.thickness_mm for b in bands] == pytest.approx([0.25 * b.plies for b in bands])
    pairs, findings = nominal_overlaps(plies("low", [5, 10, 15]), plies("up", [0, -3, -6]))
    assert [p.nominal_mm for p in pairs] == [5.0, 7.0, 9.0]
    assert [(p.least_mm, p.greatest_mm) for p in pairs] == [(5, 5), (7, 7), (9, 9)]
    assert [(p.ply, p.other) for p in pairs] == [(f"low-{i}", f"up-{i}") for i in (1, 2, 3)]
    assert [p.per_thickness for p in pairs] == pytest.approx([20, 28, 36])
    assert findings == ()


def test_any_plies_against_counting_at_places():
    """At random places, each ply looked at on its own; equal neighbours don't occur."""
    random = np.random.default_rng(4)
    for _ in range(40):
        low = plies("low", random.integers(-4, 20, 4) / 2, random.choice([0.2, 0.5], 4))
        up = plies("up", -random.integers(-4, 20, 3) / 2, random.choice([0.2, 0.5], 3))
        bands = build_up(low, up, margin=5.0)
        for a, b in pairwise(bands):
            assert a.to_mm == b.from_mm
            assert (a.plies, round(a.thickness_mm, 9)) != (b.plies, round(b.thickness_mm, 9))
        for place in random.uniform(bands[0].from_mm, bands[-1].to_mm, 60):
            band = next(b for b in bands if b.from_mm <= place <= b.to_mm)
            there = [p for p in low if place < p.allowance]
            there += [p for p in up if place > -p.allowance]
            assert band.plies == len(there)
            assert band.thickness_mm == pytest.approx(sum(p.thickness for p in there))


def test_the_line_is_always_shown():
    """Laps and set-backs that change well past the line: the line is in the first band."""
    bands = build_up(plies("low", [20]), plies("up", [-12]), margin=1.0)
    assert bands[0] == Band(-1.0, 12.0, 1, 0.25)
    assert [b.plies for b in bands] == [1, 2, 1]


def test_flush_halves_butt():
    low, up = plies("low", [0, 0]), plies("up", [0, 0])
    assert build_up(low, up, margin=10.0) == (Band(-10.0, 10.0, 2, 0.5),)
    _, findings = nominal_overlaps(low, up)
    assert [f.level for f in findings] == ["risk", "risk"]


def test_a_gap_is_an_error():
    """Lap 2 against set-back 5 leaves 3 mm bare."""
    low, up = plies("low", [2, 15]), plies("up", [-5, -5])
    pairs, findings = nominal_overlaps(low, up)
    assert pairs[0].nominal_mm == -3.0
    assert [(f.level, f.about) for f in findings] == [("error", ("low-1", "up-1"))]
    assert "gap of 3.0 mm" in findings[0].text
    assert [b.plies for b in build_up(low, up)] == [2, 1, 3, 2]


def test_plies_without_a_partner_are_told():
    pairs, findings = nominal_overlaps(plies("low", [5, 10, 15]), plies("up", [0]))
    assert len(pairs) == 1
    assert [(f.level, f.where) for f in findings] == [("note", "low-2"), ("note", "low-3")]


def test_overlap_is_measured_by_the_thicker_ply():
    pairs, _ = nominal_overlaps(plies("low", [8], 0.2), plies("up", [0], 0.4))
    assert pairs[0].per_thickness == pytest.approx(20.0)
