"""What a mould half measures: areas, lengths, smallest inside radius, undercut.

Lengths in mm, areas in mm², radii in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.geometry.surface import Floats, Ints, Surface, readonly
from drape.mould.mould import Half
from drape.mould.region import Edge, Region

UNDERCUT = np.sin(np.radians(0.5))  # leaning back by less is a facet's inaccuracy
SHARPEST = 0.999  # share of the area that is less curved: a few bad fits don't count
FEWEST = 6  # faces of a zone that is more than a bad fit
SHARP_LENGTH = 1e-3  # of the size: shorter concave creases don't count as corners


@dataclass(frozen=True)
class Inspection:
    """Measures of a half's cavity.

    ``smallest_inside_radius_mm``: 0 where there are sharp inside corners, None where
    nothing is hollow enough to measure. ``mouth_lengths_mm`` by name.
    """

    cavity_area_mm2: float
    parting_length_mm: float
    mouth_lengths_mm: dict[str, float]
    smallest_inside_radius_mm: float | None
    undercut_area_mm2: float


def inspect_half(half: Half, closing: Floats) -> Inspection:
    """Measure one half; ``closing`` (3,) points from this half into the other."""
    region = half.region
    mouths = [e for e in region.edges if e.kind in ("mouth", "trim")]
    return Inspection(
        cavity_area_mm2=float(region.surface.face_areas[region.inside].sum()),
        parting_length_mm=sum(edge_length(region, e) for e in region.edges if e.kind == "parting"),
        mouth_lengths_mm={e.name: edge_length(region, e) for e in mouths},
        smallest_inside_radius_mm=smallest_inside_radius(region.surface),
        undercut_area_mm2=undercut_area(region, closing),
    )


def edge_length(region: Region, edge: Edge) -> float:
    """Length of an edge, mm."""
    chain = edge.ring
    return float(np.linalg.norm(np.diff(region.surface.vertices[chain], axis=0), axis=1).sum())


def undercut_area(region: Region, closing: Floats) -> float:
    """Area that looks away from the closing direction, mm²: it holds the part in the mould."""
    surface = region.surface
    back = (surface.face_normals @ closing < -UNDERCUT) & region.inside
    return float(surface.face_areas[back].sum())


def smallest_inside_radius(surface: Surface) -> float | None:
    """Smallest radius of hollow curvature, from the fitted quadrics; 0 at sharp corners.

    The rim is left out: one-sided fits scatter there.
    """
    if _concave_crease_length(surface) > SHARP_LENGTH * surface.size:
        return 0.0
    rim = np.zeros(len(surface.vertices), bool)
    f, k = np.nonzero(surface.neighbours < 0)
    rim[surface.faces[f, k]] = rim[surface.faces[f, (k + 1) % 3]] = True
    curvature = surface.sector_curvatures[surface.sectors, 1].ravel()
    weight = np.repeat(surface.face_areas, 3) * ~rim[surface.faces].ravel()
    if weight.sum() == 0:
        return None
    order = np.argsort(curvature)
    share = np.cumsum(weight[order]) / weight.sum()
    sharpest = curvature[order][min(np.searchsorted(share, SHARPEST), len(order) - 1)]
    return float(1.0 / sharpest) if sharpest * surface.size > 1e-3 else None


def _concave_creases(surface: Surface) -> tuple[Ints, Ints]:
    """Faces and edge numbers of the creases that are corners seen from the hollow."""
    f, k = np.nonzero(surface.crease)
    g = surface.neighbours[f, k]
    start = surface.vertices[surface.faces[f, k]]
    edge = surface.vertices[surface.faces[f, (k + 1) % 3]] - start
    turn = np.cross(surface.face_normals[f], surface.face_normals[g])
    concave = np.einsum("ei,ei->e", turn, edge) < 0
    return f[concave], k[concave]


def _concave_crease_length(surface: Surface) -> float:
    """Length of the creases that are corners seen from the hollow, mm."""
    f, k = _concave_creases(surface)
    edge = surface.vertices[surface.faces[f, (k + 1) % 3]] - surface.vertices[surface.faces[f, k]]
    return float(np.linalg.norm(edge, axis=1).sum()) / 2.0


@dataclass(frozen=True, eq=False)
class TightZone:
    """A connected place that is hollow more tightly than something can follow.

    Attributes
    ----------
    radius : float, mm
        About its usual radius; 0 for a sharp corner.
    faces : (k,) int
    centre : (3,), mm
        The corner nearest to its middle.
    """

    radius: float
    faces: Ints
    centre: Floats


def tight_zones(surface: Surface, least: Floats) -> tuple[TightZone, ...]:
    """Where a surface is hollow more tightly than ``least`` (m,) mm by face; the largest first.

    Single bad fits don't count: a zone has ``FEWEST`` faces or a sharp corner. The rim is left
    out, as one-sided fits scatter there.
    """
    bends = surface.sector_curvatures[surface.sectors, 1]
    f, k = np.nonzero(surface.neighbours < 0)
    rim = np.zeros(len(surface.vertices), bool)
    rim[surface.faces[f, k]] = rim[surface.faces[f, (k + 1) % 3]] = True
    bends = np.where(rim[surface.faces], 0.0, bends)
    f, k = _concave_creases(surface)
    sharp = np.zeros(len(surface.faces), bool)
    sharp[f] = True
    most = np.median(bends, axis=1)  # two corners of three, so that a zone isn't a facet too wide
    tight = np.flatnonzero(sharp | (most * least > 1.0))
    rows, corners = np.repeat(np.arange(len(tight)), 3), surface.faces[tight].ravel()
    shape = (len(tight), len(surface.vertices))
    touch = sparse.csr_matrix((np.ones(len(rows)), (rows, corners)), shape)
    # by vertices: along a crease every other face touches it with a corner only
    count, label = connected_components(touch @ touch.T, directed=False)
    out = []
    for zone in range(count):
        faces = tight[label == zone]
        if len(faces) >= FEWEST or sharp[faces].any():
            radius = 0.0 if sharp[faces].any() else float(1.0 / np.median(most[faces]))
            out.append((surface.face_areas[faces].sum(), faces, radius))
    return tuple(_zone(surface, faces, radius) for _, faces, radius in sorted(out, key=_size))


def _size(zone: tuple[float, Ints, float]) -> tuple[float, int]:
    return (-zone[0], int(zone[1][0]))


def _zone(surface: Surface, faces: Ints, radius: float) -> TightZone:
    vertices = np.unique(surface.faces[faces])
    gap = surface.vertices[vertices] - surface.vertices[vertices].mean(axis=0)
    at = vertices[np.linalg.norm(gap, axis=1).argmin()]
    return TightZone(radius, readonly(faces), surface.vertices[at])
