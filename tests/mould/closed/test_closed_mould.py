"""The closed mould is stitched once a side, and measured once a reach."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from exact import shapes

import drape.mould.closed.closed_mould as module
from drape.geometry.surface import build
from drape.mould.closed.closed_mould import closed_mould
from drape.mould.closed.stitched import distance_past, stitch
from drape.mould.mould import find_mould


def half_tube():
    return shapes.trough(25.0, 80.0, 32, 20)


@pytest.fixture(scope="module")
def mould():
    vertices, faces = half_tube()
    halves = {"lower": build(vertices, faces), "upper": build(vertices * [1, -1, -1], faces)}
    return find_mould(halves, closing=[0.0, 0.0, 1.0])


def counted(monkeypatch, name):
    """Calls of a function of the module."""
    calls, whole = [], getattr(module, name)
    monkeypatch.setattr(module, name, lambda *a: calls.append(a) or whole(*a))
    return calls


def test_a_side_is_stitched_once_however_many_threads_ask(mould, monkeypatch):
    calls = counted(monkeypatch, "stitch")
    closed, _ = closed_mould(mould, mould)
    sides = ["lower", "upper"] * 8
    with ThreadPoolExecutor(4) as pool:
        made = list(pool.map(closed.stitched, sides))
    assert len(calls) == 2
    assert len({id(side) for side in made}) == 2
    own, other = (closed.mould.halves[name].region for name in ("upper", "lower"))
    alone = stitch(own, other)
    assert np.array_equal(made[1].surface.vertices, alone.surface.vertices)
    assert np.array_equal(made[1].surface.faces, alone.surface.faces)


def test_distances_are_measured_once_a_side_and_reach(mould, monkeypatch):
    calls = counted(monkeypatch, "distance_past")
    closed, _ = closed_mould(mould, mould)
    asked = [("lower", 20.0), ("upper", 20.0), ("lower", 20.0), ("lower", 30.0), ("upper", 20.0)]
    found = [closed.past(*each) for each in asked]
    assert len(calls) == 3
    for (own, reach), past in zip(asked, found, strict=True):
        assert np.array_equal(past, distance_past(closed.stitched(own), reach))
        assert not past.flags.writeable
    assert np.abs(found[0][np.isfinite(found[0])]).max() <= 20.0
    assert np.abs(found[3][np.isfinite(found[3])]).max() > 29.0


def test_one_half_alone_is_joined_to_nothing():
    alone = find_mould({"lower": build(*half_tube())}, closing=[0.0, 0.0, 1.0])
    closed, told = closed_mould(alone, alone)
    assert (closed.joined, closed.mould, told) == (False, alone, ())
