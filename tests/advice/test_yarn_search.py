"""The steps of the search for the yarns, on a landscape that is known: a difference that grows
evenly with the distance from one place and the angle from one angle. Tries out advice/yarn_search
and advice/yarn_trials.
"""

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
from draped import place, sheet
from exact import shapes

from drape.advice.yarn_search import NEAREST, REPORTED, search_start
from drape.advice.yarn_trials import Search, Tried
from drape.joint.yarn_match import wrapped
from drape.layup.start_places import place_of
from drape.layup.starts import spread_starts
from drape.mould.centre import centre

R = 25.0
SLOPE = np.radians(0.5)  # of the difference, a mm
BEST_ANGLE = np.radians(38.4)  # between the angles of coarse nets
BEST_PLACE = np.array([21.0, -6.0])  # along the axis and round it, mm


@pytest.fixture(scope="module")
def region():
    return sheet(shapes.trough(R, 120.0, 32, 40))


@dataclass(frozen=True, eq=False)
class Known(Search):
    """Measures by the landscape; nets and pieces alike."""

    def _known(self, start, angle):
        x, y, z = start.at
        away = np.linalg.norm([x, R * np.arctan2(y, -z)] - BEST_PLACE)
        off = abs(float(wrapped(np.array(angle - BEST_ANGLE), np.pi)))
        return Tried(start, angle, mean=SLOPE * away + off, greatest=1.0, shear=0.3, missed=0.0)

    def drape(self, start, angle, spacing):
        return self._known(start, angle)

    def make(self, start, angle):
        return self._known(start, angle)

    def as_given(self, angle):
        return self._known(self.start(self.piece.options.start, given=True), angle)


def found(region, more=()):
    """The best one's distance from the best place, mm, and angle from the best angle."""
    piece = SimpleNamespace(
        region=region,
        options=SimpleNamespace(spacing=2.0, start=centre(region)),
        assessment=SimpleNamespace(surface_area=9000.0),
    )
    search = Known(
        piece=piece, fixed=(), goal="running-through", alike=False, locking=0.8,
        zero=lambda at: np.array([1.0, 0.0, 0.0]), made=None,
    )  # fmt: skip
    best = search_start(search, spread_starts(region, 12), 0.0, more).best
    x, y, z = best.start.at
    away = np.linalg.norm([x, R * np.arctan2(y, -z)] - BEST_PLACE)
    return away, np.degrees(wrapped(np.array(best.angle - BEST_ANGLE), np.pi))


def test_the_place_is_moved_to_and_the_angle_refined(region):
    starts = spread_starts(region, 12)
    at = np.array([place_of(region.surface, p)[0] for p in starts.places])
    flat = np.stack([at[:, 0], R * np.arctan2(at[:, 1], -at[:, 2])], axis=1)
    assert np.linalg.norm(flat - BEST_PLACE, axis=1).min() > 3.0 * NEAREST
    away, turned = found(region)
    assert away <= NEAREST
    assert abs(turned) <= REPORTED


def test_a_further_place_is_tried(region):
    x, turn = BEST_PLACE[0], BEST_PLACE[1] / R
    there = place(region, [x, R * np.sin(turn), -R * np.cos(turn)])
    away, turned = found(region, more=[there])
    assert away <= 2.0 * REPORTED  # as told, and the facets
    assert abs(turned) <= REPORTED
