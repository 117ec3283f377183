"""The words that kernels' signatures are written in, and small arrays of a kernel's own.

A kernel is a Python function whose arguments and result are annotated with ``int`` (64 bits),
``float`` (64 bits), ``bool``, tuples and NamedTuples of these, and the arrays named here. All
arrays are C-contiguous. One signature a kernel: no other is ever compiled.

    Floats1, Floats2, Floats3     float64, by the number of axes
    Ints1, Ints2, Ints3           int64
    Ints32, Ints32x2              int32, one axis and two
    Bytes1, Bytes2                int8
    Bools1, Bools2, Bools3        bool

Kernels may not allocate: what they write is given to them, and small scratch arrays, whose
size is a constant, come from ``local_vector``, ``local_matrix``, ``local_indices``. They live
in the kernel that asks for them and may not be returned.
"""

from __future__ import annotations

from typing import Annotated, Any, NamedTuple

import numpy as np


class Layout(NamedTuple):
    """Element type and number of axes of an array that a kernel takes."""

    dtype: str
    axes: int


Floats1 = Annotated[np.ndarray, Layout("float64", 1)]
Floats2 = Annotated[np.ndarray, Layout("float64", 2)]
Floats3 = Annotated[np.ndarray, Layout("float64", 3)]
Ints1 = Annotated[np.ndarray, Layout("int64", 1)]
Ints2 = Annotated[np.ndarray, Layout("int64", 2)]
Ints3 = Annotated[np.ndarray, Layout("int64", 3)]
Ints32 = Annotated[np.ndarray, Layout("int32", 1)]
Ints32x2 = Annotated[np.ndarray, Layout("int32", 2)]
Bytes1 = Annotated[np.ndarray, Layout("int8", 1)]
Bytes2 = Annotated[np.ndarray, Layout("int8", 2)]
Bools1 = Annotated[np.ndarray, Layout("bool", 1)]
Bools2 = Annotated[np.ndarray, Layout("bool", 2)]
Bools3 = Annotated[np.ndarray, Layout("bool", 3)]


def local_vector(n: int) -> Any:
    """Scratch (n,) float64; its contents are undefined."""
    return np.empty(n)


def local_matrix(n: int, m: int) -> Any:
    """Scratch (n, m) float64; its contents are undefined."""
    return np.empty((n, m))


def local_indices(n: int) -> Any:
    """Scratch (n,) int64; its contents are undefined."""
    return np.empty(n, np.int64)
