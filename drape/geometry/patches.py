"""From a Surface to the smooth patches that the kernels walk on.

Lengths in mm.
"""

from __future__ import annotations

from weakref import WeakKeyDictionary

import numpy as np

from drape.geometry.geodesics import drop_feet, geodesics
from drape.geometry.kernels import ROW, Patches, evaluate_all
from drape.geometry.surface import Floats, Ints, Surface, matching_edge, readonly

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
    """Bézier points, normals and links of ``surface`` (see ``Patches``).

    At a crease the edge is straight, so that the patches of both sides share it.
    """
    corners = surface.vertices[surface.faces]
    normals = surface.corner_normals
    points = _control_points(corners, normals, surface.crease)
    links = _links(corners, surface)
    return Patches(readonly(np.concatenate([points, normals], axis=1)), readonly(links), True)


def _control_points(corners: Floats, normals: Floats, crease: np.ndarray) -> Floats:
    """(m, 10, 3) control points of curved PN triangles (Vlachos et al. 2001, eq. 2-4)."""
    out = np.empty((len(corners), 10, 3))
    out[:, :3] = corners
    for k, (near, far) in enumerate([(3, 4), (5, 6), (7, 8)]):
        p, q = corners[:, k], corners[:, (k + 1) % 3]
        n, o = normals[:, k], normals[:, (k + 1) % 3]
        flat = crease[:, k]
        for slot, a, b, m in ((near, p, q, n), (far, q, p, o)):
            lift = np.where(flat, 0.0, np.einsum("ij,ij->i", b - a, m))
            out[:, slot] = (2.0 * a + b - lift[:, None] * m) / 3.0
    middle = out[:, 3:9].mean(axis=1)
    out[:, 9] = middle + 0.5 * (middle - corners.mean(axis=1))
    return out


def _links(corners: Floats, surface: Surface) -> Floats:
    """(m, 3, 4 or 5) what is across each edge; see ``Patches``.

    With the step's weight d at the corner opposite the edge, the neighbour's opposite
    corner gets −ratio·d, and the weight of the edge's end grows by shift·d.
    """
    neighbours, match = surface.neighbours, matching_edge(surface.faces, surface.neighbours)
    out = np.zeros((len(corners), 3, 5 if surface.crease.any() else 4))
    out[..., 0], out[..., 1] = neighbours, match
    height, foot = np.empty((len(corners), 3)), np.empty((len(corners), 3))
    for k in range(3):
        p, q, o = corners[:, k], corners[:, (k + 1) % 3], corners[:, (k + 2) % 3]
        length = np.linalg.norm(q - p, axis=1)
        height[:, k] = np.linalg.norm(np.cross(q - p, o - p), axis=1) / length
        foot[:, k] = np.einsum("ij,ij->i", o - p, q - p) / length**2
    f, side = np.nonzero(neighbours >= 0)
    g, j = neighbours[f, side], match[f, side]
    ratio = height[f, side] / height[g, j]
    out[f, side, 2] = ratio
    out[f, side, 3] = foot[f, side] + ratio * (1.0 - foot[g, j])
    if out.shape[2] == 5:
        out[..., 4] = surface.crease
    return out


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
