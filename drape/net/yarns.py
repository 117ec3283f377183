"""How a net's yarns bend with the surface: runs along them that are bent too tightly.

Normal curvature, positive where concave seen from inside the hollow: from the turn of the
surface's normals between samples a fraction of a cell apart,
κ = −ΔN·ΔX/|ΔX|² (Weingarten's equations, key ``docarmo1976``). Lengths in mm, 1/mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from drape.geometry.patches import make_patches, place_near, rows_at
from drape.geometry.surface import CREASE_ANGLE, Floats, Ints, Surface
from drape.geometry.walk import ROW
from drape.net.net import Net

FINEST = 8  # samples in a cell side, at most
BESIDE = 3  # samples beside a stretch that show how the surface goes on
SHARP = 0.75  # mm: a smaller radius counts as a sharp corner
SHARPEST = np.radians(120.0)  # turn of a sharp corner beyond which its bridge isn't distinguished


@dataclass(frozen=True, eq=False)
class Yarn:
    """Samples along one yarn.

    along : (k,) mm, flat coordinate along the yarn
    points, normals : (k, 3) NaN where the net isn't
    faces : (k,) int, of the net's surface, −1 where the net isn't
    weights : (k, 2)
    """

    along: Floats
    points: Floats
    normals: Floats
    faces: Ints
    weights: Floats


@dataclass(frozen=True, eq=False)
class Run:
    """A stretch of a yarn that is bent more tightly than a limit.

    low, high : mm along the yarn (ends: see ``tight_runs``); turn : radians, of the normal over it
    radius : mm, the usual one where it is too tight; 0 in a sharp corner
    height : mm, under the cloth should it span the stretch (see ``bridge_height``)
    middle : (3,) where the height is greatest
    """

    low: float
    high: float
    turn: float
    radius: float
    height: float
    middle: Floats


def yarn_samples(net: Net, step: float, family: str, which: Ints) -> list[Yarn]:
    """Some warps (of each ``net.v``) or wefts (of each ``net.u``), sampled.

    ``family``: "warp" or "weft"; ``which`` (k,) their indices. ``step``: mm between samples,
    about; a sample lies on the surface under the chord between two nodes. Cells are divided
    into ``FINEST`` at most.
    """
    if family == "warp":
        rows, faces, known = net.rows[:, which], net.faces[:, which], net.known[:, which]
        return _sampled(net, net.u, rows, faces, known, step)
    rows = np.swapaxes(net.rows[which], 0, 1)
    return _sampled(net, net.v, rows, net.faces[which].T, net.known[which].T, step)


def _sampled(net, along: Floats, rows: Floats, faces: Ints, known, step: float) -> list[Yarn]:
    sides = np.diff(along)
    count = int(np.clip(np.ceil(float(sides.max()) / step), 1, FINEST))
    share = np.arange(count) / count
    places = np.append((along[:-1, None] + sides[:, None] * share).ravel(), along[-1])
    all_rows = np.full((len(places), rows.shape[1], ROW), np.nan)
    all_faces = np.full(all_rows.shape[:2], -1, dtype=np.int64)
    all_rows[::count][known], all_faces[::count][known] = rows[known], faces[known]
    i, j = np.nonzero(known[1:] & known[:-1])
    for k in range(1, count):
        near = i + (k > count / 2)
        target = (1.0 - share[k]) * rows[i, j, :3] + share[k] * rows[i + 1, j, :3]
        at = i * count + k, j
        all_faces[at], all_rows[at] = place_near(
            net.patches, faces[near, j], rows[near, j, 12:14], target
        )
    return [
        Yarn(places, r[:, :3], r[:, 3:6], f, r[:, 12:14])
        for r, f in zip(np.swapaxes(all_rows, 0, 1), all_faces.T, strict=True)
    ]


def laid_below(yarn: Yarn, base: Surface, source_faces: Ints) -> Yarn:
    """The yarn on the surface ``base`` below, at the same faces and weights.

    ``source_faces``: face of ``base`` of each face of the net's surface; others than its own
    are left out.
    """
    face = np.where(yarn.faces >= 0, source_faces[yarn.faces], -1)
    there = np.flatnonzero((face >= 0) & (face < len(base.faces)))
    points, normals = np.full_like(yarn.points, np.nan), np.full_like(yarn.points, np.nan)
    rows = rows_at(make_patches(base), face[there], yarn.weights[there])
    points[there], normals[there] = rows[:, :3], rows[:, 3:6]
    return replace(yarn, points=points, normals=normals)


def bends(yarn: Yarn) -> Floats:
    """(k − 1,) normal curvature between samples, 1/mm; NaN where the net isn't."""
    step, turn = np.diff(yarn.points, axis=0), np.diff(yarn.normals, axis=0)
    length = np.maximum(np.einsum("ki,ki->k", step, step), 1e-12)
    return -np.einsum("ki,ki->k", turn, step) / length


def tight_runs(yarn: Yarn, curvature: Floats, limit: float) -> list[Run]:
    """Stretches that somewhere have a ``curvature`` (k − 1,) above 1/``limit``.

    They go on to where the curvature has fallen half way to what is beside them, or to
    half its usual value if that is hollow too: a mesh's normals blur the place where an arc
    begins, and half way is where it was. Ends are interpolated between the middles of the
    samples' gaps.
    """
    curvature = np.nan_to_num(curvature, nan=-np.inf)
    wide = curvature * limit > 1.0
    for a, b in _stretches(wide):
        usual = _usual(curvature[a:b], limit)
        while a > 0 and curvature[a - 1] > _level(curvature, usual, a - 1, -1):
            a -= 1
        while b < len(curvature) and curvature[b] > _level(curvature, usual, b, 1):
            b += 1
        wide[a:b] = True
    return [_run(yarn, curvature, limit, a, b - 1) for a, b in _stretches(wide)]


def _stretches(mask: np.ndarray) -> list[tuple[int, int]]:
    """First index and the one past the last of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _usual(curvature: Floats, limit: float) -> float:
    """The usual curvature of a stretch where it is too tight, 1/mm."""
    return float(np.median(curvature[curvature * limit > 1.0]))


def _level(curvature: Floats, usual: float, at: int, way: int) -> float:
    """Half way from the usual curvature to that a few samples on, or to 0, 1/mm."""
    on = curvature[np.clip(at + way * np.arange(1, BESIDE + 1), 0, len(curvature) - 1)]
    return 0.5 * (usual + min(float(np.where(np.isinf(on), 0.0, on).min()), 0.0))


def _run(yarn: Yarn, curvature: Floats, limit: float, a: int, b: int) -> Run:
    """The stretch of the gaps a … b between samples."""
    here = curvature[a : b + 1]
    usual = _usual(here, limit)
    low = _end(yarn, curvature, _level(curvature, usual, a - 1, -1), a, a - 1)
    high = _end(yarn, curvature, _level(curvature, usual, b + 1, 1), b, b + 1)
    pairs = np.einsum("ki,ki->k", yarn.normals[a : b + 1], yarn.normals[a + 1 : b + 2])
    turns = np.arccos(np.clip(pairs, -1.0, 1.0))
    turn = float(turns.sum())
    steps = np.linalg.norm(np.diff(yarn.points[a : b + 2], axis=0), axis=1)
    if turns.max() > CREASE_ANGLE and steps[turns.argmax()] < SHARP * turns.max():
        at = a + int(turns.argmax())
        height = corner_height(limit, turn)
        return Run(low, high, turn, 0.0, height, 0.5 * (yarn.points[at] + yarn.points[at + 1]))
    ends = np.stack([_point_at(yarn, x) for x in (low, high)])
    height, at = bridge_height(ends, yarn.points[a : b + 2])
    return Run(low, high, turn, 1.0 / usual, height, yarn.points[a + at])


def _end(yarn: Yarn, curvature: Floats, level: float, inside: int, out: int) -> float:
    """Where the curvature falls to ``level``; the sample between where the net ends there.

    Where stretches of unlike curvature run into each other, the level of the whole may lie
    above or below both gaps: the end is then the nearer middle, never past them.
    """
    if not 0 <= out < len(curvature) or np.isinf(curvature[out]):
        return float(yarn.along[max(inside, out)])
    fall = curvature[inside] - curvature[out]
    share = float(np.clip((curvature[inside] - level) / fall, 0.0, 1.0)) if fall > 0.0 else 0.0
    first, last = (0.5 * (yarn.along[k] + yarn.along[k + 1]) for k in (inside, out))
    return float(first + share * (last - first))


def _point_at(yarn: Yarn, place: float) -> Floats:
    k = int(np.clip(np.searchsorted(yarn.along, place) - 1, 0, len(yarn.along) - 2))
    share = (place - yarn.along[k]) / (yarn.along[k + 1] - yarn.along[k])
    if share in (0.0, 1.0):  # at the net's end the sample beyond isn't known
        return yarn.points[k + int(share)]
    return (1.0 - share) * yarn.points[k] + share * yarn.points[k + 1]


def bridge_height(ends: Floats, points: Floats) -> tuple[float, int]:
    """Greatest distance of ``points`` (k, 3) from the chord between ``ends`` (2, 3); and where.

    Over an arc of a circle that is its sagitta, r(1 − cos(turn/2)).
    """
    chord = ends[1] - ends[0]
    chord = chord / max(float(np.linalg.norm(chord)), 1e-12)
    gap = points - ends[0]
    away = np.linalg.norm(gap - np.outer(gap @ chord, chord), axis=1)
    return float(away.max()), int(away.argmax())


def corner_height(radius: float, turn: float) -> float:
    """Height over a sharp corner of an arc that touches both its sides: r(1/cos(turn/2) − 1)."""
    return radius * (1.0 / float(np.cos(0.5 * min(turn, SHARPEST))) - 1.0)
