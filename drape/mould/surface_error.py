"""How far the smooth surface may be from the true one, measured by leaving vertices out.

The mesh is all that is known of the mould. A quarter of its vertices are left out and the surface
is fitted again: it passes the vertices left out, and places between vertices that stay, at some
distance. The surface of all vertices is nearer to the true one than to that coarser surface: where
it is of order p in the facets' size, by 2^p. HALF of the distance is stated, which is enough for
surfaces of first order, and measured on closed forms to hold in 95 % of places.

Where edges run from rim to rim with no vertex between (ruled faces of a CAD mesh) no vertex shows
how far the face bulges along them. The bulge that the normals at their ends give is added there:
that of the straightest of a face's long sides, since others cross its bend. No more is stated than
the faces themselves bulge: the true surface passes through the same vertices.

Of large meshes a thinner one is judged in place of the whole, which is nearer to the true surface.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from weakref import WeakKeyDictionary

import numpy as np

from drape.geometry.leave_out import leave_out, refitted
from drape.geometry.patches import make_patches, place_near, row_of, rows_at
from drape.geometry.polyline import kinks
from drape.geometry.surface import Bools, Floats, Ints, Surface, SurfacePoint, readonly
from drape.mould.region import Edge, Region

HALF = 0.5
SHARE = 0.95  # of the area, for which the error is stated
MOST_VERTICES = 40_000  # of a mesh that is judged as it is
THINNINGS = 20  # at most, each by about a quarter
PLACES = np.array([[1 / 3, 1 / 3], [0.5, 0.5], [0.0, 0.5], [0.5, 0.0], [0, 0], [1, 0], [0, 1]])
SAME = 0.99999  # cosine of sections that are taken for one
SLIVER = 4.0  # longest over shortest side
FLOOR = 0.0005  # mm that are always stated: coordinates are rounded
LONG = 0.5  # of a face's longest side: one that may run from row to row
CORNERS = 4  # where those of the corners begin


@dataclass(frozen=True, eq=False)
class CoarserRegion:
    """A region without some of its vertices.

    region : Region
    vertices : (k,) int, the finer region's number of each vertex
    faces : (m,) int, of the finer region's faces one of this at the same place or beside it
    """

    region: Region
    vertices: Ints
    faces: Ints

    def place(self, finer: Region, point: SurfacePoint) -> SurfacePoint:
        """The place on this region under one of the finer one."""
        target = row_of(finer.surface, point)[None]  # no patches of a large surface for one place
        begin, patches = self.faces[[point.face]], make_patches(self.region.surface)
        face, row = place_near(patches, begin, np.full((1, 2), 1 / 3), target[:, :3])
        return SurfacePoint(int(face[0]), float(row[0, 12]), float(row[0, 13]))


@dataclass(frozen=True, eq=False)
class SurfaceError:
    """How far a region's smooth surface may be from the true one.

    stated : float, mm, on SHARE of its area; NaN where no vertex could be left out
    place : (3,) mm, the middle of the face where it is largest
    thinner : CoarserRegion or None, what was judged in place of a whole that is large
    coarse : CoarserRegion or None, what was judged without a quarter of its vertices
    """

    stated: float
    place: Floats
    thinner: CoarserRegion | None
    coarse: CoarserRegion | None

    def judged(self, region: Region) -> Region:
        """What was judged of the whole ``region``: a thinner one, or itself.

        It isn't kept here, so that the cache lets go of it.
        """
        return region if self.thinner is None else self.thinner.region

    def start(self, region: Region, point: SurfacePoint) -> SurfacePoint:
        """The place on what was judged under one of the whole ``region``."""
        return point if self.thinner is None else self.thinner.place(region, point)


_FOUND: WeakKeyDictionary[Region, SurfaceError] = WeakKeyDictionary()


def surface_error(region: Region) -> SurfaceError:
    """The stated error of a region; found once for each Region and kept while that lives."""
    if region not in _FOUND:
        _FOUND[region] = _surface_error(region)
    return _FOUND[region]


def _surface_error(region: Region) -> SurfaceError:
    thinner = _thinned(region)
    judged = region if thinner is None else thinner.region
    coarse = coarser_region(judged)
    stated = np.where(judged.inside, stated_errors(judged, coarse), 0.0)
    worst = int(np.argmax(stated))
    middle = judged.surface.vertices[judged.surface.faces[worst]].mean(axis=0)
    area = judged.surface.face_areas * judged.inside
    found = weighted_quantile(stated, area, SHARE) if coarse is not None else np.nan
    return SurfaceError(found, readonly(middle), thinner, coarse)


def _thinned(region: Region) -> CoarserRegion | None:
    """The region with MOST_VERTICES at most, if it can do without the others; None if it has."""
    vertices, faces = np.arange(len(region.surface.vertices)), np.arange(len(region.inside))
    thinned = False
    for _ in range(THINNINGS):
        if len(vertices) <= MOST_VERTICES:
            break
        thinner = coarser_region(region, fitted=False, rim=False)
        if thinner is None:
            break
        region, thinned = thinner.region, True
        vertices, faces = vertices[thinner.vertices], thinner.faces[faces]
    if not thinned:
        return None
    return CoarserRegion(replace(region, surface=refitted(region.surface)), vertices, faces)


def coarser_region(
    region: Region, *, fitted: bool = True, rim: bool = True
) -> CoarserRegion | None:
    """The region without about a quarter of its vertices; None where it can do without none.

    Ends of edges, corners of rims and lines inside the surface (trim lines) stay, and all of the
    rim unless ``rim``. ``fitted``: as in ``leave_out``.
    """
    stay = _staying(region) | (_on_rim(region.surface) & (not rim))
    found = leave_out(region.surface, stay, fitted=fitted)
    if found is None:
        return None
    number = np.full(len(region.surface.vertices), -1)
    number[found.vertices] = np.arange(len(found.vertices))
    coarse = replace(
        region,
        surface=found.surface,
        inside=readonly(region.inside[found.faces]),
        edges=tuple(_without(edge, number) for edge in region.edges),
        source_faces=readonly(region.source_faces[found.faces]),
        sheets=None if region.sheets is None else readonly(region.sheets[found.faces]),
    )
    return CoarserRegion(coarse, found.vertices, found.begin)


def stated_errors(region: Region, coarse: CoarserRegion | None) -> Floats:
    """(m,) how far each face of the smooth surface may be from the true one, mm.

    ``coarse``: from ``coarser_region``. NaN all over where there is none.
    """
    surface = region.surface
    if coarse is None:
        return np.full(len(surface.faces), np.nan)
    found = HALF * _spread(surface, _distances(surface, coarse).max(axis=1))
    most = _spread(surface, _bulges(surface).max(axis=1))
    return FLOOR + np.minimum(found + unseen_bulges(surface), most)


def unseen_bulges(surface: Surface) -> Floats:
    """(m,) how far faces that no vertex lies between bulge by their normals alone, mm.

    Those between two rows on the rim, and slivers. By the straightest of a face's long sides:
    others cross the bend of the rows.
    """
    p, q, rim = surface.faces, np.roll(surface.faces, -1, axis=1), _on_rim(surface)
    length = np.linalg.norm(surface.vertices[q] - surface.vertices[p], axis=2)
    longest = length.max(axis=1, keepdims=True)
    between = rim[p] & rim[q]
    sliver = longest >= SLIVER * length.min(axis=1, keepdims=True)
    unseen = (between & (surface.neighbours >= 0)).any(axis=1) | sliver[:, 0]
    long = (between | sliver) & (length >= LONG * longest)
    least = np.where(long, _bulges(surface), np.inf).min(axis=1)
    return np.where(unseen, least, 0.0)


def _bulges(surface: Surface) -> Floats:
    """(m, 3) how far arcs with the normals at their ends rise above the sides of faces, mm."""
    normals = surface.corner_normals
    side = surface.vertices[np.roll(surface.faces, -1, axis=1)] - surface.vertices[surface.faces]
    turn = normals - np.roll(normals, -1, axis=1)
    out: Floats = abs(np.einsum("fki,fki->fk", side, turn)) / 8.0
    return out


def _distances(surface: Surface, coarse: CoarserRegion) -> Floats:
    """(m, 7) how far the coarser surface passes from places on each face, along its normal."""
    count = len(surface.faces)
    faces = np.repeat(np.arange(count), len(PLACES))
    rows = rows_at(make_patches(surface), faces, np.tile(PLACES, (count, 1)))
    begin, middle = coarse.faces[faces], np.full((len(faces), 2), 1 / 3)
    feet = place_near(make_patches(coarse.region.surface), begin, middle, rows[:, :3])[1]
    gap = np.einsum("ki,ki->k", rows[:, :3] - feet[:, :3], feet[:, 3:6])
    out: Floats = abs(gap).reshape(count, len(PLACES))
    stays = np.isin(surface.faces, coarse.vertices)  # the coarser surface passes through those
    out[:, CORNERS:][stays] = 0.0
    return out


def _spread(surface: Surface, values: Floats) -> Floats:
    """(m,) largest of the values (m,) of the faces that share a vertex with each."""
    at = np.zeros(len(surface.vertices))
    np.maximum.at(at, surface.faces.ravel(), np.repeat(values, 3))
    out: Floats = at[surface.faces].max(axis=1)
    return out


def _on_rim(surface: Surface) -> Bools:
    face, k = np.nonzero(surface.neighbours < 0)
    out = np.zeros(len(surface.vertices), dtype=bool)
    out[surface.faces[face, k]] = out[surface.faces[face, (k + 1) % 3]] = True
    return out


def _staying(region: Region) -> Bools:
    """(n,) vertices without which the region would not be the same."""
    stay, rim = np.zeros(len(region.surface.vertices), dtype=bool), _on_rim(region.surface)
    named = np.zeros_like(stay)
    for edge in region.edges:
        named[edge.vertices] = True
        stay[edge.vertices[~rim[edge.vertices]]] = True
        if edge.closed:
            stay[edge.vertices[:: max(1, len(edge.vertices) // 3)]] = True
        else:
            stay[edge.vertices[[0, -1]]] = True
        points = region.surface.vertices[edge.vertices]
        stay[edge.vertices[kinks(points, edge.closed)]] = True
    return stay | (rim & ~named)


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    """The least value that ``share`` of the weight doesn't exceed."""
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    at = min(int(np.searchsorted(total, share * total[-1])), len(order) - 1)
    return float(values[order[at]])


def _without(edge: Edge, number: Ints) -> Edge:
    """The edge through those of its vertices that have a new ``number`` (n,), −1 for none.

    A segment that two become has a section where both had the same.
    """
    stays = number[edge.vertices] >= 0
    cut = None if edge.cut_normals is None else readonly(edge.cut_normals[stays])
    sections = None
    if edge.sections is not None:
        count = len(edge.sections)
        first = np.flatnonzero(stays) if edge.closed else np.flatnonzero(stays)[:-1]
        last = (first + 1) % count
        sections = edge.sections[first].copy()
        two = ~stays[(first + 1) % len(stays)]
        same = abs(np.einsum("ki,ki->k", edge.sections[first], edge.sections[last])) > SAME
        sections[two & ~same] = np.nan
        sections = readonly(sections)
    vertices = readonly(number[edge.vertices][stays])
    return replace(edge, vertices=vertices, cut_normals=cut, sections=sections)
