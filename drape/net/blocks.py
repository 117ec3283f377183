"""A compiled kernel: the largest sum over a block of a grid."""

from __future__ import annotations

from drape.compiling.kernel import entry
from drape.compiling.words import Floats2, Ints1, Ints2


@entry()
def largest_block(total: Floats2, count: Ints2, rows: Ints1, columns: Ints1, stride: int) -> float:
    """Largest |sum| of a whole block with one corner at (rows, columns), the other anywhere.

    ``total``, ``count`` (p, q): sums of values and of how many are valid, over all before a
    place along both axes, at every ``stride``-th place; a block is whole where all in it are.
    """
    worst = 0.0
    for i in range(total.shape[0]):
        for a in rows:
            high = abs(i - a) * stride * stride
            for b in columns:
                sum_b, count_b = total[a, b] - total[i, b], count[a, b] - count[i, b]
                for j in range(total.shape[1]):
                    block = abs(total[i, j] - total[a, j] + sum_b)
                    if block > worst and abs(count[i, j] - count[a, j] + count_b) == high * abs(
                        j - b
                    ):
                        worst = block
    return worst
