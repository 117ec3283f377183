"""Meshes that can't be a mould's two halves are named for what they are, first of all."""

import numpy as np
import pytest
from exact.split_tubes import Oval, SplitTube, bend, straight

from drape.errors import InputError
from drape.geometry.surface import build
from drape.mould.mould import find_mould
from drape.mould.plausible import how_apart, refuse_sizes, refuse_twice

BENT = SplitTube(bend(260, 1.2), Oval(), 26, 26)
STRAIGHT = SplitTube(straight(120.0), Oval(), 25.0, 25.0)


def half(name, tube=BENT, **kwargs):
    mesh = tube.mesh(name, "solid", along=60, around=32, **kwargs)
    return mesh.vertices, mesh.faces


def half_turned_end_for_end(tube=BENT):
    vertices, faces = half("upper", tube)
    about = 0.5 * (vertices.min(axis=0) + vertices.max(axis=0))
    return build((vertices - about) * [-1.0, -1.0, 1.0] + about, faces)


@pytest.mark.parametrize("scale", [1.0 / 25.4, 1e-3, 1e3])
def test_units_that_cannot_be(scale):
    vertices, faces = half("lower")
    with pytest.raises(InputError, match="units") as caught:
        refuse_sizes({"lower": build(scale * vertices, faces)})
    assert ('units = "in"' if scale < 1.0 else 'units = "mm"') in caught.value.line()
    assert caught.value.line().startswith("lower: ")


@pytest.mark.parametrize("scale", [25.4, 10.0, 3.1, 1.0 / 10.0])
def test_halves_in_different_units(scale):
    lower, (vertices, faces) = build(*half("lower")), half("upper")
    with pytest.raises(InputError, match="far larger than the other"):
        refuse_sizes({"lower": lower, "upper": build(scale * vertices, faces)})


def test_sizes_of_a_mould_are_right():
    refuse_sizes({"lower": build(*half("lower"))})
    refuse_sizes({h: build(*half(h)) for h in ("lower", "upper")})


@pytest.mark.parametrize("seed", [None, 3])
def test_one_half_under_two_names(seed):
    """From one file, and with its vertices in another order."""
    vertices, faces = half("lower", seed=seed)
    place = np.random.default_rng(1).permutation(len(vertices))
    again = build(vertices[np.argsort(place)], place[faces])
    surfaces = {"lower": build(vertices, faces), "upper": again}
    with pytest.raises(InputError, match="the same half") as caught:
        find_mould(surfaces)
    assert "lower and upper" in caught.value.line()


def test_halves_that_mirror_each_other_are_two():
    refuse_twice({h: build(*half(h, STRAIGHT)) for h in ("lower", "upper")})
    refuse_twice({"lower": build(*half("lower"))})


def test_a_half_that_lies_end_for_end():
    surfaces = {"lower": build(*half("lower")), "upper": half_turned_end_for_end()}
    with pytest.raises(InputError, match="don't meet") as caught:
        find_mould(surfaces)
    assert (
        "turn one half by 180° about the closing direction: the halves lie end for end"
        in caught.value.remedy
    )


def test_a_tapered_half_that_lies_end_for_end():
    """Its line's middle stays where it was: a shift of nothing is no advice."""
    tube = SplitTube(straight(200.0), Oval(), lambda v: 16.0 + 0.06 * v, lambda v: 16.0 + 0.06 * v)
    surfaces = {"lower": build(*half("lower", tube)), "upper": half_turned_end_for_end(tube)}
    with pytest.raises(InputError, match="don't meet") as caught:
        find_mould(surfaces)
    assert "end for end" in caught.value.remedy


def test_a_half_that_lies_beside_the_other():
    vertices, faces = half("upper")
    shift = np.array([0.0, 3.0, 0.0])
    surfaces = {"lower": build(*half("lower")), "upper": build(vertices + shift, faces)}
    with pytest.raises(InputError, match="don't meet") as caught:
        find_mould(surfaces)
    assert "(0, 3, 0) mm beside the first" in caught.value.remedy


@pytest.mark.parametrize(("gap", "refused"), [(0.45, False), (0.55, True), (-0.55, True)])
def test_halves_too_far_open_are_refused_with_the_place(gap, refused):
    """Not taken for halves end for end, which this mould's look like as well."""
    vertices, faces = half("upper", STRAIGHT)
    lifted = build(vertices + np.array([0.0, 0.0, gap]), faces)
    surfaces = {"lower": build(*half("lower", STRAIGHT)), "upper": lifted}
    if not refused:
        assert any("parting lines" in f.text for f in find_mould(surfaces).findings)
        return
    with pytest.raises(InputError, match=r"a gap of 0\.55 mm at A-B") as caught:
        find_mould(surfaces)
    assert "near (" in caught.value.line()
    assert f"(0, 0, {gap}) mm beside the first" in caught.value.remedy


def test_lines_that_nothing_brings_together():
    rng = np.random.default_rng(4)
    first, second = rng.uniform(0, 100, (400, 3)), rng.uniform(0, 100, (60, 3))
    assert "closed position" in how_apart(0.1 * first, second, np.array([0.0, 0.0, 1.0]))
