"""Compiled kernels that keep a net from covering the same surface twice.

A net that grows round a place it can't cover may come back to cloth that is there
already. Nodes are kept in buckets by their place in space; a new node is refused where
one that isn't its neighbour in the grid lies nearer than NEAR cells on the same sheet.

Lengths in mm.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drape.compiled import kernel

NEAR = 0.75  # cells: no place inside a square cell is farther than 0.71 from its corners
NEIGHBOURS = 3  # grid steps within which nodes may be near each other
SAME_SHEET = 0.5  # cosine between normals


class Occupancy(NamedTuple):
    """Chained buckets of node numbers (i·q + j), by cubes of twice ``size``.

    buckets : (h, 5) int32, for each the first node or −1, and the least and greatest i and
        j of its nodes; h is a power of two
    following : (p·q,) int32, next node in the same bucket or −1
    size : (1,) float, how near another node may not be, mm
    """

    buckets: np.ndarray
    following: np.ndarray
    size: np.ndarray


@kernel
def make_occupancy(count, size):
    """Empty buckets for up to ``count`` nodes, none nearer than ``size`` mm."""
    many = 1024
    while many < count // 4:
        many *= 2
    buckets = np.full((many, 5), -1, np.int32)
    return Occupancy(buckets, np.full(count, -1, np.int32), np.full(1, size))


@kernel
def bucket(occupancy, x, y, z):
    """Bucket of a cube given by its integer coordinates."""
    mixed = x * 73856093 ^ y * 19349663 ^ z * 83492791
    return occupancy.buckets[mixed & (occupancy.buckets.shape[0] - 1)]


@kernel
def add_node(occupancy, grid, i, j):
    """Enter a known node."""
    number = i * grid.state.shape[1] + j
    edge = 2.0 * occupancy.size[0]
    row = grid.rows[i, j]
    b = bucket(
        occupancy,
        int(np.floor(row[0] / edge)),
        int(np.floor(row[1] / edge)),
        int(np.floor(row[2] / edge)),
    )
    occupancy.following[number] = b[0]
    if b[0] < 0:
        b[1], b[2], b[3], b[4] = i, i, j, j
    else:
        b[1], b[2], b[3], b[4] = min(b[1], i), max(b[2], i), min(b[3], j), max(b[4], j)
    b[0] = number


@kernel
def may_hold_others(b, i, j):
    """Whether a bucket may hold nodes that aren't neighbours of grid place (i, j)."""
    if b[0] < 0:
        return False
    return max(i - b[1], b[2] - i, j - b[3], b[4] - j) > NEIGHBOURS


@kernel
def holds_other(occupancy, grid, first, i, j, row):
    """Whether a bucket, from node ``first`` on, holds one near ``row`` but not next to (i, j)."""
    size, q = occupancy.size[0], grid.state.shape[1]
    number = first
    while number >= 0:
        a, b = number // q, number % q
        other = grid.rows[a, b]
        if max(abs(a - i), abs(b - j)) > NEIGHBOURS:
            gap = along = 0.0
            for c in range(3):
                gap += (row[c] - other[c]) ** 2
                along += row[3 + c] * other[3 + c]
            if gap < size * size and along > SAME_SHEET:
                return True
        number = occupancy.following[number]
    return False


@kernel
def is_taken(occupancy, grid, i, j, row):
    """Whether cloth that isn't next to grid place (i, j) lies where ``row`` is.

    A ball of ``size`` reaches two of the cubes each way. Most buckets round it hold
    neighbours alone, and what they say of their nodes spares looking at them.
    """
    edge = 2.0 * occupancy.size[0]
    x0, y0 = int(np.floor(row[0] / edge - 0.5)), int(np.floor(row[1] / edge - 0.5))
    z0 = int(np.floor(row[2] / edge - 0.5))
    for x in range(x0, x0 + 2):
        for y in range(y0, y0 + 2):
            for z in range(z0, z0 + 2):
                b = bucket(occupancy, x, y, z)
                if may_hold_others(b, i, j) and holds_other(occupancy, grid, b[0], i, j, row):
                    return True
    return False
