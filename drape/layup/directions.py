"""Where a ply starts, which way its warp lies, and how high above the cavity it is.

Conventions: mm and radians. Ply angles are positive counter-clockwise seen from inside
the hollow (against the inward normal).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy import sparse
from scipy.spatial import cKDTree

from drape.errors import InputError
from drape.geometry.harmonic import face_gradients, harmonic_field
from drape.geometry.surface import Floats, Ints, SurfacePoint, unit
from drape.mould.region import Region

JOINED = 0.5  # mm


def hollow_fields(regions: Mapping[str, Region], mouths: Sequence[str]) -> dict[str, Floats | None]:
    """For each half a field (n,) that grows from mouth A along the hollow, or None.

    ``mouths`` are the mouths' names in their order, A first: sorted names would turn the
    zero direction round when a job renames them.

    One harmonic field over all halves, joined where their vertices meet: 0 at the first
    mouth, 1 at the others; where there is one mouth only it grows away from that.
    """
    names = list(regions)
    ends = {e.name for r in regions.values() for e in r.edges if e.kind in ("mouth", "trim")}
    first = next((name for name in mouths if name in ends), None)
    if first is None:
        return dict.fromkeys(names)
    counts = np.cumsum([0] + [len(regions[n].surface.vertices) for n in names])
    vertices = np.concatenate([regions[n].surface.vertices for n in names])
    owner = _joined(vertices, _join_distance(regions))
    faces = np.concatenate(
        [owner[regions[n].surface.faces + c] for n, c in zip(names, counts, strict=False)]
    )
    fixed, values = [], []
    for n, c in zip(names, counts, strict=False):
        for e in regions[n].edges:
            if e.kind in ("mouth", "trim"):
                fixed.append(owner[e.vertices + c])
                values.append(np.full(len(e.vertices), 0.0 if e.name == first else 1.0))
    at, last = np.unique(np.concatenate(fixed), return_index=True)
    # one mouth only: no second place to lead to, so the field grows away from it
    source = 1.0 if all(v[0] == 0.0 for v in values) else 0.0
    field = harmonic_field(vertices, faces, at, np.concatenate(values)[last], source)[owner]
    return {n: field[a:b] for n, a, b in zip(names, counts[:-1], counts[1:], strict=True)}


def zero_direction(region: Region, field: Floats | None, place: SurfacePoint) -> Floats:
    """(3,) default zero direction at a place: along the hollow, away from mouth A.

    The field's gradient jumps from face to face, by as much as the mesh bends there: the mean
    round each corner, linear between the corners, doesn't, and is of second order. Without
    mouths: the longest principal axis of the cavity, pointing to larger x (then y, then z).
    """
    if field is None:
        return _longest_axis(region)
    surface = region.surface
    corners = surface.faces[place.face]
    near = np.isin(surface.faces, corners).any(axis=1)
    gradient = unit(face_gradients(surface.vertices, surface.faces[near], field))
    gradient *= surface.face_areas[near][:, None]
    weights = (1.0 - place.b1 - place.b2, place.b1, place.b2)
    along = np.zeros(3)
    for corner, weight in zip(corners, weights, strict=True):
        along += weight * unit(gradient[(surface.faces[near] == corner).any(axis=1)].sum(axis=0))
    return unit(along) if np.linalg.norm(along) > 0.0 else _longest_axis(region)


def _longest_axis(region: Region) -> Floats:
    surface = region.surface
    middle = surface.vertices[surface.faces].mean(axis=1)
    weight = surface.face_areas * region.inside
    gap = middle - (weight @ middle) / weight.sum()
    axis = np.linalg.eigh((gap * weight[:, None]).T @ gap)[1][:, -1]
    lead = axis[np.abs(axis) > 1e-6][0]
    return axis * np.sign(lead)


def zero_directions(region: Region, field: Floats | None) -> Floats:
    """(m, 3) the default zero direction at the middle of every face; see ``zero_direction``."""
    surface = region.surface
    m, n = len(surface.faces), len(surface.vertices)
    if field is None:
        return np.tile(_longest_axis(region), (m, 1))
    corner = sparse.csr_matrix(
        (np.ones(3 * m), (np.repeat(np.arange(m), 3), surface.faces.ravel())), (m, n)
    )
    gradient = unit(face_gradients(surface.vertices, surface.faces, field))
    round_ = unit(corner.T @ (gradient * surface.face_areas[:, None]))
    return unit(corner @ round_)


def warp_direction(normal: Floats, zero: Floats, angle: float, where: str) -> Floats:
    """(3,) unit warp: ``zero`` laid on the surface and turned by ``angle`` about ``normal``."""
    flat = zero - (zero @ normal) * normal
    length = float(np.linalg.norm(flat))
    if length < 0.05 * float(np.linalg.norm(zero)):
        raise InputError(
            "the zero direction stands square on the surface at the start point",
            value=np.round(zero, 3).tolist(),
            remedy="give the half another zero direction, or the ply another start point",
            where=where,
        )
    flat = flat / length
    return np.cos(angle) * flat + np.sin(angle) * np.cross(normal, flat)


def _join_distance(regions: Mapping[str, Region]) -> float:
    """How near vertices of two halves are taken for one, mm: scans meet within half a mm."""
    edge = min(float(np.median(np.sqrt(r.surface.face_areas))) for r in regions.values())
    return min(JOINED, 0.3 * edge)


def _joined(vertices: Floats, distance: float) -> Ints:
    """(n,) for each vertex the first one at the same place."""
    owner = np.arange(len(vertices))
    pairs = cKDTree(vertices).query_pairs(distance, output_type="ndarray")
    order = np.argsort(pairs[:, 0], kind="stable")[::-1]
    owner[pairs[order, 1]] = pairs[order, 0]
    return owner[owner]
