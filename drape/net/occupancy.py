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

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bytes1, Floats1, Ints1, Ints2, Ints32, Ints32x2
from drape.net.grid import Grid

NEAR = 0.75  # cells: no place inside a square cell is farther than 0.71 from its corners
NEIGHBOURS = 3  # grid steps within which nodes may be near each other
PROBES = 8  # blocks that a cube may be found in
LOW = (1 << 21) - 1  # bits of a coordinate that a key holds; more only means shared buckets
SAME_SHEET = 0.5  # cosine between normals


class Occupancy(NamedTuple):
    """Chained buckets of node numbers, by cubes of twice ``size``.

    Eight buckets make a block of 2 × 2 × 2 cubes, which lie side by side in memory: looking
    round a place then touches few of its lines.

    keys : (h,) int64, the cube that a bucket belongs to, or −1; h is a power of two
    buckets : (h, 5) int32, for each the first node or −1, and the least and greatest row
        and place in the row of its nodes, see ``place_of``
    following : (p·q,) int32, next node in the same bucket or −1
    size : (1,) float, how near another node may not be, mm
    sheets : (m,) int8, the sheet of each face, or empty where the surface nowhere lies on itself
    """

    keys: Ints1
    buckets: Ints32x2
    following: Ints32
    size: Floats1
    sheets: Bytes1


def make_occupancy(count: int, size: float, sheets: np.ndarray) -> Occupancy:
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
def bucket(keys: Ints1, x: int, y: int, z: int) -> tuple[int, int]:
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
def place_of(grid: Grid, n: int) -> tuple[int, int]:
    """Row and place in the row of a node in memory: (i, j), or (j, i) of a swapped grid."""
    q = max(grid.along_u, grid.along_v)
    return n // q, n % q


@entry(writes="occupancy")
def add_node(occupancy: Occupancy, grid: Grid, n: int) -> None:
    """Enter known node number ``n``."""
    i, j = place_of(grid, n)
    edge = 2.0 * occupancy.size[0]
    x = int(np.floor(grid.rows[n, 0] / edge))
    y = int(np.floor(grid.rows[n, 1] / edge))
    z = int(np.floor(grid.rows[n, 2] / edge))
    b, key = bucket(occupancy.keys, x, y, z)
    if occupancy.keys[b] < 0:
        occupancy.keys[b] = key
    nodes = occupancy.buckets
    occupancy.following[n] = nodes[b, 0]
    if nodes[b, 0] < 0:
        nodes[b, 1], nodes[b, 2], nodes[b, 3], nodes[b, 4] = i, i, j, j
    else:
        nodes[b, 1], nodes[b, 2] = min(nodes[b, 1], i), max(nodes[b, 2], i)
        nodes[b, 3], nodes[b, 4] = min(nodes[b, 3], j), max(nodes[b, 4], j)
    nodes[b, 0] = n


@entry(writes="occupancy")
def add_nodes(occupancy: Occupancy, grid: Grid, queue: Ints2, last: int) -> None:
    """Enter the nodes (i, j) that are the first ``last`` of ``queue`` (k, 2)."""
    for k in range(last):
        add_node(occupancy, grid, queue[k, 0] * grid.along_u + queue[k, 1] * grid.along_v)


@kernel
def may_hold_others(nodes: Ints32x2, b: int, i: int, j: int) -> bool:
    """Whether bucket b may hold nodes that aren't neighbours of place (i, j)."""
    if nodes[b, 0] < 0:
        return False
    return max(i - nodes[b, 1], nodes[b, 2] - i, j - nodes[b, 3], nodes[b, 4] - j) > NEIGHBOURS


@kernel
def on_one_sheet(sheets: Bytes1, face: int, other: int) -> bool:
    """Whether cloth on two faces near each other would be in each other's way."""
    return sheets.size == 0 or abs(sheets[face] - sheets[other]) <= 1


@kernel
def holds_other(
    occupancy: Occupancy, grid: Grid, first: int, i: int, j: int, row: Floats1, face: int
) -> bool:
    """Whether a bucket, from node ``first`` on, holds one near ``row`` but not next to (i, j)."""
    size = occupancy.size[0]
    number = first
    while number >= 0:
        a, b = place_of(grid, number)
        other = grid.rows[number]
        if max(abs(a - i), abs(b - j)) > NEIGHBOURS:
            gap = along = 0.0
            for c in range(3):
                gap += (row[c] - other[c]) ** 2
                along += row[3 + c] * other[3 + c]
            if (
                gap < size * size
                and along > SAME_SHEET
                and on_one_sheet(occupancy.sheets, face, grid.faces[number])
            ):
                return True
        number = occupancy.following[number]
    return False


@entry()
def is_taken(occupancy: Occupancy, grid: Grid, n: int, row: Floats1, face: int) -> bool:
    """Whether cloth that isn't next to node ``n`` lies where ``row``, on ``face``, is.

    A ball of ``size`` reaches two of the cubes each way. Most buckets round it hold
    neighbours alone, and what they say of their nodes spares looking at them.
    """
    i, j = place_of(grid, n)
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
