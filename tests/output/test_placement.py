"""Boxes placed where there is room."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from drape.output import placement
from drape.output.paths import turned_box
from drape.output.placement import Room, readable


@settings(max_examples=100, deadline=None)
@given(
    radii=st.lists(st.floats(5.0, 100.0), min_size=3, max_size=12),
    size=st.tuples(st.floats(1.0, 60.0), st.floats(1.0, 60.0)),
    rotation=st.floats(-1.6, 1.6),
)
def test_placed_box_lies_in_the_area(radii, size, rotation):
    angles = 2 * np.pi * np.arange(len(radii)) / len(radii)
    area = shapely.Polygon(np.array(radii)[:, None] * np.c_[np.cos(angles), np.sin(angles)])
    found = Room(area).place([size], (0.0, 0.0), rotation)
    if found:
        assert area.buffer(1e-9).covers(turned_box(found[1], *size, rotation))


def test_places_are_found_where_they_are_and_as_close_as_can_be():
    """A box of 20 x 10 in a room of 100 x 100 of which the left 60 are taken."""
    room = Room(shapely.box(0, 0, 100, 100))
    room.take(shapely.box(0, 0, 60, 100))
    number, centre = room.place([(50.0, 10.0), (20.0, 10.0)], (0.0, 50.0))
    assert number == 1
    assert centre == pytest.approx((70.0, 50.0), abs=1.0)
    assert room.place([(50.0, 10.0)], (0.0, 50.0)) is None
    assert room.place([(50.0, 10.0)], (0.0, 50.0), np.pi / 2)


def test_a_narrow_pocket_turned_is_found():
    area = turned_box((40.0, -7.0), 62.0, 12.0, 0.7)
    assert Room(area).place([(60.0, 10.0)], (0.0, 0.0), 0.7)
    assert Room(area).place([(60.0, 10.0)], (0.0, 0.0), 0.0) is None


@pytest.mark.parametrize(
    ("given_deg", "wanted_deg"),
    [(0, 0), (45, 45), (90, 90), (-90, 90), (135, -45), (180, 0), (-135, 45), (270, 90)],
)
def test_writing_is_never_upside_down(given_deg, wanted_deg):
    assert np.degrees(readable(np.radians(given_deg))) == pytest.approx(wanted_deg, abs=1e-6)


def test_what_is_free_is_found_once_until_something_is_taken(monkeypatch):
    calls, whole = [], placement._grid
    monkeypatch.setattr(placement, "_grid", lambda area: calls.append(area) or whole(area))
    room = Room(shapely.box(0, 0, 100, 100))
    for size in (150.0, 120.0, 90.0):
        found = room.place([(size, 10.0)], (0.0, 0.0))
    assert (found is None, len(calls)) == (False, 1)
    room.place([(150.0, 10.0)], (0.0, 0.0), 0.3)
    assert len(calls) == 2  # another rotation
    room.take(shapely.box(0, 0, 100, 95))
    assert room.place([(90.0, 10.0)], (0.0, 0.0)) is None  # nothing stale
    assert len(calls) == 3
