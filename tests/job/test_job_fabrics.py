"""Fabrics of jobs: with resin, of other kinds, and such as contradict themselves.

By way of ``fabric/composition`` and ``fabric/kinds``, which are tested by themselves beside.
"""

from __future__ import annotations

import pytest
from helpers import errors_of
from job_texts import JOB, replaced


def test_a_fabric_is_worked_out_from_what_is_known(load):
    own = """[fabrics.twill]
weave = "2x2 twill"
prepreg_areal_mass = 350
resin_content = 42
locking_angle = 40
"""
    text = JOB.replace('[fabrics.twill]\nweave = "2x2 twill"\nareal_mass = 200\n'
                       "locking_angle = 45\n", own)  # fmt: skip
    text = text.replace('take = "twill-200"\nareal_mass = 400', 'take = "satin8-370-prepreg"')
    fabrics = load(text).fabrics
    assert fabrics["twill"].areal_mass == pytest.approx(203)
    assert fabrics["twill"].prepreg_areal_mass == pytest.approx(350)
    assert fabrics["heavy"].prepreg_areal_mass == pytest.approx(370 / 0.62)


def test_tape_needs_no_weave(load):
    text = replaced('weave = "2x2 twill"\n', 'kind = "unidirectional"\n')
    fabric = load(text).fabrics["twill"]
    assert (fabric.kind, fabric.weave) == ("unidirectional", "unidirectional")


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ('kind = "knitted"', ["fabrics.twill.kind", "woven, unidirectional, non-crimp"]),
        ("bleed = 1", ["fabrics.twill.bleed", "must be true or false", "allowed: true, false"]),
        ("resin_content = 100", ["resin_content", "percent by mass, more than 0, less than 100"]),
        ("fibre_fraction = 0.95", ["fibre_fraction", "less than 0.907"]),
        ("resin_content = 42\nthickness = 0.15",
         ["fabrics.twill: fabric 'twill' contradicts itself about its fibre_fraction",
          "within 5 % of each other", "leave out"]),
        ("bleed = true\nresin_content = 42", ["fabrics.twill", "how much resin", "add fibre_fr"]),
    ],
)  # fmt: skip
def test_fabrics_that_contradict_themselves(load, line, expected):
    (told,) = errors_of(
        load, replaced("areal_mass = 200\nlocking", f"areal_mass = 200\n{line}\nlocking")
    )
    for words in expected:
        assert words in told
