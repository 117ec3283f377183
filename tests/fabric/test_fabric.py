"""Fabric: thickness, shipped values, impossible numbers."""

from __future__ import annotations

import dataclasses
import math

import pytest

from drape.errors import InputError
from drape.fabric.composition import cured_thickness
from drape.fabric.fabric import LIMITS, Fabric, fabric_from, shipped

OWN = {"weave": "plain", "areal_mass": 200, "locking_angle": 40}


def test_thickness_keeps_the_fibre():
    # conservation of volume: fibre in a 1 m × 1 m ply is 200 g, hence 200/1.8 cm³; the
    # ply holds it at 50 %, so is twice that, spread over 10⁴ cm²
    volume_cm3 = 2 * 200 / 1.8
    assert cured_thickness(200, 1.8, 0.5) == pytest.approx(volume_cm3 / 1e4 * 10, rel=1e-12)


def test_computed_thickness_is_used_unless_given():
    assert fabric_from("a", OWN).thickness == cured_thickness(200)
    assert fabric_from("a", {**OWN, "thickness": 0.3}).thickness == 0.3
    heavy = fabric_from("a", {**OWN, "fibre_density": 2.54, "fibre_fraction": 0.5})
    assert heavy.thickness == pytest.approx(200 / 2.54 / 0.5 / 1000)


def test_angles_are_radians_inside():
    fabric = fabric_from("a", {**OWN, "show_limit": 25})
    assert fabric.locking_angle == pytest.approx(40 * math.pi / 180)
    assert fabric.show_limit == pytest.approx(25 * math.pi / 180)


def test_show_limit_is_never_past_locking_unasked():
    assert fabric_from("a", {**OWN, "locking_angle": 12}).show_limit == math.radians(12)


# locking angles usual for the weave, from memory
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [("plain-200", 35, 45), ("twill-200", 45, 55), ("satin5-285", 50, 60)],
)
def test_shipped_fabrics(name, low, high):
    fabric = fabric_from(name, shipped()[name])
    assert low <= round(math.degrees(fabric.locking_angle), 9) <= high
    assert 20 <= round(math.degrees(fabric.show_limit), 9) <= 25
    assert fabric.source == "from memory, measure yours"


def test_shipped_tables_have_no_unknown_keys():
    known = {*LIMITS, *(f.name for f in dataclasses.fields(Fabric))}
    assert len(shipped()) >= 3
    for values in shipped().values():
        assert values.keys() <= known


def test_shipped_and_fabric_are_read_only():
    with pytest.raises(TypeError):
        shipped()["twill-200"]["areal_mass"] = 1  # type: ignore[index]
    with pytest.raises(dataclasses.FrozenInstanceError):
        fabric_from("mine", OWN).thickness = 1.0  # type: ignore[misc]


@pytest.mark.parametrize(
    "bad",
    [
        {"areal_mass": 0},
        {"areal_mass": float("nan")},
        {"thickness": -0.2},
        {"thickness": float("inf")},
        {"locking_angle": 90},
        {"locking_angle": 0},
        {"show_limit": 95},
        {"roll_width": 0},
        {"fibre_density": 0},
        {"fibre_fraction": 1.0},
    ],
)
def test_impossible_numbers(bad):
    with pytest.raises(InputError) as caught:
        fabric_from("mine", {**OWN, **bad})
    line = caught.value.line()
    assert next(iter(bad)) in line
    assert "'mine'" in line
    assert "allowed: more than 0" in line


def test_no_weave():
    with pytest.raises(InputError, match="no weave"):
        fabric_from("a", {"areal_mass": 200, "locking_angle": 40})
