"""Kinds of arrays. Apart, so that what only names them loads nothing else."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def readonly(array: ArrayLike, dtype: type | None = None) -> NDArray:
    """A read-only, C-ordered copy-if-needed of ``array``."""
    out = np.ascontiguousarray(array, dtype=dtype)
    if out.flags.writeable:
        out = out.copy() if out is array else out
        out.setflags(write=False)
    return out


def owned(array: NDArray) -> NDArray:
    """An array that nobody else holds, made read-only as it is."""
    array.setflags(write=False)
    return array
