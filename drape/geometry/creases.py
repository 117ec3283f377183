"""Creases: edges where the facets say that the surface isn't smooth.

A facet's normal is off the surface's by its circumradius × the surface's curvature, and an obtuse
sliver (a *cap*, its three vertices nearly in line) has a circumradius many times its length: over
0.02 mm it may turn by 60° where the surface is smooth. So a cap is taken to lie as the facet
beside it does, the one whose normal is nearest to its own. What is a crease is then decided by
facets that can be trusted, on whose two sides all caps lie: creases have no gaps there, and lie no
farther off than a cap is high.

Angles in radians, lengths in mm.
"""

from __future__ import annotations

from heapq import heappop, heappush

import numpy as np

from drape.geometry.arrays import Bools, Floats, Ints

CAP = np.radians(165.0)  # angle in a facet past which its normal isn't trusted


def find_creases(
    vertices: Floats, faces: Ints, normals: Floats, neighbours: Ints, angle: float
) -> Bools:
    """(m, 3) whether the facets on the two sides of an edge turn by more than ``angle``.

    Parameters
    ----------
    normals : (m, 3) unit facet normals, 0 where there is no area
    neighbours : (m, 3) face across each edge, −1 where there is none
    """
    unsure = _caps(vertices, faces, normals)
    if unsure.any():
        normals = _settled(normals, neighbours, unsure)
    dots = np.einsum("fi,fki->fk", normals, normals[neighbours])
    return np.asarray((neighbours >= 0) & (dots < np.cos(angle)))


def _caps(vertices: Floats, faces: Ints, normals: Floats) -> Bools:
    """(m,) facets whose normals aren't trusted."""
    corners = vertices[faces]
    square = np.sort(((np.roll(corners, -1, axis=1) - corners) ** 2).sum(axis=2), axis=1)
    short, middle, long = square.T
    obtuse = short + middle - long < 2.0 * np.cos(CAP) * np.sqrt(short * middle)
    return np.asarray(obtuse | ~normals.any(axis=1))


def _settled(normals: Floats, neighbours: Ints, unsure: Bools) -> Floats:
    """Normals (m, 3) in which the unsure ones are a neighbour's, the nearest pair of all first."""
    out, known = normals.copy(), ~unsure
    heap: list[tuple[float, int, int]] = []

    def offer(face: int) -> None:
        for other in neighbours[face].tolist():
            if other >= 0 and not known[other]:
                heappush(heap, (-float(normals[other] @ out[face]), other, face))

    for face in np.unique(neighbours[unsure]).tolist():
        if face >= 0 and known[face]:
            offer(face)
    while heap:
        _, face, source = heappop(heap)
        if not known[face]:
            known[face], out[face] = True, out[source]
            offer(face)
    return out
