"""Normals of a whole surface from its edges, with the local quadrics' where these do as well.

Quadrics need vertices all round. A CAD kernel's tessellation has long slivers, and no vertex inside
a ruled or flat face: there five unknowns stand against vertices on two lines, and over a
tangent join a quadric is tilted. Edges hold everywhere (``edge_terms``), but pass the vertices'
noise on, which a quadric over two rings averages. So each sector is given what fits: the
quadric's normal where it satisfies the edges nearly as well as the edges' own solution.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drape.compiling.kernel import entry
from drape.compiling.words import Floats2, Ints2, local_vector
from drape.geometry.arrays import Bools, Floats, Ints
from drape.geometry.edge_solver import conjugate_gradients, list_edges, pool, turn_axes
from drape.geometry.edge_terms import fit_forms, misfits, set_axes, write_equations

ROUNDS = 6  # of Gauss and Newton's method
PLAIN = 2  # of them without the curvatures' change, which needs fair curvatures
STEPS = 20  # of conjugate gradients a round
RINGS = 4  # round a sector, over which misfits are compared
NEAR, FAR = 1.4, 1.9  # times the edges' misfit: quadrics are taken below, not taken past it
FIRM = 0.01  # smallest pivot of a quadric: not taken below (even meshes: 0.03 at the least)
COUNTED = 0.1  # roundings of coordinates: where both miss by less they are equally good
FLOAT32 = 0.6 * 2.0**-24  # standard deviation of a coordinate's rounding, of its size
DIGITS = range(2, 7)  # decimals that text files are written with
OF_DIGIT = 0.29  # standard deviation of rounding, of the last digit (1/√12)
LOOKED_AT = 2000  # vertices, for the digits


class Edges(NamedTuple):
    """Edges of the smooth surface, each once; creases part them, as they part sectors.

    ends (e, 2) sectors, along (e, 3) unit, lengths (e,) mm, uses (e,) faces that have it
    """

    ends: NDArray[np.int32]
    along: Floats
    lengths: Floats
    uses: NDArray[np.int8]


@entry(writes="normals")
def add_corner_normals(points: Floats2, sectors: Ints2, normals: Floats2) -> None:
    """Add each facet's normal, weighted with its angle there, to its sectors' (s, 3)."""
    side, n = local_vector(9), local_vector(3)
    for f in range(sectors.shape[0]):
        for k in range(3):
            p, q = sectors[f, k], sectors[f, (k + 1) % 3]
            for c in range(3):
                side[3 * k + c] = points[q, c] - points[p, c]
        for c in range(3):
            a, b = (c + 1) % 3, (c + 2) % 3
            n[c] = side[a] * side[3 + b] - side[b] * side[3 + a]
        size = np.sqrt(n[0] * n[0] + n[1] * n[1] + n[2] * n[2])
        if size == 0.0:
            continue
        for k in range(3):
            before, after = 3 * ((k + 2) % 3), 3 * k
            dot = 0.0
            for c in range(3):
                dot -= side[before + c] * side[after + c]
            angle = np.arctan2(size, dot)
            for c in range(3):
                normals[sectors[f, k], c] += angle * n[c] / size


def rounding_of(points: Floats) -> float:
    """Standard deviation of coordinates' rounding, mm, of (n, 3) points as a file gave them.

    At least that of 32-bit numbers (binary files); a text file's where all coordinates
    have the same few decimals.
    """
    least = FLOAT32 * float(np.sqrt((points**2).sum(axis=1).max(initial=0.0)))
    some = points[:: max(1, len(points) // LOOKED_AT)]
    for digits in DIGITS:
        scaled = some * 10.0**digits
        off = float(np.abs(scaled - np.round(scaled)).max(initial=0.0))
        blur = 4.0 * least * 10.0**digits  # what 32 bits leave of the decimals
        if off <= 1e-6 or off <= blur <= 0.1:
            return max(least, OF_DIGIT * 10.0**-digits)
    return least


def edges_of(points: Floats, start: Ints, neighbour: Ints, used: Ints) -> Edges:
    """The edges from adjacency in compressed rows; ``used`` (k,) counts faces that have each."""
    most = len(neighbour) // 2
    ends, along = np.empty((most, 2), np.int32), np.empty((most, 3))
    lengths, uses = np.empty(most), np.empty(most, np.int8)
    e = list_edges(points, start, neighbour, used, ends, along, lengths, uses)
    return Edges(ends[:e], along[:e], lengths[:e], uses[:e])


def _across(edges: Edges, count: int) -> NDArray[np.int8]:
    """(e,) 1 for edges inside the surface both of whose ends lie on its rim."""
    rim = np.zeros(count, bool)
    rim[edges.ends[edges.uses == 1]] = True
    inner: Bools = (edges.uses > 1) & rim[edges.ends].all(axis=1)
    return inner.astype(np.int8)


def solve_edges(edges: Edges, normals: Floats, rounding: float) -> Floats:
    """Normals (s, 3) from the edges alone, beginning with unit ``normals`` (s, 3)."""
    e, s = len(edges.ends), len(normals)
    axes, forms, sums = np.empty((s, 3, 3)), np.empty((s, 3)), np.empty((s, 6))
    rows, right, blocks = np.empty((e, 6)), np.empty((s, 2)), np.empty((s, 3))
    x, work = np.empty((s, 2)), np.empty((3, s, 2))
    lines, across = edges[:3], _across(edges, s)
    set_axes(normals, axes)
    for k in range(ROUNDS):
        fit_forms(*lines, axes, sums, forms)
        write_equations(*lines, across, rounding, k >= PLAIN, axes, forms, rows, right, blocks)
        conjugate_gradients(edges.ends, rows, right, blocks, STEPS, x, work)
        turn_axes(x, axes)
    return np.ascontiguousarray(axes[:, 2])


def _judged(edges: Edges, normals: Floats) -> tuple[Floats, Floats]:
    """Mean square, mm², by which ``normals`` (s, 3) miss the edges round a sector; forms (s, 3)."""
    s = len(normals)
    axes, forms, sums = np.empty((s, 3, 3)), np.empty((s, 3)), np.empty((s, 6))
    values, out = np.empty(len(edges.ends)), np.empty(s)
    set_axes(normals, axes)
    fit_forms(*edges[:3], axes, sums, forms)
    misfits(*edges[:3], axes, forms, values)
    pool(edges.ends, values, RINGS, np.empty(s), np.empty(s), out)
    return out, forms


def _principal(forms: Floats) -> Floats:
    """(s, 2) principal curvatures of second fundamental forms (s, 3), the smaller first."""
    mean = 0.5 * (forms[:, 0] + forms[:, 2])
    spread = np.hypot(0.5 * (forms[:, 0] - forms[:, 2]), forms[:, 1])
    return np.stack([mean - spread, mean + spread], 1)


def refine(
    points: Floats, sectors: Ints, edges: Edges, quadrics: Floats, bends: Floats, firm: Floats
) -> tuple[Floats, Floats]:
    """Normals (s, 3) and curvatures (s, 2), 1/mm, from edges and quadrics together.

    Parameters
    ----------
    points : (s, 3), mm
    sectors : (m, 3) int, of each face
    edges : Edges
    quadrics, bends : (s, 3) unit normals and (s, 2) curvatures of the local quadrics
        Kept where they satisfy the edges as well, and where nothing else is known.
    firm : (s,), smallest pivot of the quadrics' equations
        Those through two rows of vertices are left out: normals that lean along the slivers, one
        way on one row and the other way on the other, satisfy the edges too.
    """
    begun = np.zeros(points.shape)
    add_corner_normals(points, sectors, begun)
    size = np.linalg.norm(begun, axis=1)
    known = size > 0.0
    begun[~known], size[~known] = [0.0, 0.0, 1.0], 1.0
    rounding = rounding_of(points)
    normals = solve_edges(edges, begun / size[:, None], rounding)
    least = (COUNTED * rounding) ** 2 + 1e-300
    quadrics = np.where(known[:, None], quadrics, begun)
    theirs, (ours, forms) = _judged(edges, quadrics)[0], _judged(edges, normals)
    ratio = np.sqrt((theirs + least) / (ours + least))
    share = np.clip((FAR - ratio) / (FAR - NEAR), 0.0, 1.0)
    trusted = np.clip(firm / FIRM - 1.0, 0.0, 1.0)
    share *= trusted
    share = np.where(known & np.isfinite(ratio), share, 1.0)[:, None]
    mixed = normals + share * (quadrics - normals)
    length = np.linalg.norm(mixed, axis=1, keepdims=True)
    out = np.where(share < 1.0, mixed / np.maximum(length, 1e-300), quadrics)
    curvatures = _principal(forms)
    return out, curvatures + trusted[:, None] * (bends - curvatures)
