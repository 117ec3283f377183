"""Meshes like those CAD kernels export, with exact normals: rows of vertices, long slivers.

A CAD kernel puts as few vertices on a face as its chord tolerance allows: none inside flat and
ruled faces, so that a groove's vertices all lie on its two mouths. Here rows of vertices, each
with its own parameters, are joined by triangles. Lengths in mm, angles in radians.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from exact import shapes
from scipy.spatial.transform import Rotation

from drape.geometry.surface import (
    Floats,
    Ints,
    Surface,
    build,
    face_vectors,
    fit_alone,
    rows_of,
    unit,
)

ODD = Rotation.from_rotvec([0.31, -0.74, 0.52])  # general position
AWAY = np.array([83.0, -41.0, 137.0])


@dataclass(frozen=True)
class Shape:
    """Vertices (n, 3), faces (m, 3) and exact unit normals (n, 3), on the side of the faces."""

    vertices: Floats
    faces: Ints
    normals: Floats

    def turned(self, turn: Rotation = ODD, away: Floats = AWAY) -> Shape:
        return replace(
            self, vertices=turn.apply(self.vertices) + away, normals=turn.apply(self.normals)
        )

    def rounded(self) -> Shape:
        """As a binary STL file holds it: coordinates of 32 bits."""
        return replace(self, vertices=self.vertices.astype(np.float32).astype(float))

    def cut(self, digits: int) -> Shape:
        """As a text file with that many decimals holds it."""
        return replace(self, vertices=np.round(self.vertices, digits))

    def surface(self) -> Surface:
        """Without creases, so that every vertex has one normal."""
        return build(self.vertices, self.faces, crease_angle=np.pi)

    def fitted(self) -> Floats:
        """(n, 3) fitted normals of the vertices."""
        return at_vertices(self.surface())

    def alone(self) -> Floats:
        """(n, 3) normals of the local quadrics alone."""
        adjacency = rows_of(self.faces, len(self.vertices))[:2]
        return fit_alone(self.vertices, self.faces, *adjacency)[0]

    def errors(self) -> Floats:
        """(n,) angle in degrees between fitted and exact normals."""
        return self.off(self.fitted())

    def off(self, normals: Floats) -> Floats:
        """(n,) angle in degrees of ``normals`` (n, 3) from the exact ones."""
        return angles(normals, self.normals)


def angles(one: Floats, two: Floats) -> Floats:
    """(n,) degrees between unit vectors (n, 3), accurate for small ones."""
    return np.degrees(2.0 * np.arcsin(np.minimum(0.5 * np.linalg.norm(one - two, axis=1), 1.0)))


def at_vertices(surface: Surface) -> Floats:
    """(n, 3) normals of a surface without creases."""
    out = np.zeros_like(surface.vertices)
    out[surface.faces] = surface.corner_normals
    return out


def turn_of(radius: float, chord: float) -> float:
    """Angle over which a chord of a circle stays within ``chord`` mm of it."""
    return 2.0 * np.arccos(1.0 - chord / radius)


def steps(angle: float, radius: float, chord: float, least: int = 2) -> int:
    return max(least, int(np.ceil(angle / turn_of(radius, chord) - 1e-9)))


def between(one: Floats, two: Floats, first: int, second: int) -> list[tuple[int, int, int]]:
    """Triangles between two rows of vertices, matched by their parameters."""
    out, i, j = [], 0, 0
    while i < len(one) - 1 or j < len(two) - 1:
        ahead = i == len(one) - 1 or (j < len(two) - 1 and two[j + 1] < one[i + 1] - 1e-12)
        if ahead:
            out.append((first + i, second + j + 1, second + j))
            j += 1
        else:
            out.append((first + i, first + i + 1, second + j))
            i += 1
    return out


def rows(
    point: Callable[[float, Floats], Floats],
    normal: Callable[[float, Floats], Floats],
    at: Sequence[float],
    places: Sequence[Floats],
) -> Shape:
    """Rows of vertices ``point(at[i], places[i])``, each joined to the next by triangles."""
    vertices = np.concatenate([point(a, b) for a, b in zip(at, places, strict=True)])
    normals = unit(np.concatenate([normal(a, b) for a, b in zip(at, places, strict=True)]))
    start = np.concatenate([[0], np.cumsum([len(b) for b in places])])
    faces = []
    for i in range(len(at) - 1):
        faces += between(places[i], places[i + 1], start[i], start[i + 1])
    return oriented(vertices, np.array(faces), normals)


def oriented(vertices: Floats, faces: Ints, normals: Floats) -> Shape:
    """Faces turned over where they must be, so that facets look along the normals."""
    along = (face_vectors(vertices, faces) * normals[faces].sum(axis=1)).sum(axis=1)
    if along.sum() < 0.0:
        faces = faces[:, ::-1]
    return Shape(vertices, faces, normals)


def stack(*parts: Floats | float) -> Floats:
    return np.stack(np.broadcast_arrays(*parts), -1)


def groove(radius: float, length: float, counts: Sequence[int], slant: float = 0.0) -> Shape:
    """Half-round groove along x; rows of ``counts`` facets; mouths cut ``slant`` mm per mm."""
    return cone(radius, radius, length, counts, slant)


def cone(
    first: float, second: float, length: float, counts: Sequence[int], slant: float = 0.0
) -> Shape:
    """Half cone along x, from radius ``first`` to ``second``."""
    slope = (second - first) / length

    def point(a, t):
        x = a * length + (slant * first * np.sin(t) if a > 0.5 else 0.0)
        r = first + slope * x
        return stack(x, r * np.sin(t), -r * np.cos(t))

    def normal(a, t):
        return stack(slope, -np.sin(t), np.cos(t))

    half = np.pi / 2
    return rows(
        point,
        normal,
        np.linspace(0.0, 1.0, len(counts)),
        [np.linspace(-half, half, n + 1) for n in counts],
    )


def elliptic_groove(wide: float, deep: float, length: float, counts: Sequence[int]) -> Shape:
    def point(a, t):
        return stack(a * length, wide * np.sin(t), -deep * np.cos(t))

    def normal(a, t):
        return stack(0.0, -np.sin(t) / wide, np.cos(t) / deep)

    half = np.pi / 2
    at = np.linspace(0.0, 1.0, len(counts))
    return rows(point, normal, at, [np.linspace(-half, half, n + 1) for n in counts])


def ellipsoid(axes: Floats, rings: int, around: int) -> Shape:
    """Lower half of an ellipsoid, poles on the x axis: meridians and parallels, two fans."""
    axes = np.asarray(axes, float)

    def ball(a, t):
        return stack(-np.cos(a), np.sin(a) * np.sin(t), -np.sin(a) * np.cos(t))

    at = np.linspace(0.0, np.pi, rings + 1)
    whole = np.linspace(-np.pi / 2, np.pi / 2, around + 1)
    places = [whole] * (rings + 1)
    places[0] = places[-1] = np.zeros(1)
    return rows(lambda a, t: ball(a, t) * axes, lambda a, t: -ball(a, t) / axes, at, places)


def bowl(radius: float, rings: int, around: int) -> Shape:
    """Hemisphere with its pole at the bottom; the seam's vertices are there once."""

    def ball(a, t):
        return stack(np.sin(a) * np.cos(t), np.sin(a) * np.sin(t), -np.cos(a))

    turn = np.linspace(0.0, 2 * np.pi, around + 1)
    places = [np.zeros(1)] + [turn] * rings
    at = np.linspace(0.0, np.pi / 2, rings + 1)
    shape = rows(lambda a, t: radius * ball(a, t), lambda a, t: -ball(a, t), at, places)
    number = np.arange(len(shape.vertices))
    for ring in range(rings):
        number[1 + ring * (around + 1) + around] = 1 + ring * (around + 1)
    used, faces = np.unique(number[shape.faces], return_inverse=True)
    return Shape(shape.vertices[used], faces.reshape(-1, 3), shape.normals[used])


def swept(
    line: Sequence[tuple[float, float]], radius: float, around: int, counts: Sequence[int]
) -> Shape:
    """Half-round hollow along a plane line of (length, turn) pieces of ``counts`` facets."""
    place, heading, at, frames = np.zeros(2), 0.0, [], []

    def add():
        at.append(float(len(at)))
        frames.append((place.copy(), heading))

    add()
    for (length, turn), count in zip(line, counts, strict=True):
        for _ in range(count):
            d, h = length / count, turn / count
            chord = d * (np.sinc(h / 2 / np.pi))
            way = heading + h / 2
            place = place + chord * np.array([np.cos(way), np.sin(way)])
            heading += h
            add()

    def normal(a, t):
        h = frames[int(a)][1]
        return stack(np.sin(h) * np.sin(t), -np.cos(h) * np.sin(t), np.cos(t))

    def point(a, t):
        p = frames[int(a)][0]
        return stack(p[0], p[1], 0.0) - radius * normal(a, t)

    half = np.linspace(-np.pi / 2, np.pi / 2, around + 1)
    return rows(point, normal, at, [half] * len(at))


def capsule(radius: float, length: float, rings: int, around: int) -> Shape:
    """Half cylinder along x with a quarter of a sphere at each end."""
    quarter = np.linspace(0.0, np.pi / 2, rings + 1)
    x = np.concatenate([-radius * np.cos(quarter), length + radius * np.sin(quarter)])
    r = np.concatenate([np.sin(quarter), np.cos(quarter)])
    lean = np.concatenate([np.cos(quarter), -np.sin(quarter)])
    half = np.linspace(-np.pi / 2, np.pi / 2, around + 1)
    places = [half] * len(x)
    places[0] = places[-1] = np.zeros(1)

    def point(a, t):
        i = int(a)
        return stack(x[i], radius * r[i] * np.sin(t), -radius * r[i] * np.cos(t))

    def normal(a, t):
        i = int(a)
        return stack(lean[i], -r[i] * np.sin(t), r[i] * np.cos(t))

    return rows(point, normal, np.arange(len(x)), places)


def folded(pieces: Sequence[tuple[float, float, int]], length: float, rows_: int = 2) -> Shape:
    """A sheet bent about x only: pieces (length, turn, facets) of lines and arcs."""
    place, heading = np.zeros(2), 0.0
    points, leans = [place], [heading]
    for size, turn, count in pieces:
        for _ in range(count):
            way = heading + turn / count / 2
            chord = size / count * np.sinc(turn / count / 2 / np.pi)
            place = place + chord * np.array([np.cos(way), np.sin(way)])
            heading += turn / count
            points.append(place)
            leans.append(heading)
    points, leans = np.array(points), np.array(leans)

    def point(a, i):
        k = i.astype(int)
        return stack(a, points[k, 0], points[k, 1])

    def normal(a, i):
        k = i.astype(int)
        return stack(0.0, -np.sin(leans[k]), np.cos(leans[k]))

    number = np.arange(len(points), dtype=float)
    return rows(point, normal, np.linspace(0.0, length, rows_), [number] * rows_)


def regular(mesh: tuple[Floats, Ints], normal: Callable[[Floats], Floats]) -> Shape:
    """A mesh of ``exact.shapes`` with the normals that ``normal`` (n, 3) gives."""
    return oriented(mesh[0], mesh[1], unit(normal(mesh[0])))


def elbow_normals(bend: float) -> Callable[[Floats], Floats]:
    """Normals of ``shapes.elbow`` at its vertices."""

    def normal(p):
        out = p - [0.0, bend, 0.0]
        r = np.hypot(out[:, 0], out[:, 1])
        middle = np.stack([out[:, 0] / r * bend, bend + out[:, 1] / r * bend, 0.0 * r], 1)
        return middle - p

    return normal


def wavy(count: int, jitter: float = 0.0, scale: float = 6.0, width: float = 28.0) -> Shape:
    """Bump A exp(−r²/w²) on a sheet 80 × 80."""
    mesh = shapes.heightfield(
        lambda x, y: scale * np.exp(-(x * x + y * y) / width**2),
        80.0,
        80.0,
        count,
        count,
        jitter=jitter,
        rng=np.random.default_rng(5),
    )

    def normal(p):
        f = 2.0 / width**2 * p[:, 2]
        return np.stack([f * p[:, 0], f * p[:, 1], np.ones(len(p))], 1)

    return regular(mesh, normal)


def torus(count: int, jitter: float = 0.0) -> Shape:
    """Quarter torus, ``count`` facets round and twice as many along."""
    rng = np.random.default_rng(3)
    mesh = shapes.elbow(80.0, 25.0, np.pi / 2, count, 2 * count, jitter=jitter, rng=rng)
    return regular(mesh, elbow_normals(80.0))


# a shape for each number of facets
FAMILIES: dict[str, Callable[[int], Shape]] = {
    "elbow": torus,
    "elbow, uneven": lambda n: torus(n, 0.3),
    "bump": wavy,
    "bump, uneven": lambda n: wavy(n, jitter=0.3),
    "ellipsoid, CAD": lambda n: ellipsoid([70.0, 40.0, 30.0], 2 * n, n),
    "elliptic groove, CAD": lambda n: elliptic_groove(32.0, 18.0, 160.0, (n, n)),
    "half cone, CAD": lambda n: cone(35.0, 20.0, 200.0, (n, n)),
}
