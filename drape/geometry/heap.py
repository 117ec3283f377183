"""Compiled kernels: a binary heap of rows of numbers, the least row first.

Rows are compared like tuples, from their first number on, so that the order in which they
come out doesn't depend on how they went in. Whoever makes a heap gives it its room; kernels
can't enlarge it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Floats1, Floats2, Ints1
from drape.geometry.walk import copy


class Heap(NamedTuple):
    """Rows (room, w) float64, of which the first ``used[0]`` hold something.

    used (2,): that, and how many rows there was no room for.
    """

    rows: Floats2
    used: Ints1


def make_heap(room: int, width: int) -> Heap:
    """An empty heap for up to ``room`` rows of ``width`` numbers; memory is used as it fills."""
    return Heap(np.empty((room, width)), np.zeros(2, np.int64))


def enlarged(heap: Heap) -> Heap:
    """The same heap with twice the room."""
    rows = np.empty((2 * len(heap.rows), heap.rows.shape[1]))
    n = int(heap.used[0])
    rows[:n] = heap.rows[:n]
    return Heap(rows, heap.used)


def check_room(heap: Heap) -> None:
    """Raise where rows were lost for want of room: a fault of whoever made the heap."""
    if heap.used[1]:
        raise RuntimeError(f"{heap.used[1]} rows had no room in a heap of {len(heap.rows)}")


@kernel
def before(a: Floats1, b: Floats1) -> bool:
    """Whether row ``a`` (w,) comes before row ``b`` (w,)."""
    for c in range(a.size):
        if a[c] != b[c]:
            return a[c] < b[c]
    return False


@entry(writes="heap")
def heap_push(heap: Heap, row: Floats1) -> None:
    """Add ``row`` (w,); where there is no room ``used[1]`` counts it, see ``check_room``."""
    rows = heap.rows
    i = heap.used[0]
    if i >= rows.shape[0]:
        heap.used[1] += 1
        return
    heap.used[0] = i + 1
    while i > 0:
        parent = (i - 1) >> 1
        if not before(row, rows[parent]):
            break
        copy(rows[parent], rows[i])
        i = parent
    copy(row, rows[i])


@entry(writes="heap row")
def heap_pop(heap: Heap, row: Floats1) -> None:
    """Take the least row out, into ``row`` (w,); there has to be one."""
    rows = heap.rows
    copy(rows[0], row)
    n = heap.used[0] - 1
    heap.used[0] = n
    last, i = rows[n], 0
    while 2 * i + 1 < n:
        child = 2 * i + 1
        if child + 1 < n and before(rows[child + 1], rows[child]):
            child += 1
        if not before(rows[child], last):
            break
        copy(rows[child], rows[i])
        i = child
    copy(last, rows[i])
