"""A parting line that is given: the mesh is cut along it, and its hollow side is the cavity.

For meshes in which nothing shows the edge of the cavity: sheets that run out into a flange
without a crease, rounded rims, joggled flanges. A plane, a height along the closing direction,
or lines on the mould. Lengths in mm, directions unit vectors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import InputError
from drape.geometry.surface import Bools, Floats, Ints, Surface, build, unit
from drape.mould.crease_patches import DEPTH, LEVEL, OPENING, STRICTNESS, Parts
from drape.mould.cutting import CutMesh, find_crossings, in_plane, snap, split
from drape.mould.face_graph import FaceGraph, face_graph
from drape.mould.line_cut import OFF_MESH, LineCut

IN_PLANE = 1e-6  # of the size: a vertex that near a plane lies in it, rounding in the file or not
ALONG = np.sin(np.radians(5.0))  # a plane that leans less from the closing direction is none
STRAIGHT = 0.05  # of their extent: lines that are no wider lie in many planes
FLANGE = 0.3  # least n·closing of what counts as the flange past the line


# mm³, area seen along the closing direction, side, faces, how many other hollows there are
_Hollow = tuple[float, float, int, Bools, int]


@dataclass(frozen=True, eq=False)
class PartingLine:
    """Exactly one of a plane, lines and a height.

    Attributes
    ----------
    plane : (point, normal), each (3,), or None
    lines : tuple of (k, 3), or None
        Each closed (its last point is its first), or from border to border.
    height : float, mm along the closing direction from the origin, or None
    where : str
        The place that gives it, for messages.
    """

    plane: tuple[Floats, Floats] | None = None
    lines: tuple[Floats, ...] | None = None
    height: float | None = None
    where: str = "parting line"


@dataclass(frozen=True, eq=False)
class Cut:
    """A half's mesh cut along a parting line.

    Attributes
    ----------
    surface : Surface, the cut mesh, with the normals of the uncut one
    source : (m,) face of the uncut mesh of each face
    across : by edge of the line (low, high vertex) the unit normal of what cuts there
    past : (m,) −1 before a plane, +1 past it, 0 in it; None where lines were cut
    """

    surface: Surface
    source: Ints
    across: dict[tuple[int, int], Floats]
    past: Ints | None


def cut_halves(
    surfaces: dict[str, Surface], line: PartingLine, directions: Floats
) -> tuple[Floats, list[Cut], list[Parts]]:
    """Cut each half, and find which side of the line is its cavity.

    Parameters
    ----------
    directions : (d, 3) closing directions, of which the one with the most hollow is taken; a
        height counts along the first

    Raises
    ------
    InputError
        The line is off a mesh, doesn't end, or has no hollow on either side.
    """
    refused: InputError | None = None
    found: list[tuple[float, Floats, list[Cut], list[Parts]]] = []
    cuts: list[Cut] = []
    for direction in directions:
        try:
            if line.lines is None or not cuts:
                each = zip(surfaces.items(), (direction, -direction), strict=False)
                cuts = [
                    _cut(name, surface, line, out, directions[0]) for (name, surface), out in each
                ]
            outward = zip(surfaces, cuts, (direction, -direction), strict=False)
            sides = [_parts(cut, out, f"{line.where} ({name} half)") for name, cut, out in outward]
        except InputError as error:
            refused = refused or error
            continue
        hollow = sum(volume for volume, _ in sides)
        found.append((hollow, direction, cuts, [parts for _, parts in sides]))
    if not found and refused is not None:
        raise refused
    return max(found, key=lambda item: item[0])[1:]


def closing_directions(line: PartingLine, given: ArrayLike | None) -> Floats | None:
    """(2, 3) closing directions to try, from what is given; None if that doesn't fix them."""
    if given is not None:
        return _both_ways(np.asarray(given, float))
    if line.plane is not None:
        return _both_ways(line.plane[1])
    if line.lines is None:
        return None
    points = np.vstack(line.lines)
    spread, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[1:]
    if len(points) < 3 or spread[1] < STRAIGHT * spread[0]:
        raise InputError(
            "a straight parting line doesn't fix the closing direction",
            remedy="give closing in [mould]",
            where=line.where,
        )
    return _both_ways(axes[2])


def _both_ways(direction: Floats) -> Floats:
    return np.stack([unit(direction), -unit(direction)]) + 0.0  # no −0


def _plane(line: PartingLine, direction: Floats, closing: Floats) -> tuple[Floats, Floats] | None:
    """Point and normal of the plane to cut at, the normal on the side of ``direction``."""
    if line.height is not None:
        return line.height * closing, direction
    if line.plane is None:
        return None
    normal = unit(line.plane[1])
    cosine = float(normal @ direction)
    if abs(cosine) < ALONG:
        raise InputError(
            "the parting plane lies along the closing direction",
            value=f"{np.degrees(np.arcsin(abs(cosine))):.1f}° from it",
            limit="5° or more",
            remedy="turn the plane's normal, or give closing in [mould]",
            where=line.where,
        )
    return np.asarray(line.plane[0], float), normal * np.sign(cosine)


def _cut(name: str, surface: Surface, line: PartingLine, direction: Floats, closing: Floats) -> Cut:
    """Cut one half; ``direction`` points out of it."""
    where = f"{line.where} ({name} half)"
    plane = _plane(line, direction, closing)
    if plane is not None:
        return _cut_at_plane(surface, *plane, where)
    work = LineCut(surface)
    for points in line.lines or ():
        work.add(np.asarray(points, float), where)
    vertices, faces, normals, source = work.arrays()
    cut = build(vertices, faces, corner_normals=normals)
    return Cut(cut, source, work.sections, None)


def _cut_at_plane(surface: Surface, point: Floats, normal: Floats, where: str) -> Cut:
    height = (surface.vertices - point) @ normal
    height[np.abs(height) < IN_PLANE * surface.size] = 0.0
    _refuse_off(surface, height, where)
    normals = np.array(surface.corner_normals)
    mesh = CutMesh(surface.vertices.copy(), height, surface.faces, normals)
    everywhere, locate = np.ones(len(surface.faces), bool), in_plane(point, normal)
    snap(mesh, surface, everywhere, locate)
    crossings = find_crossings(mesh, surface, everywhere, locate)
    pieces = split(mesh, everywhere, crossings)
    cut = build(
        np.vstack([mesh.vertices, crossings.points]), pieces.faces, corner_normals=pieces.normals
    )
    heights = np.append(mesh.height, np.zeros(len(crossings.points)))[cut.faces]
    past = np.where(pieces.beyond, 1, np.where(heights.min(axis=1) < 0.0, -1, 0))
    f, k = np.nonzero((cut.neighbours >= 0) & (past < 0)[:, None])
    f, k = (x[past[cut.neighbours[f, k]] >= 0] for x in (f, k))
    ends = np.sort(np.stack([cut.faces[f, k], cut.faces[f, (k + 1) % 3]], 1), axis=1)
    across = {(int(a), int(b)): normal for a, b in ends}
    return Cut(cut, pieces.source, across, past.astype(np.int64))


def _refuse_off(surface: Surface, height: Floats, where: str) -> None:
    """Refuse a plane that neither cuts the mesh nor runs along its border."""
    if height.min() < 0.0 < height.max():
        return
    border = surface.faces[surface.neighbours < 0]
    near = np.abs(height[border]).min(initial=np.inf)
    lies_in = bool((height == 0.0).any())  # a flange that the plane holds
    if height.min() >= 0.0 or not (lies_in or near <= OFF_MESH):
        raise InputError(
            "the parting line leaves the half empty"
            if height.min() >= 0.0
            else "the parting line is off the mesh",
            value=f"the mesh lies from {height.min():.1f} to {height.max():.1f} mm past it",
            limit=f"a line that cuts the mesh, or lies within {OFF_MESH:g} mm of its border",
            remedy="move it onto the mould",
            where=where,
        )


def _parts(cut: Cut, direction: Floats, where: str) -> tuple[float, Parts]:
    """How hollow (mm³) the hollow side of the line is, with that side and the flange past it.

    ``direction`` points out of the half; ``where``: for messages.
    """
    surface = cut.surface
    inside = np.ones(len(surface.faces), bool) if cut.past is None else cut.past < 0
    graph = face_graph(surface)
    apart = _on_line(graph, cut)
    found: list[_Hollow] = []
    for strict in STRICTNESS:
        found += _hollows(graph, inside, apart, strict.join, direction)
    if not found:
        raise InputError(
            "the parting line leaves the half empty: neither side of it is hollow",
            remedy="move it onto the cavity's edge, or check closing in [mould]",
            where=where,
        )
    volume, score, side, cavity, others = max(found, key=lambda item: item[0])
    facing = side * (surface.face_normals @ direction)
    beside = np.zeros(len(cavity), bool)
    beside[graph.g[apart & cavity[graph.f] & ~cavity[graph.g]]] = True
    flange = beside | (~cavity & (facing > FLANGE))
    group = graph.groups(flange[graph.f] & flange[graph.g])
    flange &= np.isin(group, group[beside])
    level = surface.face_areas[flange & (facing > LEVEL)].sum()
    return volume, Parts(cavity, flange, side, score, float(level), others)


def _on_line(graph: FaceGraph, cut: Cut) -> Bools:
    """(e,) whether each edge of the graph is on the line."""
    faces, count = graph.surface.faces, len(graph.surface.vertices)
    f, k = np.nonzero(graph.surface.neighbours >= 0)
    a, b = faces[f, k], faces[f, (k + 1) % 3]
    codes = np.array([low * count + high for low, high in cut.across] or [-1], np.int64)
    return np.isin(np.minimum(a, b) * count + np.maximum(a, b), codes)


def _hollows(
    graph: FaceGraph, inside: Bools, apart: Bools, join: float, direction: Floats
) -> list[_Hollow]:
    """What is hollow of the faces let in.

    A sheet is joined across all its edges; a block not across convex creases that turn by more
    than ``join``: round a mouth its outside begins there.
    """
    surface, area = graph.surface, graph.surface.face_areas
    joined = inside[graph.f] & inside[graph.g] & ~apart
    if graph.closed:
        joined &= graph.turn <= join
    part = graph.groups(joined)
    count = int(part.max()) + 1
    own = np.bincount(part[inside], minlength=count) > 0
    if apart.any():  # else a bare sheet that ends at the plane
        own &= np.bincount(part[graph.f[apart]], minlength=count) > 0
    total = np.bincount(part, area, count)
    shown = np.bincount(part, surface.face_vectors @ direction, count)
    sides = np.ones(count, np.int64) if graph.closed else np.where(shown < 0.0, -1, 1)
    out = []
    for p in np.flatnonzero(own & (sides * shown > OPENING * total)).tolist():
        depth = _depth(surface, part == p, direction)
        if depth > 0.0:
            seen = float(abs(shown[p]))
            out.append((depth * seen, seen, int(sides[p]), part == p))
    return [(*hollow, len(out) - 1) for hollow in out]


def _depth(surface: Surface, inside: Bools, direction: Floats) -> float:
    """How far the rim of some faces stands above their middle along ``direction``, mm.

    0 where that is too little of their height for a hollow.
    """
    heights = (surface.vertices @ direction)[surface.faces]
    beyond = ~((surface.neighbours >= 0) & inside[surface.neighbours])
    f, k = np.nonzero(beyond & inside[:, None])
    a, b = surface.faces[f, k], surface.faces[f, (k + 1) % 3]
    length = np.linalg.norm(surface.vertices[b] - surface.vertices[a], axis=1)
    rim = 0.5 * (heights[f, k] + heights[f, (k + 1) % 3])
    areas = surface.face_areas[inside]
    if length.sum() == 0.0 or areas.sum() == 0.0:
        return 0.0
    middle = float(heights[inside].mean(axis=1) @ areas / areas.sum())
    depth = float(rim @ length / length.sum()) - middle
    return depth if depth > DEPTH * float(np.ptp(heights[inside])) else 0.0


def mostly(faces: Bools, cut: Cut, uncut: Surface) -> Bools:
    """Faces of the uncut mesh of which most is among some of the cut one's."""
    size = np.bincount(cut.source, cut.surface.face_areas * faces, len(uncut.faces))
    return size > 0.5 * uncut.face_areas
