"""The choice of the closing direction, with cavity and flange of each half along it.

Directions are unit vectors; lengths in mm.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from drape.errors import InputError
from drape.geometry.surface import Floats, unit
from drape.mould import closing_direction as candidates
from drape.mould.crease_patches import Parts, Patches, classify
from drape.mould.level_lands import LevelLands
from drape.mould.repair import components

NEARLY_BEST = 0.9  # of the best score: directions that show the cavities as well
SAME = np.cos(np.radians(0.01))  # of two candidates that are one


def contacts(patches: list[Patches]) -> list[np.ndarray | None]:
    """Which patches of each half lie on the other one; None where none do."""
    if len(patches) < 2:
        return [None]
    here, there = patches
    found = [candidates.touching(here, there), candidates.touching(there, here)]
    return [f if f.any() else None for f in found]


def choose(
    names: tuple[str, ...],
    patches: list[Patches],
    contact: list[np.ndarray | None],
    given: ArrayLike | None,
) -> tuple[Floats, list[Parts]]:
    """The closing direction and the parts of each half.

    Of the directions that find most flanges and show about the most of the cavities, the
    one with the most flange square to it.
    """
    if given is not None:
        direction = checked_direction(given)
        parts = _parts_along(patches, contact, direction)
        unsure = [not (p and p.flange.any()) for p in parts]
        if any(unsure):
            by_level = _level_lands(patches, unsure)
            parts = _parts_along(patches, contact, direction, by_level)
        if not all(parts):
            _refuse_direction(names, patches, contact, direction, parts)
        return direction, [p for p in parts if p]
    directions = _candidates(patches, contact)
    tried = [_parts_along(patches, contact, direction) for direction in directions]
    unsure = [not any(p and p.flange.any() for p in half) for half in zip(*tried, strict=True)]
    if any(unsure):
        by_level = _level_lands(patches, unsure)
        tried = [_parts_along(patches, contact, direction, by_level) for direction in directions]
    found: list[tuple[float, float, Floats, list[Parts]]] = []
    for direction, parts in zip(directions, tried, strict=True):
        whole = [p for p in parts if p]
        if len(whole) == len(names):
            score, level = sum(p.score for p in whole), sum(p.level for p in whole)
            found.append((score, level, direction, whole))
    if not found:
        halves = zip(names, zip(*tried, strict=True), strict=True)
        missing = {name for name, half in halves if not any(half)}
        culprits = [n for n in names if n in missing] or list(names)
        reasons = {_reason(p) for n, p in zip(names, patches, strict=True) if n in culprits}
        raise InputError(
            f"no cavity found: {' / '.join(sorted(reasons))}",
            remedy="give the mesh of a mould half, or give its closing direction",
            where=", ".join(culprits),
        )
    flanged = [sum(p.flange.any() for p in parts) for *_, parts in found]
    found = [f for f, count in zip(found, flanged, strict=True) if count == max(flanged)]
    least = NEARLY_BEST * max(f[0] for f in found)
    _, _, direction, parts_found = max((f for f in found if f[0] >= least), key=lambda f: f[1])
    return direction, parts_found


def _reason(patch: Patches) -> str:
    """Why a mesh has no cavity, in one clause."""
    surface = patch.surface
    if patch.closed:
        return "the closed mesh has no cavity beside a flat flange"
    parts, _ = components(surface.faces, surface.neighbours)
    if parts > 1:
        return f"the open sheet is in {parts} parts that aren't joined"
    spread = surface.vertices - surface.vertices.mean(axis=0)
    if np.linalg.svd(spread, full_matrices=False)[1][2] < 1e-3 * np.linalg.norm(spread):
        return "the sheet is flat"
    return "the open sheet has no flange and isn't hollow in any direction"


def _candidates(patches: list[Patches], contact: list[np.ndarray | None]) -> Floats:
    """(k, 3) closing directions to try: of flat faces first, then of bare sheets."""
    out = []
    for patch, touching, sign in zip(patches, contact, (1.0, -1.0), strict=False):
        surface = patch.surface
        use = np.ones(len(surface.faces), bool) if touching is None else touching[patch.label]
        flat = candidates.dominant_normals(surface.face_normals[use], surface.face_areas[use])
        out += [sign * flat] if patch.closed else [flat, -flat]
        if not patch.closed:
            out.append(sign * candidates.bare_candidates(surface))
    every = np.vstack(out)
    same = np.triu(every @ every.T > SAME, k=1).any(axis=0)
    return every[~same]


def _level_lands(patches: list[Patches], wanted: list[bool]) -> list[LevelLands | None]:
    """For the halves in which no crease shows the flange."""
    each = zip(patches, wanted, strict=True)
    return [LevelLands(patch.surface) if want else None for patch, want in each]


def _parts_along(
    patches: list[Patches],
    contact: list[np.ndarray | None],
    direction: Floats,
    by_level: list[LevelLands | None] | None = None,
) -> list[Parts | None]:
    """The parts of each half for a closing direction; None for a half that doesn't fit.

    By creases, or where ``by_level`` has something of a half, by where it leaves the level.
    """
    out: list[Parts | None] = []
    each = zip(patches, contact, (1.0, -1.0), by_level or [None] * len(patches), strict=False)
    for patch, touching, sign, level in each:
        sides = (1,) if patch.closed else (1, -1)
        tried = [
            level.classify(sign * direction, side)
            if level is not None
            else classify(patch, sign * direction, side, touching)
            for side in sides
        ]
        fits = [p for p in tried if p]
        if not fits and not patch.closed:
            bare = candidates.classify_bare(patch.surface, sign * direction)
            fits = [bare] if bare else []
        out.append(max(fits, key=lambda p: p.score) if fits else None)
    return out


def checked_direction(given: ArrayLike) -> Floats:
    """A closing direction that is given, scaled to length one; InputError if it is none."""
    direction = np.asarray(given, dtype=float)
    if direction.shape != (3,) or not np.isfinite(direction).all() or not direction.any():
        raise InputError(
            "the closing direction must be three numbers, not all zero",
            value=np.asarray(given).tolist(),
        )
    return unit(direction)


def refuse_turned(direction: Floats) -> None:
    """Refuse a direction given that fits when it is turned round."""
    raise InputError(
        "the closing direction points the wrong way",
        value=np.round(direction, 4).tolist(),
        limit="from the first half into the second",
        remedy="change its sign, or leave it out",
    )


def _refuse_direction(
    names: tuple[str, ...],
    patches: list[Patches],
    contact: list[np.ndarray | None],
    direction: Floats,
    parts: list[Parts | None],
) -> None:
    if all(_parts_along(patches, contact, -direction)):
        refuse_turned(direction)
    where = ", ".join(n for n, p in zip(names, parts, strict=True) if p is None)
    raise InputError(
        "no cavity found along the closing direction",
        value=np.round(direction, 4).tolist(),
        remedy="leave closing out, so that plywright finds it",
        where=where,
    )
