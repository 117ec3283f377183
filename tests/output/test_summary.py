"""summary.json: the contract's keys, its schema, and numbers that are numbers.

Tries out ``summary/base``, ``summary/models`` as well.
"""

import json
import math

import jsonschema
import pytest
from pydantic import ValidationError

from drape.output.summary import models as s

PIECE = {
    "name": "lower-1",
    "start_mm": [1.23456, -0.0001, 3.0],
    "warp": [1.0, 0.0, 0.0],
    "spacing_mm": 2.0,
    "valid": True,
    "max_shear_deg": 12.3,
    "outline_mm": [[0.12345, 0.0], [10.0, 0.00049], [10.0, 5.0]],
    "holes_mm": [[[1.0, 1.0], [1.0, 2.0], [2.0, 1.0]]],
    "edges": [{"name": "A-B.1", "kind": "parting", "first": 0, "last": 1, "allowance_mm": 10.0}],
    "wrinkle_zones": [{"area_mm2": 12.0, "max_shear_deg": 50.0, "centre_mm": [1.0, 2.0, 3.0]}],
    "bridging_zones": [],
    "checks": {"curvature_deg": 0.01, "limits": {"curvature_deg": 0.05}},
}


def example(**changes):
    ply = {
        "name": "lower-1",
        "half": "lower",
        "fabric": "twill",
        "angle_deg": 45,
        "pieces": [PIECE],
    }
    content = {
        "title": "Elbow <é>",
        "version": "0.1.0",
        "files": ["summary.json", "patterns.dxf"],
        "mould": {
            "closing": [0, 0, 1],
            "halves": {"lower": {"cavity_area_mm2": 1000.0, "mouths": [{"name": "A"}]}},
        },
        "plies": [ply],
        "joint": {
            "runs": {
                "A-B.1": {
                    "lap_half": "lower",
                    "build_up": [{"from_mm": -5, "to_mm": 0, "plies": 4, "thickness_mm": 0.88}],
                }
            }
        },
        "kit": [{"fabric": "twill", "cloth_area_mm2": 5000.0}],
        "findings": [{"level": "note", "where": "job", "message": "all is invented"}],
        **changes,
    }
    return s.Summary.model_validate(content)


# The contract, key by key, copied from the project's design and not from the models.
CONTRACT = {
    "": "format title version files mould plies joint bag kit findings",
    "mould": "closing halves",
    "mould.halves.lower": "cavity_area_mm2 parting_length_mm mouths smallest_inside_radius_mm "
    "undercut_area_mm2",
    "plies.0": "name half fabric angle_deg locking_angle_deg mass_g max_shear_deg p99_shear_deg "
    "mean_shear_deg max_shear_in_laps_deg pieces",
    "plies.0.pieces.0": "name start_mm warp spacing_mm valid max_shear_deg surface_area_mm2 "
    "covered_cavity_area_mm2 cloth_area_mm2 unreached_area_mm2 outline_mm holes_mm edges "
    "wrinkle_zones bridging_zones checks",
    "plies.0.pieces.0.edges.0": "name kind first last allowance_mm",
    "plies.0.pieces.0.wrinkle_zones.0": "area_mm2 max_shear_deg centre_mm",
    "plies.0.pieces.0.checks": "curvature_deg yarn_length closure_mm limits",
    "plies.0.pieces.0.checks.limits": "curvature_deg yarn_length closure_mm",
    "joint.runs.A-B.1": "lap_half build_up overlaps tuck",
    "joint.runs.A-B.1.build_up.0": "from_mm to_mm plies thickness_mm",
    "kit.0": "fabric cloth_area_mm2 roll_length_mm used_fraction mass_g",
    "findings.0": "level where message remedy",
}


def at(content, path):
    if path.startswith("joint.runs."):
        head, tail = content["joint"]["runs"]["A-B.1"], path.removeprefix("joint.runs.A-B.1")
        content, path = head, tail.lstrip(".")
    for part in filter(None, path.split(".")):
        content = content[int(part)] if part.isdigit() else content[part]
    return content


@pytest.mark.parametrize("path", CONTRACT)
def test_every_key_of_the_contract_is_written(path):
    written = json.loads(s.to_json(example()))
    assert set(CONTRACT[path].split()) <= set(at(written, path))


def test_bag_has_the_keys_of_the_contract():
    written = json.loads(s.to_json(example(bag={"lay_flat_mm": 80.0})))
    contract = {"largest_girth_mm": None, "lay_flat_mm": 80.0, "length_mm": None}
    assert written["bag"].items() >= contract.items()


def test_what_was_not_computed_is_null():
    written = json.loads(s.to_json(example()))
    assert written["bag"] is None
    assert written["plies"][0]["mass_g"] is None
    assert written["plies"][0]["pieces"][0]["checks"]["closure_mm"] is None


def test_coordinates_are_rounded_to_a_thousandth_without_negative_zero():
    text = s.to_json(example())
    piece = json.loads(text)["plies"][0]["pieces"][0]
    assert piece["outline_mm"] == [[0.123, 0.0], [10.0, 0.0], [10.0, 5.0]]
    assert piece["start_mm"] == [1.235, 0.0, 3.0]
    assert "-0.0" not in text


def test_committed_schema_is_current():
    assert s.SCHEMA_FILE.read_text(encoding="utf-8") == s.schema()


def test_example_validates_and_strangers_do_not():
    """By jsonschema, against draft 2020-12."""
    schema = json.loads(s.SCHEMA_FILE.read_text(encoding="utf-8"))
    validator = jsonschema.Draft202012Validator(schema)
    validator.check_schema(schema)
    written = json.loads(s.to_json(example()))
    validator.validate(written)
    for change in ({"stranger": 1}, {"format": 2}, {"files": [1]}, {"mould": None}):
        assert list(validator.iter_errors({**written, **change})), change


def test_read_back_is_the_same():
    whole = example()
    back = s.Summary.model_validate_json(s.to_json(whole))
    assert back == whole
    assert s.to_json(back) == s.to_json(whole)


@pytest.mark.parametrize("value", [math.nan, math.inf, -1.0])
def test_numbers_that_cannot_be_are_refused(value):
    with pytest.raises(ValidationError):
        s.KitItem(fabric="twill", mass_g=value)


def test_nan_past_the_models_is_refused():
    kit = s.KitItem.model_construct(fabric="twill", mass_g=math.nan)
    broken = example().model_copy(update={"kit": (kit,)})
    with pytest.raises(ValueError, match="JSON"):
        s.to_json(broken)


def test_models_are_frozen_and_closed():
    with pytest.raises(ValidationError):
        example().title = "other"
    with pytest.raises(ValidationError):
        s.Mouth(name="A", colour="red")


def test_a_point_stays_on_one_line():
    lines = s.to_json(example()).splitlines()
    assert any(line.strip() == "[10.0, 5.0]" for line in lines)
