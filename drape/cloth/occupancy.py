"""Compiled kernels that keep a net from covering the same surface twice.

A net that grows round a place it can't cover may come back to cloth that is there
already. Nodes are kept in buckets by their place in space; a new node is refused where
one that isn't its neighbour in the grid lies nearer than NEAR cells on the same sheet.

A surface may lie on itself, as where a ply goes round a tube and ends over its own beginning.
Then faces have sheet numbers, which grow along it: by one at most between faces that touch,
by more between what lies on each other.

Lengths in mm.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from drape.compiled import kernel

NEAR = 0.75  # cells: no place inside a square cell is farther than 0.71 from its corners
NEIGHBOURS = 3  # grid steps within which nodes may be near each other
PROBES = 8  # blocks that a cube may be found in
LOW = (1 << 21) - 1  # bits of a coordinate that a key holds; more only means shared buckets
SAME_SHEET = 0.5  # cosine between normals


class Occupancy(NamedTuple):
    """Chained buckets of node numbers (i·q + j), by cubes of twice ``size``.

    Eight buckets make a block of 2 × 2 × 2 cubes, which lie side by side in memory: looking
    round a place then touches few of its lines.

    keys : (h,) int64, the cube that a bucket belongs to, or −1; h is a power of two
    buckets : (h, 5) int32, for each the first node or −1, and the least and greatest i and
        j of its nodes
    following : (p·q,) int32, next node in the same bucket or −1
    size : (1,) float, how near another node may not be, mm
    sheets : (m,) int8, the sheet of each face, or empty where the surface nowhere lies on itself
    """

    keys: np.ndarray
    buckets: np.ndarray
    following: np.ndarray
    size: np.ndarray
    sheets: np.ndarray


@kernel
def make_occupancy(count, size, sheets):
    """Empty buckets for up to ``count`` nodes, none nearer than ``size`` mm on its sheet."""
    many = 1024
    while many < count // 4:
        many *= 2
    return Occupancy(
        np.full(many, -1, np.int64),
        np.full((many, 5), -1, np.int32),
        np.full(count, -1, np.int32),
        np.full(1, size),
        sheets,
    )


@kernel
def bucket(keys, x, y, z):
    """Number of a cube's bucket and its key; the cube is given by its integer coordinates.

    Its own or a free one among PROBES blocks. Where those are full it shares one: then more
    nodes are looked at, and the answer is the same.
    """
    key = (x & LOW) << 42 | (y & LOW) << 21 | (z & LOW)
    corner = (x & 1) * 4 + (y & 1) * 2 + (z & 1)
    block = (x >> 1) * 73856093 ^ (y >> 1) * 19349663 ^ (z >> 1) * 83492791
    mask = keys.shape[0] // 8 - 1
    for k in range(PROBES):
        b = ((block + k) & mask) * 8 + corner
        if keys[b] == key or keys[b] < 0:
            return b, key
    return (block & mask) * 8 + corner, key


@kernel
def add_node(occupancy, grid, i, j):
    """Enter a known node."""
    number = i * grid.state.shape[1] + j
    edge = 2.0 * occupancy.size[0]
    x = int(np.floor(grid.rows[i, j, 0] / edge))
    y = int(np.floor(grid.rows[i, j, 1] / edge))
    z = int(np.floor(grid.rows[i, j, 2] / edge))
    b, key = bucket(occupancy.keys, x, y, z)
    if occupancy.keys[b] < 0:
        occupancy.keys[b] = key
    nodes = occupancy.buckets
    occupancy.following[number] = nodes[b, 0]
    if nodes[b, 0] < 0:
        nodes[b, 1], nodes[b, 2], nodes[b, 3], nodes[b, 4] = i, i, j, j
    else:
        nodes[b, 1], nodes[b, 2] = min(nodes[b, 1], i), max(nodes[b, 2], i)
        nodes[b, 3], nodes[b, 4] = min(nodes[b, 3], j), max(nodes[b, 4], j)
    nodes[b, 0] = number


@kernel
def may_hold_others(nodes, b, i, j):
    """Whether bucket b may hold nodes that aren't neighbours of grid place (i, j)."""
    if nodes[b, 0] < 0:
        return False
    return max(i - nodes[b, 1], nodes[b, 2] - i, j - nodes[b, 3], nodes[b, 4] - j) > NEIGHBOURS


@kernel
def on_one_sheet(sheets, face, other):
    """Whether cloth on two faces near each other would be in each other's way."""
    return sheets.size == 0 or abs(sheets[face] - sheets[other]) <= 1


@kernel
def holds_other(occupancy, grid, first, i, j, row, face):
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
            if (
                gap < size * size
                and along > SAME_SHEET
                and on_one_sheet(occupancy.sheets, face, grid.faces[a, b])
            ):
                return True
        number = occupancy.following[number]
    return False


@kernel
def is_taken(occupancy, grid, i, j, row, face):
    """Whether cloth that isn't next to grid place (i, j) lies where ``row``, on ``face``, is.

    A ball of ``size`` reaches two of the cubes each way. Most buckets round it hold
    neighbours alone, and what they say of their nodes spares looking at them.
    """
    keys, nodes = occupancy.keys, occupancy.buckets
    edge = 2.0 * occupancy.size[0]
    x0, y0 = int(np.floor(row[0] / edge - 0.5)), int(np.floor(row[1] / edge - 0.5))
    z0 = int(np.floor(row[2] / edge - 0.5))
    for x in range(x0, x0 + 2):
        for y in range(y0, y0 + 2):
            for z in range(z0, z0 + 2):
                b, _ = bucket(keys, x, y, z)
                if may_hold_others(nodes, b, i, j) and holds_other(
                    occupancy, grid, nodes[b, 0], i, j, row, face
                ):
                    return True
    return False
