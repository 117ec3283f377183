"""Crossed edges are found by their ends, whichever comes first."""

import numpy as np

from drape.mould.cutting import Crossings


def test_crossings_by_edge():
    ends = np.array([[0, 3], [0, 7], [2, 5]])
    crossings = Crossings(ends, np.zeros((3, 3)), np.zeros(3), 8)
    start, end = np.array([[3, 7, 0], [5, 2, 7]]), np.array([[0, 0, 5], [2, 3, 6]])
    assert crossings.on(start, end).tolist() == [[0, 1, -1], [2, -1, -1]]
    known = crossings.index()
    for (a, b), number in known.items():
        assert crossings.on(np.array([b]), np.array([a])).tolist() == [number]


def test_no_crossings():
    none = Crossings(np.empty((0, 2), int), np.empty((0, 3)), np.empty(0), 8)
    assert none.on(np.array([1]), np.array([2])).tolist() == [-1]
