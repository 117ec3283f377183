"""Smooth edges between fitted normals: the boundary curves of curved PN triangles.

Vlachos, Peters, Boyd & Mitchell 2001, key ``vlachos2001``. Lengths in mm.
"""

from __future__ import annotations

import numpy as np

from drape.geometry.surface import Floats, unit

NEWTON_STEPS = 12


def edge_cubic(p: Floats, q: Floats, np_: Floats, nq: Floats) -> Floats:
    """(e, 4, 3) control points of smooth edges from ``p`` to ``q`` (e, 3).

    ``np_`` and ``nq`` (e, 2, 3): the normals at the ends on the two sides of the edge.
    Where they differ (a crease) the curve leaves along the crease.
    """
    return np.stack([p, p + _leave(q - p, np_), q + _leave(p - q, nq), q], axis=1)


def _leave(chord: Floats, normals: Floats) -> Floats:
    """A third of the chord, laid into the tangent plane or along the crease."""
    first, second = normals[:, 0], normals[:, 1]
    along = np.cross(first, second)
    sharp = np.linalg.norm(along, axis=1) > 0.1
    middle = unit(first + second)
    smooth = chord - np.einsum("ei,ei->e", chord, middle)[:, None] * middle
    along = unit(along)
    crease = np.einsum("ei,ei->e", chord, along)[:, None] * along
    return np.where(sharp[:, None], crease, smooth) / 3.0


def cubic_point(control: Floats, u: Floats) -> Floats:
    """(e, 3) points of cubics (e, 4, 3) at parameters (e,)."""
    v = 1.0 - u
    weights = np.stack([v**3, 3 * u * v**2, 3 * u**2 * v, u**3], axis=1)
    return np.einsum("ek,eki->ei", weights, control)


def crossing_parameter(heights: Floats) -> Floats:
    """(e,) where cubics with control heights (e, 4), of opposite sign at their ends, are 0.

    Newton's method from the chord's crossing, kept within a shrinking bracket.
    """
    low, high = np.zeros(len(heights)), np.ones(len(heights))
    rising = heights[:, 3] > heights[:, 0]
    u = heights[:, 0] / (heights[:, 0] - heights[:, 3])
    d = 3 * np.diff(heights, axis=1)
    for _ in range(NEWTON_STEPS):
        v = 1 - u
        value = np.einsum(
            "ek,ek->e", heights, np.stack([v**3, 3 * u * v**2, 3 * u**2 * v, u**3], 1)
        )
        slope = np.einsum("ek,ek->e", d, np.stack([v**2, 2 * u * v, u**2], 1))
        before = (value < 0) == rising
        low, high = np.where(before, u, low), np.where(before, high, u)
        step = u - value / np.where(slope == 0, 1e-300, slope)
        u = np.where((step > low) & (step < high), step, (low + high) / 2)
    return u


def edge_normal(p: Floats, q: Floats, np_: Floats, nq: Floats, u: Floats) -> Floats:
    """(e, 3) unit normals along smooth edges: the quadratic of PN triangles."""
    chord = q - p
    square = np.maximum((chord**2).sum(axis=1), 1e-300)
    both = np_ + nq
    lean = 2.0 * np.einsum("ei,ei->e", chord, both) / square
    middle = unit(both - lean[:, None] * chord)
    u = u[:, None]
    return unit((1 - u) ** 2 * np_ + u * (1 - u) * 2 * middle + u**2 * nq)


def one_edge_normal(p: Floats, q: Floats, np_: Floats, nq: Floats, u: float) -> Floats:
    """(3,) normal along one edge; see ``edge_normal``."""
    return edge_normal(p[None], q[None], np_[None], nq[None], np.array([u]))[0]
