"""Repairs of a raw mesh: weld, drop, mend, orient. Arrays in, arrays and findings out.

Every function takes vertices (n, 3) in mm, faces (m, 3) and the name to report under,
and returns new vertices and faces with a list of findings.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from drape.errors import Finding
from drape.geometry.surface import Bools, Floats, Ints, face_neighbours, matching_edge

Step = tuple[Floats, Ints, list[Finding]]

WELD_RELATIVE = 1e-6  # of the bounding box's diagonal
WELD_EDGE = 0.1  # of the shortest sane edge
SANE_EDGE = 0.01  # quantile of the edge lengths that counts as the shortest sane one
SPECK_AREA = 0.01  # of the whole area: smaller loose parts are dropped
MOST_PASSES = 20


def weld(vertices: Floats, faces: Ints, where: str) -> Step:
    """Join vertices nearer than the tolerance.

    By k-d tree and connected components: rounding coordinates would part neighbours that
    fall on two sides of a rounding step.
    """
    tolerance = weld_tolerance(vertices, faces)
    used, compact = np.unique(faces, return_inverse=True)
    points, corners = vertices[used], compact.reshape(-1, 3)
    pairs = cKDTree(points).query_pairs(tolerance, output_type="ndarray")
    n = len(points)
    graph = sparse.coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (n, n))
    count, label = connected_components(graph, directed=False)
    _, first = np.unique(label, return_index=True)
    rank = np.empty(count, dtype=np.int64)
    rank[np.argsort(first)] = np.arange(count)
    found = []
    if n > count:
        text = f"welded {n} vertices into {count} (those nearer than {tolerance:.2g} mm)"
        found.append(Finding("note", (where,), text))
    return points[np.sort(first)], rank[label][corners], found


def weld_tolerance(vertices: Floats, faces: Ints) -> float:
    """Distance below which two vertices are one, mm: small against the box and the edges."""
    corners = vertices[faces]
    size = float(np.linalg.norm(np.ptp(corners.reshape(-1, 3), axis=0)))
    lengths = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).ravel()
    lengths = lengths[lengths > WELD_RELATIVE * size]
    sane = float(np.quantile(lengths, SANE_EDGE)) if len(lengths) else size
    return min(WELD_RELATIVE * size, WELD_EDGE * sane)


def drop_useless(vertices: Floats, faces: Ints, where: str) -> Step:
    """Drop faces that name a vertex twice, and all but one of those on the same vertices."""
    a, b, c = faces.T
    whole = (a != b) & (b != c) & (c != a)
    kept = faces[whole]
    _, first = np.unique(np.sort(kept, axis=1), axis=0, return_index=True)
    found = []
    if not whole.all():
        text = f"dropped {int((~whole).sum())} triangles with fewer than three corners"
        found.append(Finding("note", (where,), text))
    if len(first) < len(kept):
        text = f"dropped {len(kept) - len(first)} duplicate triangles"
        found.append(Finding("warning", (where,), text))
    return vertices, kept[np.sort(first)], found


def heights(vertices: Floats, faces: Ints) -> tuple[Floats, Ints, Floats]:
    """Height over the longest edge (mm), which edge that is, and the shortest edge's length."""
    corners = vertices[faces]
    edges = np.roll(corners, -1, axis=1) - corners
    lengths = np.linalg.norm(edges, axis=2)
    twice_area = np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1)
    longest = lengths.argmax(axis=1)
    height = twice_area / np.maximum(lengths.max(axis=1), 1e-300)
    return height, longest, lengths.min(axis=1)


def mend_flat(vertices: Floats, faces: Ints, where: str) -> Step:
    """Mend triangles without area by flipping their longest edge with the neighbour.

    At a border there is no neighbour: the triangle is dropped.
    """
    tolerance = weld_tolerance(vertices, faces)
    flipped = dropped = 0
    for _ in range(MOST_PASSES):
        height, longest, _ = heights(vertices, faces)
        flat = np.flatnonzero(height < tolerance)
        if len(flat) == 0:
            break
        faces, more_flipped, more_dropped = _flip_pass(vertices, faces, flat, longest, tolerance)
        flipped, dropped = flipped + more_flipped, dropped + more_dropped
    found = []
    if flipped or dropped:
        text = f"repaired {flipped + dropped} triangles without area"
        found.append(Finding("note", (where,), text))
    return vertices, faces, found


def _flip_pass(
    vertices: Floats, faces: Ints, flat: Ints, longest: Ints, tolerance: float
) -> tuple[Ints, int, int]:
    """Flip what can be flipped at once; a face takes part in one flip a pass."""
    neighbours = face_neighbours(faces)
    match = matching_edge(faces, neighbours)
    faces, busy, keep = faces.copy(), np.zeros(len(faces), bool), np.ones(len(faces), bool)
    flipped = 0
    for face in flat:
        k = longest[face]
        other = neighbours[face, k]
        if busy[face] or (other >= 0 and busy[other]):
            continue
        busy[face] = True
        if other < 0:
            keep[face] = False
            continue
        busy[other] = True
        pair = _flip(faces[face], faces[other], k, match[face, k])
        if pair is None:  # the two lie on the same three vertices: a fold of no area
            keep[face] = keep[other] = False
            continue
        faces[face], faces[other] = pair
        flipped += 1
    return faces[keep], flipped, int((~keep).sum())


def _flip(face: Ints, other: Ints, k: int, j: int) -> tuple[Ints, Ints] | None:
    """The two triangles on the other diagonal, in the turn of ``other``."""
    apex, far = face[(k + 2) % 3], other[(j + 2) % 3]
    start, end = other[j], other[(j + 1) % 3]
    if apex == far:
        return None
    return np.array([start, apex, far]), np.array([apex, end, far])


def components(faces: Ints, neighbours: Ints) -> tuple[int, Ints]:
    """Number of edge-connected parts, and the part of each face."""
    f, k = np.nonzero(neighbours >= 0)
    m = len(faces)
    graph = sparse.coo_matrix((np.ones(len(f)), (f, neighbours[f, k])), (m, m))
    count, label = connected_components(graph, directed=False)
    return count, label.astype(np.int64)


def drop_specks(vertices: Floats, faces: Ints, where: str) -> Step:
    """Drop loose parts with less than a hundredth of the area; report larger ones."""
    count, label = components(faces, face_neighbours(faces))
    if count == 1:
        return vertices, faces, []
    corners = vertices[faces]
    edges = corners[:, 1:] - corners[:, :1]
    area = 0.5 * np.linalg.norm(np.cross(edges[:, 0], edges[:, 1]), axis=1)
    per_part = np.bincount(label, area, count)
    small = per_part < SPECK_AREA * per_part.sum()
    found = []
    if small.any():
        text = (
            f"dropped {int(small.sum())} loose parts of {int(small[label].sum())} triangles, "
            f"{per_part[small].sum():.3g} mm² in all"
        )
        found.append(Finding("warning", (where,), text))
    if (~small).sum() > 1:
        text = f"the mesh is in {int((~small).sum())} parts that aren't joined"
        found.append(Finding("warning", (where,), text, "check the export's tolerance"))
    return vertices, faces[~small[label]], found


def orient(vertices: Floats, faces: Ints, where: str) -> Step:
    """Turn faces so that neighbours agree; a closed part gets its normals outward.

    Faces are doubled into (face, as it is) and (face, turned over) and joined to those of
    their neighbours they agree with: the connected parts of that graph are the two
    possible orientations.
    """
    neighbours = face_neighbours(faces)
    count, label = components(faces, neighbours)
    turned, folded = _disagreeing(faces, neighbours, count, label)
    outward = turned ^ _wrong_side(vertices, faces, neighbours, turned, count, label)
    faces = np.where(outward[:, None], faces[:, ::-1], faces)
    found = []
    if turned.any():
        text = f"turned {int(turned.sum())} triangles over to match their neighbours"
        found.append(Finding("warning", (where,), text))
    if (outward ^ turned).any():
        found.append(
            Finding(
                "note",
                (where,),
                "turned a closed mesh inside out, so that its normals point outward",
            )
        )
    if folded:
        text = f"{folded} parts of the mesh have only one side, like a Möbius strip"
        found.append(Finding("error", (where,), text, "repair the mesh"))
    return vertices, faces, found


def _disagreeing(faces: Ints, neighbours: Ints, count: int, label: Ints) -> tuple[Bools, int]:
    """Faces to turn (the fewer in each part), and how many parts are one-sided."""
    m = len(faces)
    f, k = np.nonzero(neighbours >= 0)
    g = neighbours[f, k]
    j = matching_edge(faces, neighbours)[f, k]
    against = (faces[f, k] == faces[g, j]).astype(np.int64)  # same direction: they disagree
    rows = np.concatenate([f, f + m])
    columns = np.concatenate([g + against * m, g + (1 - against) * m])
    graph = sparse.coo_matrix((np.ones(len(rows)), (rows, columns)), (2 * m, 2 * m))
    _, side = connected_components(graph, directed=False)
    _, root = np.unique(label, return_index=True)
    turned = side[:m] != side[root[label]]
    one_sided = side[:m] == side[m:]
    share = np.bincount(label, turned, count) / np.bincount(label, minlength=count)
    turned ^= share[label] > 0.5
    return turned & ~one_sided, len(np.unique(label[one_sided]))


def _wrong_side(
    vertices: Floats, faces: Ints, neighbours: Ints, turned: Bools, count: int, label: Ints
) -> Bools:
    """Faces of closed parts whose signed volume is negative once ``turned`` is applied."""
    open_part = np.bincount(label, (neighbours < 0).any(axis=1), count) > 0
    corners = vertices[faces] - vertices[faces].reshape(-1, 3).mean(axis=0)
    volume = np.einsum("fi,fi->f", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6
    total = np.bincount(label, np.where(turned, -volume, volume), count)
    return (~open_part & (total < 0))[label]
