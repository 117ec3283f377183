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
    """Chained buckets of node numbers (i·q + j).

    head : (h,) int, first node of a bucket or −1; h is a power of two
    following : (p·q,) int, next node in the same bucket or −1
    size : (1,) float, edge of the cubes that share a bucket, mm
    """

    head: np.ndarray
    following: np.ndarray
    size: np.ndarray


@kernel
def make_occupancy(count, size):
    """Empty buckets for up to ``count`` nodes, cubes of ``size`` mm."""
    buckets = 1024
    while buckets < count // 2:
        buckets *= 2
    return Occupancy(np.full(buckets, -1, np.int64), np.full(count, -1, np.int64), np.full(1, size))


@kernel
def bucket(occupancy, x, y, z):
    """Bucket of a cube given by its integer coordinates."""
    mixed = x * 73856093 ^ y * 19349663 ^ z * 83492791
    return mixed & (occupancy.head.size - 1)


@kernel
def add_node(occupancy, grid, i, j):
    """Enter a known node."""
    number = i * grid.state.shape[1] + j
    size = occupancy.size[0]
    row = grid.rows[i, j]
    b = bucket(
        occupancy,
        int(np.floor(row[0] / size)),
        int(np.floor(row[1] / size)),
        int(np.floor(row[2] / size)),
    )
    occupancy.following[number] = occupancy.head[b]
    occupancy.head[b] = number


@kernel
def is_taken(occupancy, grid, i, j, row):
    """Whether cloth that isn't next to grid place (i, j) lies where ``row`` is."""
    size = occupancy.size[0]
    q = grid.state.shape[1]
    x0, y0, z0 = int(np.floor(row[0] / size)), int(np.floor(row[1] / size)), 0
    z0 = int(np.floor(row[2] / size))
    for x in range(x0 - 1, x0 + 2):
        for y in range(y0 - 1, y0 + 2):
            for z in range(z0 - 1, z0 + 2):
                number = occupancy.head[bucket(occupancy, x, y, z)]
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
