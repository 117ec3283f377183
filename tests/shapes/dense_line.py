"""Meshes with vertices set densely on a line of their border, for exact distances from it."""

from itertools import pairwise

import numpy as np
from pygeodesic.geodesic import PyGeodesicAlgorithmExact


def with_dense_line(vertices, faces, line, step):
    """The mesh with its border edges ``line`` (e, 2) cut to less than ``step`` mm.

    Returns vertices (the old ones first), faces, and ids of the vertices on the line.
    """
    vertices, faces = [*vertices], [list(f) for f in faces]
    ends = {frozenset(e) for e in line.tolist()}
    sources = set(line.ravel().tolist())
    for i in range(len(faces)):
        for k in range(3):
            a, b, c = (faces[i][(k + s) % 3] for s in range(3))
            if frozenset((a, b)) not in ends:
                continue
            length = np.linalg.norm(vertices[b] - vertices[a])
            shares = np.linspace(0, 1, int(length / step) + 3)[1:-1]
            new = [a, *range(len(vertices), len(vertices) + len(shares)), b]
            vertices += [(1 - t) * vertices[a] + t * vertices[b] for t in shares]
            sources |= set(new)
            faces[i] = [new[0], new[1], c]
            faces += [[p, q, c] for p, q in pairwise(new[1:])]
            break
    return np.array(vertices), np.array(faces), np.array(sorted(sources))


def dense_distance(vertices, faces, line):
    """Exact distance over facets from points set densely on the line; ∞ off the faces."""
    count = len(vertices)
    vertices, faces, sources = with_dense_line(vertices, faces, line, 0.1)
    used, compact = np.unique(faces, return_inverse=True)
    algorithm = PyGeodesicAlgorithmExact(vertices[used], compact.reshape(-1, 3))
    found = algorithm.geodesicDistances(np.flatnonzero(np.isin(used, sources)))[0]
    out = np.full(len(vertices), np.inf)
    out[used] = found
    return out[:count]
