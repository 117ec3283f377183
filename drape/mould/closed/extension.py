"""Extension: the surface carried on past the rim of a region, straight along its tangent.

Outlines need the net to run past every edge, and laps and run-offs lie out there. Each
rim vertex sends out a straight ruling in its tangent plane, square to the rim, so that
distance along a ruling is distance from the edge. At corners (a turn of the rim of more
than CORNER) the ruling is the mitre's. Where rulings would cross (a rim that turns
inward within the width, as a step of the parting line does) their directions are
smoothed along the rim; the surface stays tangent, distances are then measured on it.
A crease that meets the rim goes on straight: its ruling lies in both tangent planes, and
the strip has a normal for each side of it.
Notches (corners that turn inward) are filled up and rounded first (``mould.notches``).
Holes get a cap (``mould.caps``), or, where they can't, a strip that ends inside them.
Given the closed mould (``mould.closed``), the surface past the parting line is the other
half's, and only mouths, trim lines' cavity ends and holes are carried on.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from drape.geometry.rims import (
    CORNER,
    is_hole,
    loop_length,
    rim_normals,
    rim_sides,
    rim_turns,
    rims,
    tangential,
)
from drape.geometry.surface import Bools, Floats, Ints, Surface, build, readonly, unit
from drape.mould.closed.caps import make_cap
from drape.mould.closed.notches import fill_notches
from drape.mould.closed.stitched import Stitched, distance_past
from drape.mould.region import Region

MOST_ROWS = 12
FOLD = np.radians(10.0)  # between the normals of a rim vertex's sides: a crease ends there
NOTCH = 1.5  # times the width: radius that notches are rounded to, so that rulings don't meet
HOLE_SHARE = 0.6  # of a hole's mean radius: how far its extension reaches inward


@dataclass(frozen=True, eq=False)
class Extended:
    """A region's surface with its extension; base vertices and faces keep their ids.

    Attributes
    ----------
    surface : Surface
    level : (m,) int
        0 on the region's faces, 1 where the net is needed too (beyond a trim line, or as
        far out as the allowances go), 2 on the margin, 3 in and past a notch and past the
        needed part of the other half, where no cloth lies.
    source_vertices, source_faces : (n,), (m,) int
        Vertex and face of the surface that was extended, −1 for new ones.
    sheets : (m,) int or None
        The region's, new faces with those beside them.
    """

    surface: Surface
    level: Ints
    source_vertices: Ints
    source_faces: Ints
    sheets: Ints | None = None

    def turned_over(self) -> Bools:
        """(m,) faces of the extension that lie upside down: it folds over itself there."""
        normals = self.surface.corner_normals.sum(axis=1)
        against = np.einsum("ij,ij->i", self.surface.face_normals, normals) < 0.0
        return np.asarray(against & (self.level > 0))


def extend(
    region: Region,
    surface: Surface,
    needed: float,
    margin: float,
    continuation: Stitched | None = None,
    across: float | None = None,
    past: Floats | None = None,
    barred: Bools | None = None,
) -> Extended:
    """Carry ``surface`` past the rims of ``region``.

    Parameters
    ----------
    region : Region, the own half's
    surface : Surface
        The region's, or a parallel of it. With a ``continuation``: the stitched one, or a
        parallel of that.
    needed, margin : mm
        The first ``needed`` mm must be covered by the net, ``margin`` mm more hold it.
    continuation : Stitched, optional
        The closed mould. Past the parting line the surface is then the other half's, faces
        with a corner within ``across + margin`` of the line; its level is 1 with a corner
        within ``across``, else 3. Not given: the surface goes on straight.
    across : mm, optional
        How far the net is needed past the parting line; ``needed`` if not given.
    past : (n,), optional
        ``distance_past`` of the stitched surface, mm, where it is known already.
    barred : (m,) bool, optional
        Faces of the stitched surface that must be left out.

    Returns
    -------
    Extended; the region's vertices and faces come first, with their ids.
    """
    far = None
    across = needed if across is None else across
    if continuation is not None:
        if past is None:
            past = distance_past(continuation, across + margin, surface)
        far = np.maximum(past, 0.0)
        level = np.where(continuation.other, 1, 0)
        level[: len(region.inside)] = ~region.inside
    else:
        level = np.where(region.inside, 0, 1)
    base_vertices, base_faces = len(surface.vertices), len(surface.faces)
    parts, level, far = _carried_on(surface, level, far, needed, margin)
    vertices, faces, normals = parts
    own = len(region.surface.vertices), len(region.surface.faces)
    kept_vertices, kept = np.arange(len(vertices)), np.arange(len(faces))
    if far is not None:
        nearest = far[faces].min(axis=1)
        level = np.where((nearest >= across) & (kept >= own[1]), 3, level)
        wanted = nearest < across + margin
        if barred is not None:
            wanted[:base_faces] &= ~barred
        kept = np.flatnonzero(wanted | (kept < own[1]))
        used = np.union1d(np.arange(own[0]), faces[kept])
        number = np.full(len(vertices), -1, dtype=np.int64)
        number[used] = np.arange(len(used))
        kept_vertices, vertices, faces = used, vertices[used], number[faces]
    extended = build(vertices, faces[kept], corner_normals=normals[kept], fitted=False)
    return Extended(
        extended,
        readonly(level[kept]),
        readonly(np.where(kept_vertices < base_vertices, kept_vertices, -1)),
        readonly(np.where(kept < base_faces, kept, -1)),
        None if region.sheets is None else _spread_out(region.sheets, extended.neighbours),
    )


def _spread_out(numbers: Ints, neighbours: Ints) -> Ints:
    """(m,) numbers ≥ 0 of the first faces, handed on to the others from face to face."""
    out = np.full(len(neighbours), -1, dtype=np.int64)
    out[: len(numbers)] = numbers
    while (out < 0).any():
        beside = np.where(neighbours >= 0, out[neighbours], -1).max(axis=1)
        found = (out < 0) & (beside >= 0)
        if not found.any():
            break
        out[found] = beside[found]
    return readonly(np.maximum(out, 0))


def _carried_on(surface: Surface, level: Ints, far: Floats | None, needed: float, margin: float):
    """Surface with what is carried on past its rims: (vertices, faces, corner normals), levels.

    And, with ``far`` (n,) given, how far past the parting line each vertex is, a new one
    as far as the rim it comes from.
    """
    base = len(surface.vertices)
    old, far_off = surface, far
    surface, of_notches = fill_notches(surface, needed, NOTCH * (needed + margin))
    levels, count = [level, of_notches], len(surface.vertices)
    vertices, faces, normals = [surface.vertices], [surface.faces], [surface.corner_normals]
    if far_off is not None:
        far_off = _as_near(old.vertices, far_off, surface.vertices[base:])
    for rim in rims(surface):
        if far_off is not None and not np.isfinite(far_off[rim]).any():
            continue
        cap = _cap(surface, rim, count)
        strip, owner = (cap, None) if cap else _strip(surface, rim, needed, margin, count, base)
        vertices.append(strip[0])
        faces.append(strip[1])
        normals.append(strip[2])
        levels.append(strip[3])
        if far_off is not None:
            of_rim = far_off[rim]
            more = _nearest_of(surface.vertices[rim], of_rim, strip[0]) if cap else far_off[owner]
            far_off = np.concatenate([far_off, more])
        count += len(strip[0])
    joined = tuple(np.concatenate(x) for x in (vertices, faces, normals))
    return joined, np.concatenate(levels), far_off


def _as_near(points: Floats, values: Floats, new: Floats) -> Floats:
    """Values with, for each of the new points, that of the nearest old one."""
    return np.concatenate([values, _nearest_of(points, values, new)]) if len(new) else values


def _nearest_of(points: Floats, values: Floats, at: Floats) -> Floats:
    return values[cKDTree(points).query(at)[1]] if len(at) else np.empty(0)


def _cap(surface: Surface, rim: Ints, first: int):
    """A cap over the rim if it is a hole's that can be capped: as ``_strip``, all needed."""
    if not is_hole(rim_turns(surface.vertices[rim], rim_normals(surface, rim))):
        return None
    made = make_cap(surface, rim, first)
    return None if made is None else (*made, np.ones(len(made[1]), dtype=np.int64))


def rulings(
    points: Floats, normals: Floats, width: float, creases: tuple[Bools, Floats] | None = None
) -> tuple[Ints, Floats, Bools]:
    """Rulings of a closed rim (k, 3) with unit normals.

    Returns, for each ruling in order round the rim, its rim vertex (n,), its vector
    (n, 3) per mm of width, and whether it belongs to a corner (n,). A corner sends out
    three: square to the edge behind, the mitre (longer, so that the strip is as wide
    there), and square to the edge ahead. ``creases``: the vertices (k,) that have a
    given ruling (k, 3), see ``_crease_rulings``.
    """
    ahead = unit(tangential(np.roll(points, -1, axis=0) - points, normals))
    behind = unit(tangential(points - np.roll(points, 1, axis=0), normals))
    turn = rim_turns(points, normals)
    out_a, out_b = np.cross(ahead, normals), np.cross(behind, normals)
    gap = np.linalg.norm(np.roll(points, -1, axis=0) - points, axis=1)
    share = (np.roll(gap, 1) / (gap + np.roll(gap, 1)))[:, None]  # the nearer edge counts more
    corner = turn > CORNER
    if creases is not None:
        corner &= ~creases[0]
    ray = unit(
        np.where(corner[:, None], 0.5 * (out_a + out_b), share * out_a + (1 - share) * out_b)
    )
    inward = -turn / (0.5 * (gap + np.roll(gap, 1)))
    if (inward * width > 0.75).any() and not is_hole(turn):
        ray = _smoothed(ray, normals, gap, corner, width)
        ray /= np.clip(np.einsum("ij,ij->i", ray, unit(out_a + out_b)), 0.5, 1.0)[:, None]
    if creases is not None:
        ray = np.where(creases[0][:, None], creases[1], ray)
    ray = np.where(corner[:, None], ray / np.clip(np.cos(0.5 * turn), 0.3, 1.0)[:, None], ray)
    owner = np.repeat(np.arange(len(points)), np.where(corner, 3, 1))
    vectors, of_corner = ray[owner], corner[owner]
    first = np.flatnonzero(of_corner)[::3]
    vectors[first], vectors[first + 2] = out_b[owner[first]], out_a[owner[first]]
    return owner, vectors, of_corner


def _strip(surface: Surface, rim: Ints, needed: float, margin: float, first: int, base_count: int):
    """One rim's strip: points, faces, corner normals, levels; new ids start at ``first``.

    And the rim vertex that each of the points belongs to. Past the round of a filled notch
    (vertices from ``base_count`` on) all is margin.
    """
    points, base = surface.vertices[rim], rim_normals(surface, rim)
    perimeter = loop_length(points)
    shrink = 1.0
    if is_hole(rim_turns(points, base)):
        shrink = min(1.0, HOLE_SHARE * perimeter / (2.0 * np.pi) / (needed + margin))
    heights = _heights(needed * shrink, margin * shrink, perimeter / len(rim))
    behind, ahead = rim_sides(surface, rim)
    creases = _crease_rulings(points, behind, ahead)
    owner, ray, corner = rulings(points, base, heights[-1], creases)
    points, base = points[owner], base[owner]
    grid = points[None] + heights[:, None, None] * ray[None]
    normals = unit(np.cross(ray[None], np.stack([_slopes(row) for row in grid])))
    normals = unit(normals + (base - normals[0])[None])
    normals[:, corner] = base[corner]
    before, after = normals.copy(), normals.copy()
    split = creases[0][owner]
    before[:, split], after[:, split] = behind[owner[split]], ahead[owner[split]]
    rows, k = len(heights) - 1, len(owner)
    ids = np.concatenate([rim[owner], first + np.arange(rows * k)]).reshape(rows + 1, k)
    outside = rim[owner] >= base_count
    faces, corner_normals, levels = _strip_faces(
        ids, before, after, heights <= needed * shrink + 1e-9, outside & np.roll(outside, -1)
    )
    strip = grid[1:].reshape(-1, 3), faces, corner_normals, levels
    return strip, np.tile(rim[owner], rows)


def _crease_rulings(points: Floats, behind: Floats, ahead: Floats) -> tuple[Bools, Floats]:
    """Where creases meet a closed rim (k, 3): whether (k,), and the crease's ruling (k, 3).

    It lies in both tangent planes, and is as long as the strip's width on both sides asks.
    """
    out_a = unit(np.cross(np.roll(points, -1, axis=0) - points, ahead))
    out_b = unit(np.cross(points - np.roll(points, 1, axis=0), behind))
    ray = unit(np.cross(behind, ahead))
    ray *= np.where(np.einsum("ij,ij->i", ray, out_a + out_b) < 0.0, -1.0, 1.0)[:, None]
    reach = np.minimum(np.einsum("ij,ij->i", ray, out_a), np.einsum("ij,ij->i", ray, out_b))
    there = (np.einsum("ij,ij->i", behind, ahead) < np.cos(FOLD)) & (reach > 0.5)
    return there, ray / np.where(there, reach, 1.0)[:, None]


def _strip_faces(
    ids: Ints, before: Floats, after: Floats, needed: Bools, outside: Bools
) -> tuple[Ints, Floats, Ints]:
    """Two triangles per quad of the strip; at corners the first row's are single.

    ``before`` and ``after`` are the normals on a ruling's sides towards the quads behind
    and ahead of it.
    """
    near, far = ids[:-1], ids[1:]
    near_next, far_next = np.roll(near, -1, axis=1), np.roll(far, -1, axis=1)
    n, f = after[:-1], after[1:]
    n_next, f_next = np.roll(before[:-1], -1, axis=1), np.roll(before[1:], -1, axis=1)
    faces = np.stack([near_next, near, far, near_next, far, far_next], -1).reshape(-1, 3)
    corner_normals = np.stack([n_next, n, f, n_next, f, f_next], -2).reshape(-1, 3, 3)
    inner = np.broadcast_to(needed[1:, None], near.shape)
    levels = np.where(outside[None], 3, np.where(inner, 1, 2))
    levels = np.repeat(levels.ravel(), 2)
    whole = faces[:, 0] != faces[:, 1]
    return faces[whole], corner_normals[whole], levels[whole]


def _heights(needed: float, margin: float, step: float) -> Floats:
    """Distances of the strip's rows from the rim, from 0; ``needed`` is one of them."""
    parts = [np.zeros(1)]
    for start, width in ((0.0, needed), (needed, margin)):
        rows = int(np.clip(np.ceil(width / step), 1, MOST_ROWS)) if width > 0.0 else 0
        parts.append(start + width * np.arange(1, rows + 1) / max(rows, 1))
    return np.concatenate(parts)


def _slopes(row: Floats) -> Floats:
    """(k, 3) tangents of a closed row by the parabola through each three points."""
    ahead, behind = np.roll(row, -1, axis=0) - row, row - np.roll(row, 1, axis=0)
    gap_a = np.clip(np.linalg.norm(ahead, axis=1), 1e-12, None)
    gap_b = np.clip(np.linalg.norm(behind, axis=1), 1e-12, None)
    return ahead * (gap_b / gap_a)[:, None] + behind * (gap_a / gap_b)[:, None]


def _smoothed(ray: Floats, normals: Floats, gap: Floats, corner: Bools, width: float) -> Floats:
    """Ruling directions averaged along the rim over about the width, corners kept."""
    k = len(ray)
    out = ray.copy()
    where = np.concatenate([[0.0], np.cumsum(gap)])[:-1]
    total = gap.sum()
    stops = np.flatnonzero(corner)
    for i in range(k):
        if corner[i]:
            continue
        distance = np.abs(where - where[i])
        distance = np.minimum(distance, total - distance)
        weight = np.exp(-0.5 * (distance / width) ** 2) * 0.5 * (gap + np.roll(gap, 1))
        if len(stops):
            weight[_across_corner(i, stops, k)] = 0.0
        out[i] = weight @ ray
    return unit(tangential(out, normals))


def _across_corner(i: int, stops: Ints, k: int) -> Bools:
    """(k,) vertices that lie at or past the corners on both sides of vertex i."""
    ahead, behind = (stops - i) % k, (i - stops) % k
    step = (np.arange(k) - i) % k
    return (step >= ahead.min()) & ((k - step) % k >= behind.min()) & (step != 0)
