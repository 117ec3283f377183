"""What a mould half measures: areas, lengths, smallest inside radius, undercut.

Lengths in mm, areas in mm², radii in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drape.geometry.surface import Floats, Surface
from drape.mould.mould import Half
from drape.mould.region import Edge, Region

UNDERCUT = np.sin(np.radians(0.5))  # leaning back by less is a facet's inaccuracy
SHARPEST = 0.999  # share of the area that is less curved: a few bad fits don't count
SHARP_LENGTH = 1e-3  # of the size: shorter concave creases don't count as corners


@dataclass(frozen=True)
class Inspection:
    """Measures of a half's cavity.

    ``smallest_inside_radius_mm``: 0 where there are sharp inside corners, None where
    nothing is hollow enough to tell. ``mouth_lengths_mm`` by name.
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
    chain = np.append(edge.vertices, edge.vertices[:1]) if edge.closed else edge.vertices
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


def _concave_crease_length(surface: Surface) -> float:
    """Length of the creases that are corners seen from the hollow, mm."""
    f, k = np.nonzero(surface.crease)
    g = surface.neighbours[f, k]
    start = surface.vertices[surface.faces[f, k]]
    edge = surface.vertices[surface.faces[f, (k + 1) % 3]] - start
    turn = np.cross(surface.face_normals[f], surface.face_normals[g])
    concave = np.einsum("ei,ei->e", turn, edge) < 0
    return float(np.linalg.norm(edge[concave], axis=1).sum()) / 2.0
