"""From a Surface to the smooth patches that the kernels walk on.

Lengths in mm.
"""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np

from drape.compiling.kernel import entry, kernel
from drape.compiling.words import Bools2, Floats2, Floats3, Ints2
from drape.geometry.arrays import owned
from drape.geometry.geodesics import drop_feet, geodesics
from drape.geometry.surface import Floats, Ints, Surface, SurfacePoint
from drape.geometry.walk import ROW, Patches, copy, evaluate, evaluate_all

_MADE: WeakKeyDictionary[Surface, Patches] = WeakKeyDictionary()


def make_patches(surface: Surface) -> Patches:
    """The patches of ``surface``, made once for each Surface and kept while it lives."""
    if surface not in _MADE:
        _MADE[surface] = _patches(surface)
    return _MADE[surface]


def coarse(patches: Patches) -> Patches:
    """The same, with lengths from chord and normals alone: for searching, not for cutting."""
    return patches._replace(fine=False)


def _patches(surface: Surface) -> Patches:
    """Bézier points, normals and links of ``surface`` (see ``Patches``)."""
    m, creased = len(surface.faces), bool(surface.crease.any())
    control, links = np.empty((m, 13, 3)), np.zeros((m, 3, 5 if creased else 4))
    vertices, faces, crease = surface.vertices, surface.faces, surface.crease
    make_control_points(vertices, faces, crease, surface.sectors, surface.sector_normals, control)
    make_links(vertices, faces, crease, surface.neighbours, links)
    return Patches(owned(control), owned(links), True)


def row_of(surface: Surface, point: SurfacePoint) -> Floats:
    """(ROW,) row at a place, without making patches of the whole surface."""
    one = slice(point.face, point.face + 1)
    control, row = np.empty((1, 13, 3)), np.empty(ROW)
    make_control_points(
        surface.vertices,
        surface.faces[one],
        surface.crease[one],
        surface.sectors[one],
        surface.sector_normals,
        control,
    )
    evaluate(Patches(control, np.zeros((1, 3, 4)), True), 0, point.b1, point.b2, row)
    return row


@entry(writes="control")
def make_control_points(
    vertices: Floats2,
    faces: Ints2,
    crease: Bools2,
    sectors: Ints2,
    normals: Floats2,
    control: Floats3,
) -> None:
    """Fill ``control`` (m, 13, 3) with points and normals of curved PN triangles.

    Vlachos et al. 2001, eq. 2-4 (key ``vlachos2001``). At a crease the edge is straight, so
    that the patches of both sides share it. ``normals`` (s, 3) of the sectors.
    """
    for f in range(faces.shape[0]):
        p = control[f]
        for k in range(3):
            copy(vertices[faces[f, k]], p[k])
            copy(normals[sectors[f, k]], p[10 + k])
        for k in range(3):
            j, near, far = (k + 1) % 3, 3 + 2 * k, 4 + 2 * k
            here = there = 0.0
            if not crease[f, k]:
                for c in range(3):
                    here += (p[j, c] - p[k, c]) * p[10 + k, c]
                    there += (p[k, c] - p[j, c]) * p[10 + j, c]
            for c in range(3):
                p[near, c] = (2.0 * p[k, c] + p[j, c] - here * p[10 + k, c]) / 3.0
                p[far, c] = (2.0 * p[j, c] + p[k, c] - there * p[10 + j, c]) / 3.0
        for c in range(3):
            middle = (p[3, c] + p[4, c] + p[5, c] + p[6, c] + p[7, c] + p[8, c]) / 6.0
            p[9, c] = middle + 0.5 * (middle - (p[0, c] + p[1, c] + p[2, c]) / 3.0)


@kernel
def height_and_foot(vertices: Floats2, faces: Ints2, f: int, k: int) -> tuple[float, float]:
    """Of the corner opposite edge k: height above it, mm, and its foot as a share of the edge."""
    p, q = vertices[faces[f, k]], vertices[faces[f, (k + 1) % 3]]
    o = vertices[faces[f, (k + 2) % 3]]
    ex, ey, ez = q[0] - p[0], q[1] - p[1], q[2] - p[2]
    ox, oy, oz = o[0] - p[0], o[1] - p[1], o[2] - p[2]
    x, y, z = ey * oz - ez * oy, ez * ox - ex * oz, ex * oy - ey * ox
    square = ex * ex + ey * ey + ez * ez
    return np.sqrt((x * x + y * y + z * z) / square), (ox * ex + oy * ey + oz * ez) / square


@entry(writes="links")
def make_links(
    vertices: Floats2, faces: Ints2, crease: Bools2, neighbours: Ints2, links: Floats3
) -> None:
    """Fill ``links`` (m, 3, 4 or 5) with what is across each edge; see ``Patches``.

    With the step's weight d at the corner opposite the edge, the neighbour's opposite
    corner gets −ratio·d, and the weight of the edge's end grows by shift·d.
    """
    for f in range(faces.shape[0]):
        for k in range(3):
            g, j = neighbours[f, k], -1
            for i in range(3):
                if g >= 0 and is_same_edge(faces, f, k, g, i):
                    j = i
            links[f, k, 0], links[f, k, 1] = g, j
            if links.shape[2] > 4:
                links[f, k, 4] = 1.0 if crease[f, k] else 0.0
            if g < 0:
                continue
            height, foot = height_and_foot(vertices, faces, f, k)
            other_height, other_foot = height_and_foot(vertices, faces, g, j)
            ratio = height / other_height
            links[f, k, 2] = ratio
            links[f, k, 3] = foot + ratio * (1.0 - other_foot)


@kernel
def is_same_edge(faces: Ints2, f: int, k: int, g: int, i: int) -> bool:
    """Whether edge k of face f and edge i of face g join the same vertices."""
    a, b = faces[f, k], faces[f, (k + 1) % 3]
    p, q = faces[g, i], faces[g, (i + 1) % 3]
    return (a == p and b == q) or (a == q and b == p)


def rows_at(patches: Patches, faces: Ints, weights: Floats) -> Floats:
    """(k, ROW) rows at (k,) faces and (k, 2) weights."""
    out = np.empty((len(faces), ROW))
    evaluate_all(patches, np.asarray(faces, np.int64), np.ascontiguousarray(weights, float), out)
    return out


def shoot(
    patches: Patches, faces: Ints, weights: Floats, directions: Floats, lengths: Floats, step: float
) -> tuple[Ints, Floats, Floats]:
    """Geodesics from many places at once.

    Parameters
    ----------
    faces, weights, directions, lengths : (k,), (k, 2), (k, 3), (k,) mm
        Negative lengths go backwards.
    step : float, mm
        Longest sub-step; the scheme is of second order in it.

    Returns
    -------
    faces (k,), rows (k, ROW) at the ends, reached (k,) mm
    """
    k = len(faces)
    out_faces, rows, reached = np.empty(k, np.int64), np.empty((k, ROW)), np.empty(k)
    geodesics(
        patches,
        np.asarray(faces, np.int64),
        np.asarray(weights, float),
        np.array(directions, float),
        np.asarray(lengths, float),
        float(step),
        out_faces,
        rows,
        reached,
    )
    return out_faces, rows, reached


def place_near(
    patches: Patches, faces: Ints, weights: Floats, targets: Floats
) -> tuple[Ints, Floats]:
    """Surface points under (k, 3) ``targets``, starting from nearby places.

    Returns faces (k,) and rows (k, ROW).
    """
    out_faces, rows = np.array(faces, np.int64), np.empty((len(faces), ROW))
    drop_feet(patches, out_faces, np.asarray(weights, float), np.asarray(targets, float), rows)
    return out_faces, rows
