"""The closed mould of a tube slit along a run and unrolled, as a region that laps onto itself.

A ply that goes round both halves begins at the slit, on the own half's side, goes round and
ends on its own beginning. That last stretch is a copy of the first, one ply higher: the
region's faces lie on each other there, and sheet numbers distinguish them.

Lengths in mm. ``own`` is the half that the closed mould was stitched from first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from drape.errors import InputError
from drape.geometry.distance import distance_from
from drape.geometry.harmonic import harmonic_field
from drape.geometry.surface import Bools, Floats, Ints, Surface, build, readonly
from drape.mould.closed.cut_edges import edges_round, vertex_labels
from drape.mould.closed.stitched import Stitched, cut_open, inner_rims
from drape.mould.cutting import CutMesh, between_heights, find_crossings, snap, split
from drape.mould.region import Edge, Region

MOST_SHEETS = 16  # round the tube
FEWEST_SHEETS = 3  # with fewer, faces that lie on each other couldn't be distinguished


@dataclass(frozen=True, eq=False)
class Wrap:
    """A tube's inside, unrolled.

    Attributes
    ----------
    region : Region
        Its edges: where it begins and ends (kind ``border``), the two mouths or trim lines,
        and holes.
    heights : (n,) mm, those given, one ply more on the beginning, at the region's vertices
    lines : name of a run → its vertices in the region; of the slit run, where the beginning
        lies under it
    on_other : (m,) bool, the region's faces on the other half
    """

    region: Region
    heights: Floats
    lines: Mapping[str, Ints]
    on_other: Bools


@dataclass(frozen=True, eq=False)
class _Unrolled:
    """The slit mould with a copy of the own half's faces past the slit.

    faces : (m, 3), source : (m,) face of the closed mould
    copied : (m,) whether a face is a copy
    twin : (n,) of each vertex of the closed mould its copy past the slit, −1 without one
    origin : (n + c,) vertex of the closed mould of each vertex
    far : (n + c,) mm past where the ply ends, negative short of it
    heights : (n + c,) mm
    """

    faces: Ints
    source: Ints
    copied: Bools
    twin: Ints
    origin: Ints
    far: Floats
    heights: Floats


def cut_wrap(
    stitched: Stitched,
    run: str,
    overlap: float,
    heights: Floats,
    step: Floats,
    ends: tuple[str, str],
) -> Wrap:
    """Slit the closed mould along a run and unroll it, up to ``overlap`` past the slit.

    Parameters
    ----------
    run : name of the run, from one mouth to the other
    overlap : mm along the ply, on the own half
    heights : (n,) mm, of the ply's mid-surface above the closed mould
    step : (n,) mm, what the ply's own beginning adds to that, beside the slit
    ends : names of the edges where it begins and ends

    Raises
    ------
    InputError
        The hollow isn't a tube with two mouths, or the overlap goes past the own half.
    """
    slit = _slit(stitched, run)
    unrolled = _unrolled(stitched, slit, run, overlap, heights, step)
    vertices = stitched.surface.vertices[unrolled.origin]
    corner = stitched.surface.corner_normals[unrolled.source]
    whole = build(vertices, unrolled.faces, corner_normals=corner, fitted=False)
    mesh = CutMesh(vertices.copy(), unrolled.far.copy(), unrolled.faces, corner.copy())
    locate = between_heights(mesh)
    snap(mesh, whole, unrolled.copied, locate)
    crossings = find_crossings(mesh, whole, unrolled.copied, locate)
    pieces = split(mesh, unrolled.copied, crossings)
    part = np.flatnonzero(~pieces.beyond)
    used = np.unique(pieces.faces[part])
    number = np.full(len(mesh.vertices) + len(crossings.points), -1, dtype=np.int64)
    number[used] = np.arange(len(used))
    points = np.vstack([mesh.vertices, crossings.points])[used]
    surface = build(points, number[pieces.faces[part]], corner_normals=pieces.normals[part])
    source = unrolled.source[pieces.source[part]]
    inside = stitched.region.inside[source]
    at_end = np.concatenate([np.abs(mesh.height) < 1e-9, np.ones(len(crossings.points), bool)])
    at_begin = np.zeros(len(at_end), bool)
    at_begin[slit] = True
    labels = vertex_labels(
        stitched, crossings, number, [np.arange(len(unrolled.twin)), unrolled.twin]
    )
    loops = inner_rims(surface, inside)
    edges = edges_round(
        stitched, points, loops[0], (at_begin | at_end)[used], at_end[used], labels, ends
    )
    holes = [_hole(loop, labels) for loop in loops[1:]]
    if edges is None or None in holes:
        raise _no_tube(run)
    a, b = crossings.ends.T
    u = crossings.parameter
    between = (1.0 - u) * unrolled.heights[a] + u * unrolled.heights[b]
    region = Region(
        surface,
        readonly(inside),
        (*edges, *(hole for hole in holes if hole is not None)),
        ((0, 1, 2, 3), *((4 + k,) for k in range(len(holes)))),
        readonly(stitched.region.source_faces[source]),
        _sheets(surface, number[slit], np.flatnonzero(at_end[used]), run),
    )
    lines = {
        name: number[unrolled.twin[chain] if name == run else chain]
        for name, chain in stitched.run_vertices.items()
    }
    high = np.concatenate([unrolled.heights, between])[used]
    return Wrap(region, readonly(high), lines, readonly(stitched.other[source]))


def distance_past_slit(
    stitched: Stitched, run: str, reach: float, heights: Floats | None = None
) -> Floats:
    """Distance of the own half's vertices (n,) from a run's whole line, mm; ∞ past ``reach``.

    ``heights`` (n,): along the parallel surface at these heights.
    """
    surface = stitched.surface if heights is None else stitched.surface.offset(heights)
    own = ~stitched.other
    return distance_from(cut_open(surface, own), own, _slit_edges(stitched, run), reach)


def _no_tube(run: str) -> InputError:
    return InputError(
        "this hollow can't be wrapped in one ply with a single seam",
        value=run,
        limit="a tube with two mouths, with a seam from one to the other",
        remedy="use plies of each half, with laps or joint strips",
    )


def _slit_edges(stitched: Stitched, run: str) -> Ints:
    """(e, 2) edges of the joint's line that hang together with a run: past trim lines too."""
    line, chain = stitched.line, stitched.run_vertices[run]
    count = len(stitched.surface.vertices)
    ones = np.ones(len(line))
    graph = sparse.coo_matrix((ones, (line[:, 0], line[:, 1])), (count, count))
    label = connected_components(graph, directed=False)[1]
    return line[label[line[:, 0]] == label[chain[0]]]


def _slit(stitched: Stitched, run: str) -> Ints:
    """The slit's vertices; InputError unless it goes from rim to rim, past no other run."""
    edges = _slit_edges(stitched, run)
    vertices, times = np.unique(edges, return_counts=True)
    others = [chain for name, chain in stitched.run_vertices.items() if name != run]
    surface = stitched.surface
    f, k = np.nonzero(surface.neighbours < 0)
    ends = vertices[times == 1]
    on_rim = np.isin(ends, surface.faces[f, k])
    if len(ends) != 2 or not on_rim.all() or any(np.isin(o, vertices).any() for o in others):
        raise _no_tube(run)
    return vertices


def _unrolled(
    stitched: Stitched, slit: Ints, run: str, overlap: float, heights: Floats, step: Floats
) -> _Unrolled:
    surface, count = stitched.surface, len(stitched.surface.vertices)
    sides = surface.vertices[surface.faces]
    longest = float(np.linalg.norm(sides - np.roll(sides, 1, axis=1), axis=2).max())
    reach = overlap + 2.0 * longest
    past = np.minimum(distance_past_slit(stitched, run, reach, heights + step), reach + longest)
    own = np.flatnonzero(~stitched.other)
    copies = own[past[surface.faces[own]].min(axis=1) < overlap]
    twin = np.full(count, -1, dtype=np.int64)
    again = np.union1d(slit, surface.faces[copies])
    twin[again] = count + np.arange(len(again))
    faces = surface.faces.copy()
    at_slit = np.isin(faces, slit) & stitched.other[:, None]
    faces[at_slit] = twin[faces[at_slit]]
    if np.isin(np.setdiff1d(stitched.line, slit), surface.faces[copies]).any():
        raise InputError(
            "the wrapped ply's overlap passes the middle of its half",
            value=f"{overlap:g} mm at {run}",
            limit="less than the half's width there",
            remedy="use a smaller overlap",
        )
    origin = np.concatenate([np.arange(count), again])
    return _Unrolled(
        np.vstack([faces, twin[surface.faces[copies]]]),
        np.concatenate([np.arange(len(faces)), copies]),
        np.arange(len(faces) + len(copies)) >= len(faces),
        twin,
        origin,
        np.concatenate([np.full(count, -overlap), past[again] - overlap]),
        np.concatenate([heights, (heights + step)[again]]),
    )


def _hole(loop: Ints, labels: Mapping[int, list]) -> Edge | None:
    """The rim of a hole; None if it is no hole's."""
    named = set.intersection(*(set(labels.get(v, [])) for v in loop.tolist()))
    found = [name for name, kind in named if kind == "hole"]
    return Edge(found[0], "hole", readonly(loop), closed=True) if found else None


def _sheets(surface: Surface, begin: Ints, end: Ints, run: str) -> Ints:
    """(m,) sheet numbers: sectors of a field that grows from where it begins to where it ends."""
    fixed = np.concatenate([begin, end])
    values = np.concatenate([np.zeros(len(begin)), np.ones(len(end))])
    field = harmonic_field(surface.vertices, surface.faces, fixed, values)[surface.faces]
    # faces that touch are at most one sector apart if none spans more than one
    count = min(MOST_SHEETS, int(1.0 / max(float(np.ptp(field, axis=1).max()), 1e-9)))
    if count < FEWEST_SHEETS:
        raise InputError(
            "the mesh is too coarse to wrap a ply round it",
            value=f"{count} facets round the hollow at {run}",
            limit=f"at least {FEWEST_SHEETS}",
            remedy="use a finer mesh",
        )
    middle = np.clip(field.mean(axis=1), 0.0, 1.0 - 1e-9)
    return readonly((count * middle).astype(np.int64))
