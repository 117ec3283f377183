"""Compiled kernels that keep the places a net may be grown from, nearest to the start first.

A seed is a node and a way: 0 and 1 along +u and −u, 2 and 3 along ±v. In the heap it is a row
of its distance from the start, mm, and a code that holds both; one row, STOP, stays behind all
others. Lengths in mm.
"""

from __future__ import annotations

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bools3, Bytes1, Ints1, Ints2, local_vector
from drape.geometry.heap import Heap, heap_push
from drape.net.grid import KNOWN, LATER, UNKNOWN, Grid, face_at, state_at

SEED = 2  # numbers in a row of the heap
STOP = -1  # the code behind all others


@kernel
def push_code(heap: Heap, distance: float, code: int) -> None:
    """Enter a seed by its code."""
    row = local_vector(SEED)
    row[0], row[1] = distance, code
    heap_push(heap, row)


@kernel
def code_of(grid: Grid, i: int, j: int, way: int) -> int:
    """Node and way as one number, in the order of (i, j, way)."""
    return (i * grid.v.size + j) * 4 + way


@kernel
def has_unknown(grid: Grid, i: int, j: int) -> bool:
    """Whether one of the four neighbours of a node is UNKNOWN."""
    p, q = grid.u.size, grid.v.size
    return (
        (i > 0 and state_at(grid, i - 1, j) == UNKNOWN)
        or (i < p - 1 and state_at(grid, i + 1, j) == UNKNOWN)
        or (j > 0 and state_at(grid, i, j - 1) == UNKNOWN)
        or (j < q - 1 and state_at(grid, i, j + 1) == UNKNOWN)
    )


@kernel
def is_seed(grid: Grid, level: Ints1, i: int, j: int, way: int) -> bool:
    """Whether a column may be grown from node (i, j): known, needed, the next one UNKNOWN."""
    p, q = grid.u.size, grid.v.size
    if i < 0 or j < 0 or i >= p or j >= q or state_at(grid, i, j) != KNOWN:
        return False
    i2 = i + (1 if way == 0 else (-1 if way == 1 else 0))
    j2 = j + (1 if way == 2 else (-1 if way == 3 else 0))
    if i2 < 0 or j2 < 0 or i2 >= p or j2 >= q or state_at(grid, i2, j2) != UNKNOWN:
        return False
    return level[face_at(grid, i, j)] <= 1


@entry(writes="heap entered")
def push(
    grid: Grid, i0: int, j0: int, heap: Heap, entered: Bools3, i: int, j: int, way: int
) -> None:
    """Enter a seed, nearest to the start first; one that is ``entered`` (p, q, 4) is there
    already. (Two that enter each other's neighbours again and again would fill the heap.)"""
    if entered[i, j, way]:
        return
    entered[i, j, way] = True
    distance = abs(grid.u[i] - grid.u[i0]) + abs(grid.v[j] - grid.v[j0])
    push_code(heap, distance, code_of(grid, i, j, way))


@kernel
def sign(x: int) -> int:
    """1, 0 or −1."""
    return (1 if x > 0 else 0) - (1 if x < 0 else 0)


@kernel
def frontier(
    grid: Grid,
    level: Ints1,
    every: bool,
    i0: int,
    j0: int,
    heap: Heap,
    entered: Bools3,
    i: int,
    j: int,
) -> None:
    """Push node (i, j) wherever a column may be grown from it.

    Unless ``every`` one is wanted, not where its neighbour in the column, nearer to the start,
    is such a seed too: a column is grown over all of a run.
    """
    for way in range(4):
        if not is_seed(grid, level, i, j, way):
            continue
        if way < 2:
            nearer = is_seed(grid, level, i, j - sign(j - j0), way) and j != j0
        else:
            nearer = is_seed(grid, level, i - sign(i - i0), j, way) and i != i0
        if every or not nearer:
            push(grid, i0, j0, heap, entered, i, j, way)


@entry(writes="heap entered")
def push_rest(
    grid: Grid,
    level: Ints1,
    i0: int,
    j0: int,
    heap: Heap,
    entered: Bools3,
    i: int,
    j: int,
    way: int,
) -> None:
    """Push the next seeds along the column of (i, j), to both sides: ``frontier`` left them."""
    p, q = grid.u.size, grid.v.size
    di, dj = (0, 1) if way < 2 else (1, 0)
    for side in (-1, 1):
        a, b = i + side * di, j + side * dj
        while 0 <= a < p and 0 <= b < q and state_at(grid, a, b) == KNOWN:
            if is_seed(grid, level, a, b, way):
                push(grid, i0, j0, heap, entered, a, b, way)
                break
            a, b = a + side * di, b + side * dj


@entry(writes="heap entered")
def frontiers(
    grid: Grid,
    level: Ints1,
    every: bool,
    i0: int,
    j0: int,
    heap: Heap,
    entered: Bools3,
    queue: Ints2,
    last: int,
) -> None:
    """Push what ``frontier`` finds at all known nodes."""
    for k in range(last):
        if has_unknown(grid, queue[k, 0], queue[k, 1]):
            frontier(grid, level, every, i0, j0, heap, entered, queue[k, 0], queue[k, 1])


@entry(writes="state")
def again(state: Bytes1) -> int:
    """Make LATER nodes UNKNOWN again; returns how many there were."""
    count = 0
    for n in range(state.size):
        if state[n] == LATER:
            state[n] = UNKNOWN
            count += 1
    return count
