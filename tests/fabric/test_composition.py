"""Fibre and resin of a ply: printed figures, what is derived, what contradicts itself."""

from __future__ import annotations

import re

import pytest

from drape.errors import InputError
from drape.fabric.composition import (
    TOLERANCE,
    composition_from,
    cured_thickness,
    fraction_without_bleed,
)
from drape.fabric.fabric import fabric_from, missing_from, shipped, started_from
from drape.fabric.kinds import kind_findings

OWN = {"weave": "2x2 twill", "areal_mass": 200, "locking_angle": 45}


def made(**values):
    return composition_from("mine", {"areal_mass": 200, **values})


# --- figures printed elsewhere, to their digits (key ``hull1996``; the values from memory) ---


@pytest.mark.parametrize(
    ("mass", "density", "fraction", "printed"),
    [
        (200, 1.78, 0.55, "0.2043"),
        (200, 1.78, 0.50, "0.2247"),
        (285, 1.77, 0.525, "0.3067"),
        (300, 2.54, 0.50, "0.2362"),  # E-glass
    ],
)
def test_cured_thickness_to_its_printed_digits(mass, density, fraction, printed):
    assert f"{cured_thickness(mass, density, fraction):.4f}" == printed


@pytest.mark.parametrize(
    ("percent", "fibre", "resin", "printed"),
    [(38, 1.77, 1.20, "0.525"), (42, 1.78, 1.20, "0.482"), (35, 1.77, 1.20, "0.557"),
     (40, 2.54, 1.20, "0.415")],
)  # fmt: skip
def test_fibre_fraction_to_its_printed_digits(percent, fibre, resin, printed):
    assert f"{fraction_without_bleed(percent / 100, fibre, resin):.3f}" == printed


# --- what isn't given follows ---------------------------------------------------------------


def test_a_square_metre_of_prepreg_weighs_what_its_cured_plate_weighs():
    # by another way round: the plate's volume times its density, from the volume fractions
    ply = made(resin_content=38, fibre_density=1.77, resin_density=1.20)
    fabric = fabric_from("a", {**OWN, "resin_content": 38, "fibre_density": 1.77})
    fraction = fabric.fibre_fraction
    density = fraction * 1.77 + (1 - fraction) * 1.20  # g/cm³
    assert ply.thickness * density * 1000 == pytest.approx(200 / 0.62, rel=1e-12)
    assert fabric.prepreg_areal_mass == pytest.approx(200 / 0.62, rel=1e-12)
    assert fabric.thickness == ply.thickness


def test_dry_cloth_knows_no_prepreg_mass():
    fabric = fabric_from("a", OWN)
    assert fabric.resin_content is None
    assert fabric.prepreg_areal_mass is None
    assert fabric.fibre_fraction == pytest.approx(0.55)


@pytest.mark.parametrize(
    "values",
    [
        {"prepreg_areal_mass": 200 / 0.62, "resin_content": 38},
        {"thickness": 0.2, "fibre_fraction": 0.55, "fibre_density": 200 / 110},
        {"thickness": cured_thickness(200, 1.78, 0.5), "fibre_fraction": 0.5},
        {"thickness": cured_thickness(200, 1.78, fraction_without_bleed(0.4)), "resin_content": 40},
    ],
)
def test_areal_mass_follows(values):
    assert composition_from("a", values).areal_mass == pytest.approx(200, rel=1e-9)
    assert missing_from({"weave": "plain", "locking_angle": 40, **values}) == []


@pytest.mark.parametrize(
    "values",
    [{}, {"thickness": 0.2}, {"prepreg_areal_mass": 340}, {"resin_content": 38},
     {"fibre_fraction": 0.5, "resin_content": 42}],
)  # fmt: skip
def test_areal_mass_does_not_follow(values):
    with pytest.raises(InputError, match="no areal_mass"):
        composition_from("a", values)
    assert missing_from({**values, "weave": "plain", "locking_angle": 40}) == ["areal_mass"]


def test_resin_content_follows_from_both_masses():
    ply = made(prepreg_areal_mass=200 / 0.6)
    assert ply.resin_content == pytest.approx(0.4)
    assert ply.thickness == pytest.approx(cured_thickness(200, 1.78, fraction_without_bleed(0.4)))


def test_thickness_alone_decides_the_fraction():
    fabric = fabric_from("a", {**OWN, "thickness": 0.25})
    assert fabric.fibre_fraction == pytest.approx(200 / 1780 / 0.25)


def test_bleed_leaves_the_supplied_mass_and_thins_the_ply():
    bled = {**OWN, "resin_content": 42, "fibre_fraction": 0.55, "bleed": True}
    fabric = fabric_from("a", bled)
    assert fabric.thickness == pytest.approx(cured_thickness(200, 1.78, 0.55))
    assert fabric.prepreg_areal_mass == pytest.approx(200 / 0.58)


# --- contradictions -------------------------------------------------------------------------


def told(**values):
    with pytest.raises(InputError) as caught:
        made(**values)
    error = caught.value
    assert "'mine'" in error.line()
    assert error.value is not None
    assert error.limit
    return error.line()


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"resin_content": 42, "fibre_fraction": 0.55}, "0.4821 (resin_content 42 without bleed)"),
        ({"resin_content": 38, "thickness": 0.18}, "thickness 0.18 mm with 200 g/m2"),
        ({"fibre_fraction": 0.55, "thickness": 0.25}, "0.4494 (thickness 0.25 mm"),
        ({"resin_content": 38, "prepreg_areal_mass": 400}, "248 (prepreg_areal_mass 400"),
        ({"prepreg_areal_mass": 340, "thickness": 0.18}, "0.4906 (prepreg_areal_mass without"),
        ({"prepreg_areal_mass": 190}, "leaves no room for resin"),
        ({"thickness": 0.11}, "leaves no room between the fibres"),
        ({"resin_content": 0.42}, "leaves no room between the fibres"),  # a fraction, not percent
        ({"resin_content": 0.42, "bleed": True, "thickness": 0.2}, "leaves no room between"),
        ({"resin_content": 38, "fibre_fraction": 0.40, "bleed": True}, "less fibre after bleed"),
        ({"resin_content": 100}, "has an impossible resin_content"),
        ({"resin_density": 0}, "has an impossible resin_density"),
    ],
)
def test_contradictions(values, expected):
    assert expected in told(**values)


def test_bleed_has_to_say_how_much():
    with pytest.raises(InputError, match="add fibre_fraction or thickness"):
        made(resin_content=42, bleed=True)
    with pytest.raises(InputError, match="add fibre_fraction or thickness"):
        composition_from("a", {"resin_content": 42, "bleed": True, "thickness": 0.2})


@pytest.mark.parametrize("side", [-1, 1])
def test_the_tolerance_is_where_it_says(side):
    exact = cured_thickness(200, 1.78, 0.5)
    inside, outside = (exact * (1 + TOLERANCE * f) ** side for f in (0.99, 1.01))
    assert made(fibre_fraction=0.5, thickness=inside).thickness == inside
    assert "within 5 % of each other" in told(fibre_fraction=0.5, thickness=outside)


# --- starting from one that ships -----------------------------------------------------------


def test_own_thickness_replaces_all_that_depends_on_it():
    own = started_from({"take": "twill-200-prepreg", "thickness": 0.19})
    assert "resin_content" not in own
    assert "take" not in own
    assert fabric_from("a", own).thickness == 0.19
    kept = started_from({"take": "twill-200-prepreg", "areal_mass": 210})
    assert kept["resin_content"] == 42


def test_every_fabric_that_ships_holds_together():
    weaves = {"plain", "2x2 twill", "5-harness satin", "8-harness satin"}
    assert {v["weave"] for v in shipped().values()} == weaves
    low = {"plain": 35, "2x2 twill": 45, "5-harness satin": 50, "8-harness satin": 55}
    for name, values in shipped().items():
        fabric = fabric_from(name, values)
        prepreg = name.endswith("prepreg")
        assert re.search(r"-(\d+)", name)[1] == str(values["areal_mass"])
        assert (fabric.resin_content is not None) == prepreg
        assert 0.4 < fabric.fibre_fraction < 0.6
        assert values["source"] == "from memory, measure yours"
        assert values["locking_angle"] == low[fabric.weave] - 5 * prepreg
    for weave in weaves:  # several areal masses, dry and prepreg
        masses = {v["areal_mass"] for v in shipped().values() if v["weave"] == weave}
        assert len(masses) >= 2
        assert any("resin_content" in v for v in shipped().values() if v["weave"] == weave)


# --- cloth that isn't woven ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "words"),
    [("unidirectional", "no locking angle"), ("non-crimp", "more than two directions")],
)
def test_other_kinds_say_what_the_model_means(kind, words):
    values = {"kind": kind, "areal_mass": 150, "locking_angle": 5}
    fabric = fabric_from("tape", values)
    assert fabric.weave == kind
    twill = fabric_from("twill", OWN)
    findings = kind_findings([twill, fabric, fabric])
    assert [f.level for f in findings] == ["note"]
    assert findings[0].where == "fabric tape"
    assert kind in findings[0].text
    assert words in findings[0].text
    assert findings[0].remedy
