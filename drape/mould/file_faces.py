"""Which triangle of the user's file each face of a read surface is.

Reading welds vertices and drops or mends faces; what is left keeps its corners, and by these
it is found again. Lengths in mm.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from drape.geometry.surface import Floats, Ints, Surface
from drape.mould.reading import load_arrays
from drape.mould.repair import weld_tolerance

NOT_IN_FILE = -1


def file_faces(path: str | Path, unit_scale: float, surface: Surface) -> Ints:
    """(m,) number in the file, from 0, of each face of the ``surface`` read from it.

    −1 for faces that were mended: they have other corners than any triangle of the file. Of
    duplicate triangles the first one answers. A polygon with more corners than three counts
    as the triangles that it is read as.
    """
    vertices, faces = load_arrays(Path(path))
    return matched(vertices * unit_scale, faces, surface)


def matched(vertices: Floats, faces: Ints, surface: Surface) -> Ints:
    """As ``file_faces``, of arrays in mm."""
    used = np.flatnonzero(np.bincount(faces.ravel(), minlength=len(vertices)))
    distance, near = cKDTree(surface.vertices).query(vertices[used])
    # welded vertices lie in chains of neighbours nearer than the tolerance
    close = distance <= 3.0 * weld_tolerance(vertices, faces)
    owner = np.full(len(vertices), -1, dtype=np.int64)
    owner[used] = np.where(close, near, -1)
    corners = np.sort(owner[faces], axis=1)
    whole = (corners[:, 0] >= 0) & (np.diff(corners, axis=1) > 0).all(axis=1)
    number = np.flatnonzero(whole)
    rows = np.concatenate([corners[whole], np.sort(surface.faces, axis=1)])
    key = _row_numbers(rows)
    first = np.full(int(key.max()) + 1, NOT_IN_FILE, dtype=np.int64)
    given = key[: len(number)]
    first[given[::-1]] = number[::-1]
    return first[key[len(number) :]]


def _row_numbers(rows: Ints) -> Ints:
    """(k,) number of each of (k, 3) rows, the same for the same rows."""
    order = np.lexsort(rows.T)
    new = np.ones(len(rows), dtype=np.int64)
    new[:1] = 0
    new[1:] = (np.diff(rows[order], axis=0) != 0).any(axis=1)
    out = np.empty(len(rows), dtype=np.int64)
    out[order] = np.cumsum(new)
    return out
