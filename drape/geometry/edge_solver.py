"""Kernels: the turns of all normals at once, by preconditioned conjugate gradients.

Hestenes & Stiefel's method (common knowledge), preconditioned with each sector's own 2 × 2 block.
All but the leaning to and fro converges within a few rounds. Their number is fixed, so that
the result depends continuously on the mesh, whatever machine or rotation.
"""

from __future__ import annotations

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bytes1, Floats1, Floats2, Floats3, Ints1, Ints32x2
from drape.geometry.fitting import frame

RIDGE = 1e-9  # on the blocks; those of well-placed edges are of the order of 1
CONVERGED = 1e-28  # of the residual's square: rounding is all that is left


@kernel
def times_matrix(ends: Ints32x2, rows: Floats2, x: Floats2, out: Floats2) -> None:
    """Fill ``out`` (s, 2) with the matrix of ``edge_terms.write_equations`` times ``x`` (s, 2)."""
    for i in range(x.shape[0]):
        out[i, 0], out[i, 1] = RIDGE * x[i, 0], RIDGE * x[i, 1]
    for e in range(ends.shape[0]):
        p, q = ends[e, 0], ends[e, 1]
        here = rows[e, 0] * x[p, 0] + rows[e, 1] * x[p, 1]
        there = rows[e, 2] * x[q, 0] + rows[e, 3] * x[q, 1]
        at_p = rows[e, 4] * here + rows[e, 5] * there
        at_q = rows[e, 4] * there + rows[e, 5] * here
        out[p, 0] += at_p * rows[e, 0]
        out[p, 1] += at_p * rows[e, 1]
        out[q, 0] += at_q * rows[e, 2]
        out[q, 1] += at_q * rows[e, 3]


@kernel
def precondition(blocks: Floats2, residual: Floats2, out: Floats2) -> float:
    """Fill ``out`` (s, 2) with the residual over the blocks; returns their product."""
    total = 0.0
    for i in range(residual.shape[0]):
        a, b, c = blocks[i, 0] + RIDGE, blocks[i, 1], blocks[i, 2] + RIDGE
        size = 1.0 / (a * c - b * b)
        x, y = residual[i, 0], residual[i, 1]
        out[i, 0], out[i, 1] = size * (c * x - b * y), size * (a * y - b * x)
        total += out[i, 0] * x + out[i, 1] * y
    return total


@entry(writes="right x work")
def conjugate_gradients(
    ends: Ints32x2,
    rows: Floats2,
    right: Floats2,
    blocks: Floats2,
    rounds: int,
    x: Floats2,
    work: Floats3,
) -> None:
    """Fill ``x`` (s, 2) with the turns, nearly. ``right`` (s, 2) becomes what is left.

    ``rows``, ``right``, ``blocks`` from ``edge_terms.write_equations``; ``work`` (3, s, 2) is
    scratch.
    """
    better, direction, image = work[0], work[1], work[2]
    product = precondition(blocks, right, better)
    least = CONVERGED * product
    for i in range(x.shape[0]):
        for k in range(2):
            x[i, k], direction[i, k] = 0.0, better[i, k]
    for _ in range(rounds):
        if not product > least:
            break
        times_matrix(ends, rows, direction, image)
        along = 0.0
        for i in range(x.shape[0]):
            along += direction[i, 0] * image[i, 0] + direction[i, 1] * image[i, 1]
        step = product / along
        for i in range(x.shape[0]):
            for k in range(2):
                x[i, k] += step * direction[i, k]
                right[i, k] -= step * image[i, k]
        before = product
        product = precondition(blocks, right, better)
        for i in range(x.shape[0]):
            for k in range(2):
                direction[i, k] = better[i, k] + product / before * direction[i, k]


@entry(writes="axes")
def turn_axes(x: Floats2, axes: Floats3) -> None:
    """Turn the normals of ``axes`` (s, 3, 3) by ``x`` (s, 2) of their tangents, in place."""
    for i in range(x.shape[0]):
        a = axes[i]
        nx = a[2, 0] + x[i, 0] * a[0, 0] + x[i, 1] * a[1, 0]
        ny = a[2, 1] + x[i, 0] * a[0, 1] + x[i, 1] * a[1, 1]
        nz = a[2, 2] + x[i, 0] * a[0, 2] + x[i, 1] * a[1, 2]
        size = 1.0 / (nx * nx + ny * ny + nz * nz) ** 0.5
        frame(size * nx, size * ny, size * nz, a)


@entry(writes="ends along lengths uses")
def list_edges(
    points: Floats2,
    start: Ints1,
    neighbour: Ints1,
    used: Ints1,
    ends: Ints32x2,
    along: Floats2,
    lengths: Floats1,
    uses: Bytes1,
) -> int:
    """Fill in edges from adjacency in compressed rows, each once; returns their number.

    ``used`` (k,): how many faces have the edge. Edges without length are left out.
    """
    count = 0
    for p in range(points.shape[0]):
        for j in range(start[p], start[p + 1]):
            q = neighbour[j]
            square = 0.0
            for c in range(3):
                square += (points[q, c] - points[p, c]) ** 2
            if q <= p or square == 0.0:
                continue
            length = square**0.5
            ends[count, 0], ends[count, 1] = p, q
            for c in range(3):
                along[count, c] = (points[q, c] - points[p, c]) / length
            lengths[count] = length
            uses[count] = min(used[j], 100)
            count += 1
    return count


@entry(writes="counts scratch out")
def pool(
    ends: Ints32x2, values: Floats1, rings: int, counts: Floats1, scratch: Floats1, out: Floats1
) -> None:
    """Fill ``out`` (s,) with means of the edges' ``values`` (e,) over some rings round a sector."""
    counts[:] = 0.0
    out[:] = 0.0
    for e in range(ends.shape[0]):
        for end in range(2):
            counts[ends[e, end]] += 1.0
            out[ends[e, end]] += values[e]
    for ring in range(rings):
        if ring > 0:
            out[:] = 0.0
            for e in range(ends.shape[0]):
                both = 0.5 * (scratch[ends[e, 0]] + scratch[ends[e, 1]])
                out[ends[e, 0]] += both
                out[ends[e, 1]] += both
        for i in range(out.shape[0]):
            out[i] /= max(counts[i], 1.0)
            scratch[i] = out[i]
