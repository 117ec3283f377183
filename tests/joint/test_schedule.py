"""Suggested laps and set-backs: do they keep to the wishes, and can none be shorter?"""

import itertools

import numpy as np
import pytest

from drape.errors import InputError
from drape.joint.schedule import suggested_schedule


def greatest_sampled(laps, set_backs, lapping, other):
    """Greatest thickness over places a hundredth of a mm apart, each ply on its own."""
    most = 0.0
    for x in np.arange(-1.0, max(laps) + 1.0, 0.01) + 0.005:
        here = sum(t for lap, t in zip(laps, lapping, strict=True) if x < lap)
        here += sum(t for back, t in zip(set_backs, other, strict=True) if x > back)
        most = max(most, here)
    return most


@pytest.mark.parametrize(
    ("lapping", "other", "limit"),
    [
        ([1, 1, 1], [1, 1, 1], 4),
        ([1, 1, 1], [1, 1, 1], 5),
        ([1, 1, 1], [1, 1, 1], 6),
        ([0.2, 0.5, 0.2, 0.3], [0.3, 0.2, 0.4], 1.6),
        ([0.2, 0.2], [0.3, 0.3, 0.3, 0.2], 1.3),
    ],
)
def test_keeps_to_the_wishes(lapping, other, limit):
    found = suggested_schedule(lapping, other, limit, least_overlap=8.0, stagger=3.0)
    most = greatest_sampled(found.laps, found.set_backs, lapping, other)
    assert most <= limit + 1e-9
    assert most == pytest.approx(found.greatest_mm)
    pairs = min(len(lapping), len(other))
    for lap, back in zip(found.laps[:pairs], found.set_backs[:pairs], strict=True):
        assert lap - back >= 8.0 - 1e-9
    assert (np.diff(found.laps) >= 3.0 - 1e-9).all()
    assert (np.diff(found.set_backs) >= 3.0 - 1e-9).all()
    assert min(found.set_backs) >= 0.0


def test_without_a_limit_it_is_the_common_schedule():
    """Overlap 10, stagger 5: common practice, as in the job's example."""
    found = suggested_schedule([0.25] * 3, [0.25] * 3, 99.0)
    assert found.laps == (10.0, 15.0, 20.0)
    assert found.set_backs == (0.0, 5.0, 10.0)


def test_one_ply_more_than_a_half_puts_the_overlaps_in_a_row():
    found = suggested_schedule([1] * 3, [1] * 3, 4.0)
    assert found.set_backs == (0.0, 10.0, 20.0)
    assert found.laps == (10.0, 20.0, 30.0)


@pytest.mark.parametrize("limit", [1.2, 1.3, 1.4, 1.5, 1.6])
def test_none_is_shorter(limit):
    """Every schedule on a grid of 1 mm that keeps to overlap 3 and stagger 1."""
    lapping, other = (0.2, 0.4, 0.3), (0.3, 0.2, 0.3)
    found = suggested_schedule(lapping, other, limit, least_overlap=3.0, stagger=1.0)
    shortest = np.inf
    for backs in itertools.combinations(range(8), 3):
        for laps in itertools.combinations(range(3, 11), 3):
            wide = all(a - b >= 3 for a, b in zip(laps, backs, strict=True))
            if not wide or max(laps) >= shortest:
                continue
            at = np.append(np.array(backs), -1)[:, None] + 0.5
            thickness = (at < np.array(laps)) @ np.array(lapping)
            thickness = thickness + (at > np.array(backs)) @ np.array(other)
            if thickness.max() <= limit + 1e-9:
                shortest = max(laps)
    assert max(found.laps) == shortest  # 9, 7 or 6: shorter, the more may overlap


@pytest.mark.parametrize(
    ("lapping", "other", "limit", "match"),
    [
        ([1, 1], [1, 1], 2, "keep the joint that thin"),
        ([1, 1], [1, 1, 1, 1], 3.5, "keep the joint that thin"),
        ([1, 1, 1], [1], 2, "one half alone"),
        ([1], [], 4, "both halves"),
        ([1, -1], [1], 4, "positive"),
        ([1], [1], float("nan"), "must be a length"),
    ],
)
def test_wishes_that_contradict_each_other(lapping, other, limit, match):
    with pytest.raises(InputError, match=match):
        suggested_schedule(lapping, other, limit)


@pytest.mark.parametrize("other", [[0.3, 0.2, 0.4], [0.3, 0.2, 0.4, 0.4]])
def test_the_limit_told_is_the_least_that_works(other):
    lapping = [0.2, 0.5, 0.2]
    with pytest.raises(InputError) as error:
        suggested_schedule(lapping, other, 1.0)
    least = float(error.value.limit.split()[0])
    assert suggested_schedule(lapping, other, least).greatest_mm == pytest.approx(least)
    with pytest.raises(InputError):
        suggested_schedule(lapping, other, least - 0.01)
