"""From a mesh file to a ``Surface``: read, scale, weld, mend, orient; report what was changed.

Each step is a pure function on arrays, and reports what it changed as findings.
Lengths in mm once scaled. STL (binary, ASCII), PLY and OBJ.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from drape.errors import Finding, InputError
from drape.geometry.surface import Floats, Surface, build
from drape.mould.repair import (
    drop_specks,
    drop_useless,
    mend_flat,
    orient,
    weld,
)

SUFFIXES = (".stl", ".ply", ".obj")
UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
SMALLEST_PART = 5.0  # mm; below or above, the units are probably wrong
LARGEST_PART = 20_000.0
LIKELY_PART = (50.0, 5_000.0)


def read_surface(path: str | Path, unit_scale: float = 1.0) -> tuple[Surface, tuple[Finding, ...]]:
    """Read a mesh file.

    Parameters
    ----------
    path : path of an STL, PLY or OBJ file
    unit_scale : float
        Millimetres per unit of the file.

    Returns
    -------
    Surface, and findings on what was changed. The normals of a closed mesh point out of
    its material; those of an open one point to the side most of its facets had.

    Raises
    ------
    InputError
        Missing, unreadable or empty file, coordinates that aren't numbers, no triangles.
    """
    path = Path(path)
    if not (np.isfinite(unit_scale) and unit_scale > 0):
        raise InputError("the unit scale must be positive", value=unit_scale, where=path.name)
    vertices, faces = load_arrays(path)
    return prepare(vertices * unit_scale, faces, where=path.name)


def prepare(
    vertices: Floats, faces: np.ndarray, *, where: str
) -> tuple[Surface, tuple[Finding, ...]]:
    """Weld, clean, mend and orient arrays in mm, and build the surface; see ``read_surface``."""
    _check(vertices, faces, where)
    findings: list[Finding] = list(check_size(vertices[faces], where))
    steps: tuple[Callable[..., Any], ...] = (weld, drop_useless, mend_flat, drop_specks, orient)
    for step in steps:
        vertices, faces, found = step(vertices, faces, where)
        findings += found
        if len(faces) == 0:
            raise InputError(
                "the mesh has no triangles that have an area", remedy="export it again", where=where
            )
    used, compact = np.unique(faces, return_inverse=True)
    return build(vertices[used], compact.reshape(-1, 3)), tuple(findings)


def load_arrays(path: Path) -> tuple[Floats, np.ndarray]:
    """Vertices (n, 3) in the file's units and faces (m, 3), exactly as the file has them."""
    where = path.name
    if not path.is_file():
        raise InputError("no such mesh file", where=str(path), remedy="check the name")
    if path.suffix.lower() not in SUFFIXES:
        raise InputError(
            "not a mesh file that plywright can read",
            value=path.suffix or "no ending",
            limit=", ".join(SUFFIXES),
            where=where,
        )
    if path.stat().st_size == 0:
        what, remedy = "the mesh file is empty", "export it again"
        raise InputError(what, value="0 bytes", remedy=remedy, where=where)
    try:
        loaded = trimesh.load(str(path), process=False)
    except Exception as error:  # the library's readers raise whatever their parsers meet
        kind = path.suffix[1:].upper()
        raise InputError(
            f"the mesh can't be read as {kind}",
            value=_one_line(error),
            remedy="export it again",
            where=where,
        ) from error
    return _arrays_of(loaded, where)


def _arrays_of(loaded: Any, where: str) -> tuple[Floats, np.ndarray]:
    """Vertices and faces of whatever was loaded; the parts of a scene are joined."""
    parts: list[Any] = loaded.dump() if isinstance(loaded, trimesh.Scene) else [loaded]
    vertices, faces, first = [np.zeros((0, 3))], [np.zeros((0, 3), np.int64)], 0
    for part in parts:
        if getattr(part, "faces", None) is None:  # a cloud of points or a line
            continue
        given = np.asarray(part.vertices, np.float64)
        if given.ndim != 2 or given.shape[1] != 3:
            raise InputError(
                "the mesh's vertices don't have three coordinates",
                value=f"{given.shape[-1]} each" if given.ndim == 2 else "none in rows",
                remedy="export it again",
                where=where,
            )
        vertices.append(given)
        faces.append(np.asarray(part.faces, np.int64).reshape(-1, 3) + first)
        first += len(part.vertices)
    return np.vstack(vertices), np.vstack(faces)


def check_size(corners: Floats, where: str) -> tuple[Finding, ...]:
    """A warning where the part is so small or large that its units must be wrong."""
    size = float(np.linalg.norm(np.ptp(corners.reshape(-1, 3), axis=0)))
    if SMALLEST_PART <= size <= LARGEST_PART:
        return ()
    fits = [
        f'"{name}"' if factor > 0 else ""
        for name, factor in UNITS.items()
        if LIKELY_PART[0] <= size * factor <= LIKELY_PART[1]
    ]
    if size > LARGEST_PART:
        remedy = "check units in the job: they make the part too large"
    else:
        remedy = (
            f"check units in the job: {' or '.join(fits) or 'no unit'} would give a likely size"
        )
    return (Finding("warning", (where,), f"the part measures {size:.3g} mm", remedy),)


def _check(vertices: Floats, faces: np.ndarray, where: str) -> None:
    if len(faces) == 0:
        raise InputError(
            "the mesh is empty", value="0 triangles", remedy="export it again", where=where
        )
    if faces.min() < 0 or faces.max() >= len(vertices):
        raise InputError(
            "faces refer to vertices that don't exist",
            value=int(faces.max()),
            limit=f"below {len(vertices)}",
            remedy="export it again",
            where=where,
        )
    bad = ~np.isfinite(vertices[faces]).all(axis=(1, 2))
    if bad.any():
        raise InputError(
            "the mesh has coordinates that aren't numbers",
            value=f"{int(bad.sum())} triangles with NaN or infinity",
            remedy="export it again",
            where=where,
        )


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text[:120]
