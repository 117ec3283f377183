"""Closed hollows from mouth to mouth, and the field that grows along them."""

import numpy as np
import trimesh
from exact.shapes import grid
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from drape.geometry.harmonic import harmonic_field


def welded(parts):
    """One mesh of several (vertices, faces), vertices nearer than 1e-6 mm joined."""
    counts = np.cumsum([0] + [len(v) for v, _ in parts])
    vertices = np.concatenate([v for v, _ in parts])
    faces = np.concatenate([f + c for (_, f), c in zip(parts, counts, strict=False)])
    pairs = cKDTree(vertices).query_pairs(1e-6, output_type="ndarray")
    n = len(vertices)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (n, n))
    count, label = connected_components(graph, directed=False)
    first = np.zeros(count, dtype=int)
    first[label[::-1]] = np.arange(n)[::-1]
    return vertices[first], label[faces]


def tube_hollow(tube, along=60, around=64):
    """Both halves of a ``SplitTube`` without flange, joined, with its field from end 0."""
    halves = [tube.mesh(half, along=along, around=around) for half in ("lower", "upper")]
    vertices, faces = welded([(m.vertices, m.faces) for m in halves])
    ends = [np.vstack([tube.mouth(h, e) for h in ("lower", "upper")]) for e in (0, 1)]
    near = [cKDTree(e).query(vertices)[0] < 0.2 for e in ends]
    return vertices, faces, field_between(vertices, faces, near[0], near[1])


def field_between(vertices, faces, first, others):
    fixed = np.flatnonzero(first | others)
    return harmonic_field(vertices, faces, fixed, np.where(first[fixed], 0.0, 1.0))


def y_hollow(width, height, arm, cells=10, along=30):
    """Three arms of a rectangular section at 120°, round a triangular prism.

    Returns the mesh, its field from the arm along +x, and the arms' unit directions.
    """
    directions = [np.array([np.cos(a), np.sin(a)]) for a in np.radians([0.0, 120.0, 240.0])]
    inner = width / (2 * np.sqrt(3.0))  # from the middle of the triangle to its sides
    parts = []
    for d in directions:
        side = np.array([-d[1], d[0]])

        def floor(u, w, z, d=d, side=side):
            flat = (inner + u)[..., None] * d + w[..., None] * side
            return np.concatenate([flat, np.broadcast_to(z, u.shape)[..., None]], -1)

        u, w = np.linspace(0, arm, along + 1), np.linspace(-width / 2, width / 2, cells + 1)
        z = np.linspace(0, height, cells + 1)
        parts += [grid(lambda a, b, z=z0, f=floor: f(a, b, z), u, w) for z0 in (0.0, height)]
        parts += [
            grid(lambda a, b, w=w0, f=floor: f(a, np.full_like(a, w), b), u, z)
            for w0 in (-width / 2, width / 2)
        ]
    corners = [inner * d - 0.5 * width * np.array([-d[1], d[0]]) for d in directions]
    for z in (0.0, height):
        i, j = np.array([(i, j) for i in range(cells + 1) for j in range(cells + 1 - i)]).T
        flat = corners[0] + np.outer(i / cells, corners[1] - corners[0])
        flat = flat + np.outer(j / cells, corners[2] - corners[0])
        number = {pair: k for k, pair in enumerate(zip(i.tolist(), j.tolist(), strict=True))}
        triangles = [
            [number[a, b], number[a + 1, b], number[a, b + 1]] for a, b in number if a + b < cells
        ]
        triangles += [
            [number[a + 1, b], number[a + 1, b + 1], number[a, b + 1]]
            for a, b in number
            if a + b < cells - 1
        ]
        parts.append((np.column_stack([flat, np.full(len(flat), z)]), np.array(triangles)))
    vertices, faces = welded(parts)
    reach = np.stack([vertices[:, :2] @ d for d in directions], 1)
    at_end = reach > inner + arm - 1e-6
    field = field_between(vertices, faces, at_end[:, 0], at_end[:, 1] | at_end[:, 2])
    return vertices, faces, field, [np.append(d, 0.0) for d in directions]


def y_halves(width, height, arm, cells=10, along=30):
    """The halves of a Y's mould, split at half its height: trimesh meshes by name."""
    vertices, faces, _, _ = y_hollow(width, height, arm, cells, along)
    high = vertices[faces][..., 2].mean(axis=1) > 0.5 * height
    out = {}
    for half, part in (("lower", faces[~high]), ("upper", faces[high])):
        mesh = trimesh.Trimesh(vertices, part, process=False)
        mesh.fix_normals(multibody=False)
        inward = 1.0 if half == "lower" else -1.0
        flat = np.abs(mesh.face_normals[:, 2]) > 0.9
        if (mesh.face_normals[flat, 2] * inward).sum() < 0.0:
            mesh.invert()
        out[half] = mesh
    return out
