"""What of the cavity a piece covers, what its net can't reach, and where.

Lengths in mm, areas in mm².
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.errors import Finding, as_place, place_text
from drape.geometry.surface import Bools, Floats, Surface, unit
from drape.mould.region import Region
from drape.net.grid import KNOWN, LOCKED
from drape.net.net import Net

LEAST_REPORTED = 1e-3  # of the cavity: a smaller part may stay unreached
MOST_PLACES = 3  # named in a finding


@dataclass(frozen=True)
class Coverage:
    """Areas of the cavity, mm², and the places that the net can't reach.

    covered, unreached : mm²
    patches : ((area, (3,) place), …), connected parts of the unreached area, largest first
    """

    covered: float
    unreached: float
    patches: tuple[tuple[float, Floats], ...]


def coverage(region: Region, mid: Surface, net: Net, polygon: shapely.Polygon) -> Coverage:
    """What of the region's cavity lies under the cut ``polygon``, and what isn't reached.

    Faces that the cut line crosses count by the share of their flat image inside it.
    """
    normals = np.zeros_like(mid.vertices)
    np.add.at(normals, mid.faces.ravel(), mid.corner_normals.reshape(-1, 3))
    faces, area = mid.faces, region.surface.face_areas
    some = np.zeros(len(mid.vertices), dtype=np.int64)  # a face of each vertex
    some[faces] = np.arange(len(faces))[:, None]
    flat = net.to_flat(mid.vertices, unit(normals), some)
    lost = np.asarray(np.isnan(flat[faces]).any(axis=(1, 2)))
    share = np.zeros(len(faces))
    triangles: NDArray = np.asarray(
        shapely.polygons(np.where(lost[:, None, None], 0.0, flat[faces]))
    )
    shapely.prepare(polygon)
    inside: Bools = np.logical_and(shapely.contains_properly(polygon, triangles), ~lost)
    crossing: Bools = np.logical_and(shapely.intersects(polygon, triangles), ~(inside | lost))
    share[inside] = 1.0
    size = np.maximum(shapely.area(triangles[crossing]), 1e-12)
    cut = shapely.intersection(triangles[crossing], polygon)
    share[crossing] = np.asarray(shapely.area(cut)) / size
    inner = area * region.inside
    missing = np.asarray(lost & region.inside)
    return Coverage(
        float(inner @ share), float(inner[lost].sum()), _patches(region.surface, missing)
    )


def _patches(surface: Surface, lost: Bools) -> tuple[tuple[float, Floats], ...]:
    """Connected parts of the ``lost`` faces: area and the face nearest to their middle."""
    if not lost.any():
        return ()
    face, side = np.nonzero((surface.neighbours >= 0) & lost[:, None])
    other = surface.neighbours[face, side]
    both = lost[other]
    graph = sparse.csr_matrix(
        (np.ones(int(both.sum())), (face[both], other[both])), (len(lost), len(lost))
    )
    label = connected_components(graph, directed=False)[1][lost]
    area = surface.face_areas[lost]
    middle = surface.vertices[surface.faces[lost]].mean(axis=1)
    out = []
    for part in np.unique(label):
        mine = label == part
        total = float(area[mine].sum())
        mean = area[mine] @ middle[mine] / max(total, 1e-300)
        gap = np.linalg.norm(middle[mine] - mean, axis=1)
        out.append((total, middle[mine][np.argmin(gap)]))  # on the surface, unlike the mean
    return tuple(sorted(out, key=lambda x: -x[0]))


def reach_findings(
    net: Net, cover: Coverage, region: Region, turned_over: Bools, where: str
) -> tuple[Finding, ...]:
    """Findings on what isn't reached, where the net locked, and what it lies on.

    ``turned_over`` (m,): faces of the net's surface that lie upside down.
    """
    out = []
    total = float(region.surface.face_areas[region.inside].sum())
    if cover.unreached > LEAST_REPORTED * total:
        places = ", ".join(
            f"{area:.0f} mm² at ({place_text(middle)})"
            for area, middle in cover.patches[:MOST_PLACES]
        )
        more = " and more" if len(cover.patches) > MOST_PLACES else ""
        message = f"the cloth can't reach {cover.unreached:.0f} mm² of the cavity: {places}{more}"
        first = as_place(cover.patches[0][1])
        remedy = "move the start point or split the ply"
        out.append(Finding("error", (where,), message, remedy, first))
    if net.locked_nodes:
        first = as_place(_first_locked(net))
        message = (
            f"the cloth cannot follow the mould past ({place_text(first)}): "
            f"{_crossings(net.locked_nodes)} closed up"
        )
        remedy = "expect wrinkles there, or split the ply or move the start point"
        out.append(Finding("risk", (where,), message, remedy, first))
    folded = int(np.count_nonzero(turned_over[net.faces[net.known]]))
    if folded:
        message = (
            "the surface past the edges folds over itself in a narrow slot or a tight bend of the "
            f"edge (under {_crossings(folded)})"
        )
        remedy = "use smaller allowances, or split the ply at the slot"
        out.append(Finding("error", (where,), message, remedy))
    if net.nodes_on_facets:
        message = (
            "the mesh is too rough for a smooth surface: the net lies on its flat facets at "
            f"{net.nodes_on_facets} of {int(net.known.sum())} crossings"
        )
        out.append(Finding("warning", (where,), message, "check the mesh, or export it again"))
    return tuple(out)


def _crossings(count: int) -> str:
    return "1 crossing" if count == 1 else f"{count} crossings"


def _first_locked(net: Net) -> Floats:
    """(3,) the known node nearest, in the net, to the locked one nearest to the start."""
    known = np.argwhere(net.state == KNOWN)
    locked = np.argwhere(net.state == LOCKED)
    first = locked[np.argmin(np.abs(locked - net.origin).sum(axis=1))]
    i, j = known[np.argmin(np.abs(known - first).sum(axis=1))]
    return net.points[i, j]
