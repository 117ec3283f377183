"""Arrays that nobody may change: copied from whoever may, taken over from nobody."""

from __future__ import annotations

import numpy as np
import pytest

from drape.geometry.arrays import owned, readonly


def test_a_read_only_array_is_the_callers_no_more():
    given = np.arange(6.0).reshape(2, 3)
    kept = readonly(given)
    given[0, 0] = 9.0  # still the caller's to change
    assert kept.tolist() == [[0.0, 1.0, 2.0], [3.0, 4.0, 5.0]]
    with pytest.raises(ValueError, match="read-only"):
        kept[0, 0] = 1.0
    assert readonly(kept) is kept  # nothing to copy


def test_read_only_arrays_are_ordered_and_of_their_type():
    turned = readonly(np.arange(6).reshape(2, 3).T, float)
    assert turned.flags.c_contiguous
    assert turned.dtype == float
    assert turned.tolist() == [[0.0, 3.0], [1.0, 4.0], [2.0, 5.0]]
    assert readonly([1, 2]).tolist() == [1, 2]


def test_an_owned_array_is_the_same_one():
    given = np.zeros(3)
    assert owned(given) is given
    with pytest.raises(ValueError, match="read-only"):
        given[0] = 1.0
