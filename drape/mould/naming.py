"""Names of mouths, runs and holes, the same in both halves; from rims to regions.

Mouths are A, B, C… by position along the cavity's longest principal axis (ties by
coordinates); a run is named by the mouths it joins, and counted by its position across
that axis, along closing × axis. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from string import ascii_uppercase

import numpy as np

from drape.errors import Finding, InputError
from drape.geometry.surface import Bools, Floats, Ints, Surface, build, readonly, unit
from drape.mould.region import Edge, Region
from drape.mould.rim_stretches import (
    Stretch,
    distance_to_polyline,
    length_centre,
    parting_normals,
    plane_normal,
    rim_loops,
    split_rim,
)

TIE = 1e-3  # of the size: positions nearer than this along the axis are equal
PLANE = 0.05  # of its extent: a mouth that deviates more isn't plane; plies end square there
FLAT = 1e-5  # of its extent: rounding in a file; an edge that is no flatter isn't cut by a plane
STRAIGHT = 1e-3  # of its extent: an edge that is no wider lies in many planes
SAME_MOUTH = 0.1  # of the size: how far apart the mouths of two halves may be

RunNames = dict[int, str]


@dataclass(frozen=True, eq=False)
class Rim:
    """A half's cavity with its rim: the outer loop's stretches, then the loops of holes."""

    half: str
    whole: Surface
    surface: Surface
    source_faces: Ints
    closing: Floats
    outer: list[Stretch]
    holes: list[Stretch]
    across: dict[tuple[int, int], Floats]  # by rim segment: unit normal of the facet across it


@dataclass(eq=False)
class NamedMouth:
    """A mouth and its stretches: number in the outer loop by the half's name."""

    centre: Floats
    normal: Floats
    stretches: dict[str, int] = field(default_factory=dict)
    points: list[Floats] = field(default_factory=list)
    name: str = ""

    @property
    def halves(self) -> tuple[str, ...]:
        """Names of the halves it belongs to."""
        return tuple(self.stretches)


def find_rim(
    half: str,
    whole: Surface,
    cavity: Bools,
    flange: Bools,
    closing: Floats,
    line: tuple[dict[tuple[int, int], Floats], Ints] | None = None,
) -> Rim:
    """Cut the cavity out of a half and divide its rim; ``closing`` points out of this half.

    ``line``, where ``whole`` was cut along a parting line, or its walls carried on to it: by the
    line's edges (low, high vertex) the unit normal of what cuts there, and the uncut mesh's face
    of each face. The cavity then keeps the normals of ``whole``.
    """
    source = np.flatnonzero(cavity)
    used, compact = np.unique(whole.faces[source], return_inverse=True)
    normals = None if line is None else whole.corner_normals[source]
    surface = build(whole.vertices[used], compact.reshape(-1, 3), corner_normals=normals)
    loops = rim_loops(surface)
    if not loops:
        raise InputError("no cavity found: the surface has no rim", where=half)
    outer = loops[0]
    across = whole.neighbours[source[outer[:, 0]], outer[:, 1]]
    at_flange = (across >= 0) & flange[across]
    if line is not None:  # beside a wall that was carried on there is no face
        at_flange |= [edge in line[0] for edge in _edges(surface, outer, used)]
    holes = [
        Stretch("hole", surface.faces[loop[:, 0], loop[:, 1]], closed=True) for loop in loops[1:]
    ]
    stretches = split_rim(surface, outer, at_flange, closing)
    across_normals = _normals_across(whole, surface, source, loops)
    if line is not None:
        rim = np.concatenate(loops)
        tail, head = surface.faces[rim[:, 0], rim[:, 1]], _heads(surface, rim)
        for a, b, edge in zip(tail, head, _edges(surface, rim, used), strict=True):
            if edge in line[0]:
                across_normals[int(a), int(b)] = line[0][edge]
        source = line[1][source]
    return Rim(half, whole, surface, source, closing, stretches, holes, across_normals)


def _heads(surface: Surface, rim: Ints) -> Ints:
    return surface.faces[rim[:, 0], (rim[:, 1] + 1) % 3]


def _edges(surface: Surface, rim: Ints, used: Ints) -> list[tuple[int, int]]:
    """Edges (low, high vertex) of the whole along a rim (k, 2); ``used``: their vertices there."""
    ends = np.stack([surface.faces[rim[:, 0], rim[:, 1]], _heads(surface, rim)], axis=1)
    return [(int(a), int(b)) for a, b in np.sort(used[ends], axis=1)]


def _normals_across(
    whole: Surface, surface: Surface, source: Ints, loops: list[Ints]
) -> dict[tuple[int, int], Floats]:
    """Unit normals of the facets across a cavity's rim, by segment (tail, head)."""
    f, k = np.concatenate(loops).T
    across = whole.neighbours[source[f], k]
    normals = whole.face_normals[across]
    good = (across >= 0) & normals.any(axis=1)
    tail, head = surface.faces[f, k], surface.faces[f, (k + 1) % 3]
    ends = zip(tail[good].tolist(), head[good].tolist(), strict=True)
    return dict(zip(ends, normals[good], strict=True))


def name_parts(
    rims: list[Rim],
) -> tuple[list[NamedMouth], list[RunNames], list[RunNames], list[Finding]]:
    """Mouths in order, names of each half's runs and of its holes, by number of the stretch."""
    axes = sorting_axes(rims)
    size = max(rim.surface.size for rim in rims)
    mouths = _pair_mouths(rims, size)
    mouths.sort(key=lambda m: _place(m.centre, axes, size))
    for name, mouth in zip(_letters(), mouths, strict=False):
        mouth.name = name
    findings = [
        Finding("warning", ("mould",), f"mouth {m.name} was found in half {m.halves[0]} only")
        for m in mouths
        if len(m.halves) < len(rims)
    ]
    runs = _name_runs(rims, mouths, axes, size)
    holes = [_name_holes(rim, axes, size) for rim in rims]
    return mouths, runs, holes, findings


def sorting_axes(rims: list[Rim]) -> Floats:
    """(2, 3) directions to sort by: along the cavities' longest principal axis, and across it.

    The first has its largest component positive; the second is closing × first, so that a
    round section doesn't leave it open.
    """
    centres = [r.surface.vertices[r.surface.faces].mean(axis=1) for r in rims]
    points = np.vstack(centres)
    areas = np.concatenate([r.surface.face_areas for r in rims])
    spread = points - areas @ points / areas.sum()
    _, axes = np.linalg.eigh((spread * areas[:, None]).T @ spread)
    longest = axes[:, -1]
    longest = longest * np.sign(longest[np.abs(longest).argmax()])
    return np.stack([longest, unit(np.cross(rims[0].closing, longest))])


def _place(point: Floats, axes: Floats, size: float) -> tuple[float, ...]:
    """Sorting key: position along the first axis, then coordinates."""
    step = TIE * size
    return (float(np.round(point @ axes[0] / step)), *np.round(point / step).tolist())


def _letters() -> list[str]:
    return [*ascii_uppercase, *(a + b for a in ascii_uppercase for b in ascii_uppercase)]


def _pair_mouths(rims: list[Rim], size: float) -> list[NamedMouth]:
    """Mouths of all halves; those that are near each other are one."""
    mouths: list[NamedMouth] = []
    for rim in rims:
        for i, stretch in enumerate(rim.outer):
            if stretch.kind != "mouth":
                continue
            points = stretch.points(rim.surface)
            middle = (points[0] + points[-1]) / 2
            others = [m for m in mouths if rim.half not in m.stretches]
            gap = [_mouth_gap(m, middle) for m in others]
            if gap and min(gap) < SAME_MOUTH * size:
                mouth = others[int(np.argmin(gap))]
            else:
                mouth = NamedMouth(middle, np.zeros(3))
                mouths.append(mouth)
            mouth.stretches[rim.half] = i
            mouth.points.append(points)
            mouth.normal = mouth.normal + _outward(rim, stretch)
    for mouth in mouths:
        centres = [length_centre(points) for points in mouth.points]
        total = sum(length for _, length in centres)
        mouth.centre = sum((c * (length / total) for c, length in centres), np.zeros(3))
        mouth.normal = plane_normal(np.vstack(mouth.points), mouth.normal)
    return mouths


def _mouth_gap(mouth: NamedMouth, middle: Floats) -> float:
    return float(np.linalg.norm(mouth.centre - middle))


def _outward(rim: Rim, stretch: Stretch) -> Floats:
    """Sum of the in-surface directions out of the cavity along a stretch, mm."""
    points = stretch.points(rim.surface)
    normals = np.zeros_like(rim.surface.vertices)
    np.add.at(normals, rim.surface.faces, rim.surface.corner_normals)
    normals = unit(normals)[stretch.vertices]
    middle = normals[:-1] + normals[1:] if not stretch.closed else normals
    return np.cross(np.diff(points, axis=0), middle).sum(axis=0)


def _name_runs(
    rims: list[Rim], mouths: list[NamedMouth], axes: Floats, size: float
) -> list[RunNames]:
    """Names of the runs of each half by number of the stretch, matched by geometry."""
    named: dict[str, list[tuple[str, Floats]]] = {}
    out = []
    for rim in rims:
        runs = [
            (i, _run_key(rim, i, mouths), s.points(rim.surface))
            for i, s in enumerate(rim.outer)
            if s.kind == "parting"
        ]
        runs.sort(key=lambda run: _run_place(run[2], axes, size))
        names: RunNames = {}
        for i, key, points in runs:
            known = [(n, p) for n, p in named.get(key, []) if n not in names.values()]
            gaps = [float(distance_to_polyline(points, p).mean()) for _, p in known]
            if gaps and min(gaps) < SAME_MOUTH * size:
                names[i] = known[int(np.argmin(gaps))][0]
                continue
            names[i] = f"{key}.{len(named.get(key, [])) + 1}"
            named.setdefault(key, []).append((names[i], points))
        out.append(names)
    return out


def _run_place(points: Floats, axes: Floats, size: float) -> tuple[float, ...]:
    """Sorting key: position across the longest axis, then coordinates."""
    return _place(length_centre(points)[0], axes[1:], size)


def _run_key(rim: Rim, i: int, mouths: list[NamedMouth]) -> str:
    """The mouths that a run joins, as ``A-B``; ``rim`` if there are none."""
    here = {m.stretches[rim.half]: m.name for m in mouths if rim.half in m.stretches}
    if not here:
        return "rim"
    return "-".join(_mouths_at(i, here, len(rim.outer)))


def _mouths_at(i: int, mouths: Mapping[int, str], count: int) -> list[str]:
    """Names of the mouths on both sides of stretch ``i`` of ``count``, sorted; none without."""
    return sorted((mouths[(i - 1) % count], mouths[(i + 1) % count])) if mouths else []


def _name_holes(rim: Rim, axes: Floats, size: float) -> RunNames:
    centres = [length_centre(hole.points(rim.surface))[0] for hole in rim.holes]
    order = sorted(range(len(centres)), key=lambda i: _place(centres[i], axes, size))
    return {i: f"hole.{rank + 1}" for rank, i in enumerate(order)}  # in the order of their names


def region_of(rim: Rim, runs: RunNames, mouths: list[NamedMouth], holes: RunNames) -> Region:
    """The cavity with its named edges; the outer loop starts at its first mouth by name."""
    mouth_of = {m.stretches[rim.half]: m for m in mouths if rim.half in m.stretches}
    outer = [_with_sections(rim, _edge(rim, i, runs, mouth_of)) for i in range(len(rim.outer))]
    at_mouth = [i for i, e in enumerate(outer) if e.kind == "mouth"]
    first = min(at_mouth, key=lambda i: outer[i].name) if at_mouth else 0
    outer = outer[first:] + outer[:first]
    inner = [
        _with_sections(rim, Edge(holes[i], "hole", readonly(rim.holes[i].vertices), True))
        for i in holes
    ]
    loops = (tuple(range(len(outer))), *((len(outer) + i,) for i in range(len(inner))))
    inside = readonly(np.ones(len(rim.surface.faces), bool))
    return Region(rim.surface, inside, (*outer, *inner), loops, readonly(rim.source_faces))


def _edge(rim: Rim, i: int, runs: RunNames, mouth_of: dict[int, NamedMouth]) -> Edge:
    stretch = rim.outer[i]
    points = rim.surface.vertices[stretch.vertices]
    if stretch.kind == "mouth":
        mouth, vertices = mouth_of[i], readonly(stretch.vertices)
        off = np.ptp(points @ mouth.normal)
        if off > PLANE * np.linalg.norm(np.ptp(points, axis=0)):
            return Edge(mouth.name, "mouth", vertices, stretch.closed)
        normals = np.tile(mouth.normal, (len(points), 1))
        return Edge(mouth.name, "mouth", vertices, stretch.closed, readonly(normals))
    normals = parting_normals(points, stretch.closed, rim.closing)
    vertices = readonly(stretch.vertices)
    ends = tuple(_mouths_at(i, {k: m.name for k, m in mouth_of.items()}, len(rim.outer)))
    return Edge(runs[i], "parting", vertices, stretch.closed, readonly(normals), ends=ends)


def _with_sections(rim: Rim, edge: Edge) -> Edge:
    """The edge with what cuts it out: the facets across it, else the plane that it lies in."""
    none = np.full(3, np.nan)
    found = [rim.across.get((a, b), none) for a, b in edge.segments.tolist()]
    sections = np.array(found).reshape(-1, 3)
    points = rim.surface.vertices[edge.vertices]
    if np.isnan(sections).all() and len(points) > 2:
        spread, axes = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[1:]
        if spread[2] <= FLAT * spread[0] and spread[1] > STRAIGHT * spread[0]:
            sections = np.tile(axes[2], (len(sections), 1))
    return replace(edge, sections=readonly(sections))
