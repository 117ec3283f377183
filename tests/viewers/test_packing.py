"""A scene as JSON and back."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from viewers.scene.packing import packed, unpacked

REAL = st.floats(-1e5, 1e5)


@given(arrays.arrays(float, st.tuples(st.integers(0, 9), st.integers(1, 3)), elements=REAL))
def test_numbers_come_back_to_a_65535th_of_their_extent(values):
    back = unpacked(json.loads(json.dumps(packed(values), allow_nan=False)))
    assert back.shape == values.shape
    if values.size:
        assert np.abs(back - values).max() <= 0.51 * np.ptp(values, axis=0).max() / 65535 + 1e-9


@given(arrays.arrays(np.int64, st.integers(0, 9), elements=st.integers(-5, 100_000)))
def test_indices_come_back_as_they_are(values):
    np.testing.assert_array_equal(unpacked(json.loads(json.dumps(packed(values)))), values)


def test_the_rest_stays_plain():
    scene = {"a": [1, None, "x"], "b": {"c": np.float64(2.5), "d": (True,)}}
    assert unpacked(packed(scene)) == {"a": [1, None, "x"], "b": {"c": 2.5, "d": [True]}}


@pytest.mark.parametrize("value", [np.nan, np.inf])
def test_what_is_no_number_is_refused(value):
    with pytest.raises(ValueError, match="finite"):
        packed(np.array([1.0, value]))
