"""Exact surfaces as triangle meshes, for tests and demonstrations.

Every shape is a parametrisation of a rectangle, a disc or a fan, turned into triangles
whose vertices lie on the exact surface. Faces turn so that the normals point into the
hollow: up (+z) for the troughs and bowls here. Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from drape.geometry.surface import Floats, Ints

Mesh = tuple[Floats, Ints]


def grid(
    point: Callable[[Floats, Floats], Floats],
    a: Floats,
    b: Floats,
    *,
    jitter: float = 0.0,
    rng: np.random.Generator | None = None,
) -> Mesh:
    """Triangulate ``point(a, b)`` (→ (…, 3)) over the parameters a (k,) × b (m,).

    ``jitter`` moves inner parameters by up to that share of a step and turns diagonals
    at random. The normals are those of ∂a × ∂b.
    """
    k, m = len(a), len(b)
    aa, bb = np.meshgrid(a, b, indexing="ij")
    i, j = np.meshgrid(np.arange(k - 1), np.arange(m - 1), indexing="ij")
    at = (i * m + j).ravel()
    turned = (i + j).ravel() % 2 == 1
    if jitter > 0.0:
        rng = rng or np.random.default_rng(0)
        inner = np.s_[1:-1, 1:-1]
        aa[inner] += jitter * (a[1] - a[0]) * rng.uniform(-1, 1, aa[inner].shape)
        bb[inner] += jitter * (b[1] - b[0]) * rng.uniform(-1, 1, bb[inner].shape)
        turned = rng.random(len(at)) < 0.5
    p, q, r, s = at, at + m, at + m + 1, at + 1
    one = np.where(turned[:, None], np.stack([p, q, s], 1), np.stack([p, q, r], 1))
    two = np.where(turned[:, None], np.stack([q, r, s], 1), np.stack([p, r, s], 1))
    return point(aa, bb).reshape(-1, 3), np.concatenate([one, two])


def trough(radius: float, length: float, around: int, along: int, **kwargs) -> Mesh:
    """Half-round trough along x, open upwards, bottom at z = −radius; ``around`` facets."""

    def point(x, t):
        return np.stack([x, radius * np.sin(t), -radius * np.cos(t)], -1)

    half = 0.5 * length
    return grid(
        point,
        np.linspace(-half, half, along + 1),
        np.linspace(-np.pi / 2, np.pi / 2, around + 1),
        **kwargs,
    )


def half_cone(
    first: float, second: float, length: float, around: int, along: int, **kwargs
) -> Mesh:
    """Half cone along x, radius ``first`` at x = −length/2 and ``second`` at +length/2."""

    def point(x, t):
        r = first + (second - first) * (x / length + 0.5)
        return np.stack([x, r * np.sin(t), -r * np.cos(t)], -1)

    half = 0.5 * length
    return grid(
        point,
        np.linspace(-half, half, along + 1),
        np.linspace(-np.pi / 2, np.pi / 2, around + 1),
        **kwargs,
    )


def elbow(bend: float, section: float, angle: float, around: int, along: int, **kwargs) -> Mesh:
    """Lower half of a torus: ``bend`` and ``section`` radii, parted in the bend plane z = 0."""

    def point(s, t):
        r = bend + section * np.sin(t)
        return np.stack([r * np.sin(s), bend - r * np.cos(s), -section * np.cos(t)], -1)

    mesh = grid(
        point,
        np.linspace(0.0, angle, along + 1),
        np.linspace(-np.pi / 2, np.pi / 2, around + 1),
        **kwargs,
    )
    return mesh[0], mesh[1][:, ::-1]


def heightfield(
    height: Callable[[Floats, Floats], Floats],
    width: float,
    depth: float,
    columns: int,
    rows: int,
    **kwargs,
) -> Mesh:
    """z = height(x, y) over the rectangle width × depth centred at the origin."""

    def point(x, y):
        return np.stack([x, y, height(x, y)], -1)

    return grid(
        point,
        np.linspace(-0.5 * width, 0.5 * width, columns + 1),
        np.linspace(-0.5 * depth, 0.5 * depth, rows + 1),
        **kwargs,
    )


def disc(point: Callable[[Floats, Floats], Floats], radius: float, rings: int) -> Mesh:
    """Triangulate ``point(r, t)`` over a disc in polar parameters, 6·k vertices on ring k."""
    parameters, faces, before = [(0.0, 0.0)], [], np.zeros(1, dtype=int)
    for k in range(1, rings + 1):
        n = 6 * k
        ring = len(parameters) + np.arange(n)
        parameters += [(radius * k / rings, 2 * np.pi * j / n) for j in range(n)]
        faces += _between(before, ring)
        before = ring
    r, t = np.array(parameters).T
    return point(r, t), np.array(faces, dtype=np.int64)


def hemisphere(radius: float, rings: int) -> Mesh:
    """Bowl with its pole at z = −radius and its rim in z = 0; ``rings`` facets pole to rim."""

    def point(angle, t):
        s = radius * np.sin(angle)
        return np.stack([s * np.cos(t), s * np.sin(t), -radius * np.cos(angle)], -1)

    return disc(point, np.pi / 2, rings)


def _between(inner: Ints, outer: Ints) -> list[tuple[int, int, int]]:
    """Triangles between two closed rings of vertices, matched by their share of the turn."""
    m, n = len(inner), len(outer)
    if m == 1:
        return [(inner[0], outer[j], outer[(j + 1) % n]) for j in range(n)]
    out, i, j = [], 0, 0
    while i < m or j < n:
        if i == m or (j < n and j * m <= i * n):
            out.append((inner[i % m], outer[j % n], outer[(j + 1) % n]))
            j += 1
        else:
            out.append((inner[i % m], outer[j % n], inner[(i + 1) % m]))
            i += 1
    return out
