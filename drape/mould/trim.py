"""Trim lines: cut a region at a plane inside a mouth.

Faces are split along the plane. New vertices lie on the smooth cubic of the edge they
divide (the boundary curve of a curved PN triangle, Vlachos et al. 2001, key
``vlachos2001``), exactly in the plane; their normals are interpolated. What lies past the
plane stays in the surface as *beyond*. Lengths in mm.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.errors import Finding, InputError
from drape.geometry.surface import Bools, Floats, Ints, Surface, build, readonly, unit
from drape.mould.cutting import Crossings, CutMesh, find_crossings, in_plane, snap, split
from drape.mould.region import Edge, Region
from drape.mould.rim_stretches import distance_to_polyline


def trim_region(
    region: Region, mouth_name: str, point: ArrayLike, normal: ArrayLike
) -> tuple[Region, tuple[Finding, ...]]:
    """Cut a region at a plane inside one of its mouths.

    Parameters
    ----------
    mouth_name : name of an edge of kind ``mouth``
    point : (3,) mm, a point of the plane
    normal : (3,) direction out of the part, along the hollow towards the mouth

    Returns
    -------
    Region whose mouth edge is replaced by one of kind ``trim`` and the same name, whose
    runs end there, and whose faces past the plane aren't ``inside``; findings.

    Raises
    ------
    InputError
        Unknown mouth, a plane that misses the cavity or cuts the mouth, a hole or another
        mouth, or a normal that points into the part.
    """
    where = f"trim line {mouth_name}"
    mouth = _mouth(region, mouth_name, where)
    origin, direction = _plane(point, normal, where)
    surface = region.surface
    height = (surface.vertices - origin) @ direction
    _check_side(height, mouth, where)
    zone = _past(surface, height, mouth)
    _check_zone(region, zone, mouth, height, where)
    mesh = CutMesh(surface.vertices.copy(), height, surface.faces, surface.corner_normals.copy())
    locate = in_plane(origin, direction)
    snap(mesh, surface, zone, locate)
    crossings = find_crossings(mesh, surface, zone, locate)
    pieces = split(mesh, zone, crossings)
    vertices = np.vstack([mesh.vertices, crossings.points])
    cut = build(vertices, pieces.faces, corner_normals=pieces.normals)
    inside = region.inside[pieces.source] & ~pieces.beyond
    chain, closed = _cut_chain(cut, inside, pieces.beyond, where)
    edges = _new_edges(region, mouth, mesh.height, crossings, chain, closed, direction, where)
    out = Region(
        cut, readonly(inside), edges, region.loops, readonly(region.source_faces[pieces.source])
    )
    room = distance_to_polyline(vertices[chain], surface.vertices[mouth.vertices]).min()
    return out, (Finding("note", (where,), f"it lies at least {room:.1f} mm inside the mouth"),)


def _mouth(region: Region, name: str, where: str) -> Edge:
    mouths = [e for e in region.edges if e.kind == "mouth"]
    for edge in mouths:
        if edge.name == name:
            return edge
    names = ", ".join(sorted(e.name for e in mouths)) or "none"
    raise InputError("no such mouth", value=name, limit=names, where=where)


def _plane(point: ArrayLike, normal: ArrayLike, where: str) -> tuple[Floats, Floats]:
    origin, direction = np.asarray(point, float), np.asarray(normal, float)
    for name, vector in (("point", origin), ("normal", direction)):
        if vector.shape != (3,) or not np.isfinite(vector).all():
            raise InputError(f"{name} must be three numbers", value=vector.tolist(), where=where)
    if not direction.any():
        raise InputError("the normal has zero length", value=direction.tolist(), where=where)
    return origin, unit(direction)


def _check_side(height: Floats, mouth: Edge, where: str) -> None:
    at_mouth = height[mouth.vertices]
    if height.max() <= 0 or height.min() >= 0:
        raise InputError(
            "the plane doesn't cut the cavity",
            value=f"cavity from {height.min():.1f} to {height.max():.1f} mm past it",
            remedy="place it inside the mouth",
            where=where,
        )
    if at_mouth.max() < 0:
        raise InputError("the normal points into the part", remedy="change its sign", where=where)
    if at_mouth.min() <= 0:
        raise InputError(
            "the plane cuts the mouth's edge",
            value=f"{-at_mouth.min():.2f} mm of it before the plane",
            remedy="move the plane inward, or turn it",
            where=where,
        )


def _past(surface: Surface, height: Floats, mouth: Edge) -> Bools:
    """(m,) faces with a part past the plane that hang together with the mouth."""
    above = height[surface.faces] > 0
    reach = (above | np.roll(above, -1, axis=1)) & (surface.neighbours >= 0)
    f, k = np.nonzero(reach)
    m = len(surface.faces)
    graph = sparse.coo_matrix((np.ones(len(f)), (f, surface.neighbours[f, k])), (m, m))
    _, label = connected_components(graph, directed=False)
    at_mouth = np.isin(surface.faces, mouth.vertices).any(axis=1)
    return np.isin(label, label[at_mouth]) & above.any(axis=1)


def _check_zone(region: Region, zone: Bools, mouth: Edge, height: Floats, where: str) -> None:
    """Refuse a plane behind which there is more than the mouth and the ends of its runs."""
    there = np.zeros(len(height), bool)
    there[region.surface.faces[zone]] = True
    past = there & (height > 0)
    for edge in region.edges:
        if edge is not mouth and edge.kind != "parting" and past[edge.vertices].any():
            raise InputError(f"the plane also cuts off {edge.kind} {edge.name}", where=where)
        if edge.kind == "parting" and past[edge.vertices].all():
            raise InputError(f"run {edge.name} lies wholly past the plane", where=where)


def _cut_chain(surface: Surface, inside: Bools, beyond: Bools, where: str) -> tuple[Ints, bool]:
    """The cut's vertices in order, the region on the left; whether it is closed."""
    f, k = np.nonzero((surface.neighbours >= 0) & inside[:, None])
    at = beyond[surface.neighbours[f, k]]
    f, k = f[at], k[at]
    start, end = surface.faces[f, k], surface.faces[f, (k + 1) % 3]
    following = dict(zip(start.tolist(), end.tolist(), strict=True))
    heads = sorted(set(following) - set(following.values()))
    closed = not heads
    chain = [heads[0] if heads else min(following)]
    while chain[-1] in following and len(chain) <= len(following):
        chain.append(following[chain[-1]])
    if len(chain) != len(following) + 1 or len(heads) > 1:
        raise InputError("the plane cuts the cavity in several places", where=where)
    return np.array(chain[:-1] if closed else chain, dtype=np.int64), closed


def _new_edges(
    region: Region,
    mouth: Edge,
    height: Floats,
    crossings: Crossings,
    chain: Ints,
    closed: bool,
    direction: Floats,
    where: str,
) -> tuple[Edge, ...]:
    """All edges of the region, the mouth replaced by the trim line, its runs shortened."""
    normals = readonly(np.tile(direction, (len(chain), 1)))
    planes = normals if closed else normals[1:]
    known = crossings.index()
    # a run that ends at this mouth twice is cut twice: the second time it has a new vertex
    height = np.append(height, np.zeros(len(crossings.points)))
    out = []
    for edge in region.edges:
        if edge is mouth:
            out.append(Edge(edge.name, "trim", readonly(chain), closed, normals, planes))
        elif edge.kind == "parting" and np.isin(edge.vertices[[0, -1]], mouth.vertices).any():
            out.append(_shortened(edge, mouth, height, crossings, known, chain, where))
        else:
            out.append(edge)
    return tuple(out)


def _shortened(
    edge: Edge,
    mouth: Edge,
    height: Floats,
    crossings: Crossings,
    known: dict[tuple[int, int], int],
    chain: Ints,
    where: str,
) -> Edge:
    """A run without the ends that lie past the plane."""
    for back in (False, True):
        at_mouth = edge.vertices[-1 if back else 0]
        if at_mouth in mouth.vertices and at_mouth == mouth.vertices[0 if back else -1]:
            edge = _cut_start(edge, back, height, crossings, known)
            if edge.vertices[-1 if back else 0] != chain[0 if back else -1]:
                raise InputError(f"the plane cuts run {edge.name} more than once", where=where)
    return edge


def _cut_start(
    edge: Edge,
    back: bool,
    height: Floats,
    crossings: Crossings,
    known: dict[tuple[int, int], int],
) -> Edge:
    """Drop the vertices past the plane from the start (or the back) of a run."""
    turn = slice(None, None, -1 if back else 1)
    vertices = edge.vertices[turn]
    normals = None if edge.cut_normals is None else edge.cut_normals[turn]
    first = int(np.argmax(height[vertices] <= 0))
    kept = vertices[first:]
    kept_from = first
    kept_normals = None if normals is None else normals[first:]
    if height[vertices[first]] < 0:
        a, b = int(vertices[first - 1]), int(vertices[first])
        i = known[min(a, b), max(a, b)]
        kept = np.append(crossings.first + i, kept)
        kept_from = first - 1
        if normals is not None and kept_normals is not None:
            u = crossings.parameter[i] if a < b else 1.0 - crossings.parameter[i]
            new = unit((1 - u) * normals[first - 1] + u * normals[first])
            kept_normals = np.vstack([new, kept_normals])
    cut = None if kept_normals is None else readonly(kept_normals[turn])
    sections = None if edge.sections is None else readonly(edge.sections[turn][kept_from:][turn])
    chain = readonly(kept[turn].astype(np.int64))
    return replace(edge, vertices=chain, cut_normals=cut, sections=sections)
