"""The curve that a rim's polyline stands for: a cubic over each segment, sampled.

A rim is where a surface (the cavity) meets another (the flange, the plane of a mouth), so its
tangent is square to both normals. That is local: a segment of 100 mm beside ones of 6 mm, as CAD
kernels make them where straights meet arcs, isn't pulled aside by them, as a spline through all
vertices is. Where the other surface isn't known, or bends itself (its facets then say less than
the vertices do), the direction within the surface comes from circles through neighbouring
vertices, and the direction across it from the surface's normal all the same.

Lengths in mm, angles in radians. A *section* is the unit normal of the surface that cuts the rim
out along one segment, (3,), of either sign; NaN where there is none.
"""

from __future__ import annotations

import numpy as np

from drape.geometry.arrays import Bools, Floats, Ints
from drape.geometry.surface import unit

ALONG = 0.6  # cosine: an end tangent that is farther off its chord than that is none
TOUCHING = 0.3  # sine of the angle between surfaces that nearly touch: their cut says little
STRAIGHT = 1e-3  # radians off both tangents: fitted normals aren't surer
STEADY = np.radians(0.5)  # between sections of neighbouring segments: no more than rounding
CIRCLES = np.array([1.0, 4.0, 1.0])  # behind, round, ahead: on even vertices their errors cancel
NEARNESS = 3.0  # power of a circle's span: short circles say more of the curve at their vertex
FARTHEST = 1.0  # mm between a chord and its curve where only neighbours give it; exports are finer
UNEVEN = 3.0  # a segment bends at most so many times as much at one end as at the other


def rim_samples(
    points: Floats, closed: bool, longest: float, normals: Floats, sections: Floats
) -> tuple[Ints, Floats, Floats, Floats]:
    """Sample the curve through a rim's vertices, without kinks between them.

    Parameters
    ----------
    points : (k, 3), mm
    closed : bool
    longest : mm between samples; every vertex is a sample
    normals : (s, 2, 3) unit normals of the surface at both ends of each segment
    sections : (s, 3), see the module

    Returns
    -------
    segment (n,), share (n,) along the segment, position (n, 3), unit tangent (n, 3).
    For an open polyline the last vertex is the last segment's end (share 1).
    """
    ring = np.concatenate([points, points[:1]]) if closed else points
    step = np.diff(ring, axis=0)
    count = np.maximum(1, np.ceil(np.linalg.norm(step, axis=1) / longest).astype(int))
    segment = np.repeat(np.arange(len(count)), count)
    share = np.concatenate([np.arange(c) / c for c in count])
    if not closed:
        segment, share = np.append(segment, len(count) - 1), np.append(share, 1.0)
    ends = end_tangents(points, closed, normals, sections)
    turn = np.arccos(np.clip(np.einsum("si,si->s", ends[:, 0], ends[:, 1]), -1.0, 1.0))
    size = np.linalg.norm(step, axis=1) / np.cos(turn / 4.0) ** 2  # as long as a circle's
    start, d, t = ring[segment], step[segment], (size[:, None, None] * ends)[segment]
    s = share[:, None]
    rest = 1.0 - s
    position = start + s * s * (3.0 - 2.0 * s) * d + s * rest * (rest * t[:, 0] - s * t[:, 1])
    slope = 6.0 * s * rest * d + rest * (1.0 - 3.0 * s) * t[:, 0] + s * (3.0 * s - 2.0) * t[:, 1]
    return segment, share, position, unit(slope)


def end_tangents(points: Floats, closed: bool, normals: Floats, sections: Floats) -> Floats:
    """(s, 2, 3) unit tangents at both ends of each segment; arguments as of ``rim_samples``.

    Each is square to the surface's normal there, unless that lies along the chord. A segment
    whose tangents are as good as along it is straight.
    """
    ring = np.concatenate([points, points[:1]]) if closed else points
    chord = unit(np.diff(ring, axis=0))[:, None]
    ahead = _tangential(np.broadcast_to(chord, normals.shape), normals)
    bent, cut = _cut_bend(chord, ahead, normals, sections)
    cut &= _steady(sections, closed)
    guess = _circle_tangents(ring, closed)
    toward = guess[np.stack([np.arange(len(chord)), np.arange(1, len(chord) + 1)], 1)]
    bend = np.where(cut, bent, _angle(ahead, _tangential(toward, normals), normals))
    size = np.linalg.norm(np.diff(ring, axis=0), axis=1)
    bend = np.where(cut, bent, _limited(bend, size, closed))[..., None]
    out = np.cos(bend) * ahead + np.sin(bend) * np.cross(normals, ahead)
    lean = np.einsum("sei,sei->se", out, np.broadcast_to(chord, out.shape))
    good = (lean > ALONG) & (lean.min(axis=1, keepdims=True) < np.cos(STRAIGHT))
    return np.where(good[..., None], out, chord)


def cut_turns(points: Floats, closed: bool, normals: Floats, sections: Floats) -> Floats:
    """(k,) angle at each vertex between the lines that the surfaces meet in on its two sides.

    NaN where they say nothing; arguments as of ``rim_samples``.
    """
    ring = np.concatenate([points, points[:1]]) if closed else points
    chord = unit(np.diff(ring, axis=0))[:, None]
    ahead = _tangential(np.broadcast_to(chord, normals.shape), normals)
    bent, cut = _cut_bend(chord, ahead, normals, sections)
    bent = np.where(cut, bent, np.nan)[..., None]
    ends = np.cos(bent) * ahead + np.sin(bent) * np.cross(normals, ahead)
    before, after = np.roll(ends[:, 1], 1, axis=0), ends[:, 0]
    if not closed:
        before = np.concatenate([ends[:1, 0], ends[:, 1]])
        after = np.concatenate([ends[:, 0], ends[-1:, 1]])
    return np.arccos(np.clip(np.einsum("ki,ki->k", before, after), -1.0, 1.0))


def _tangential(vectors: Floats, normals: Floats) -> Floats:
    """Unit vectors (…, 3) along the surface with unit ``normals``."""
    along = np.einsum("...i,...i->...", vectors, normals)[..., None]
    return unit(vectors - along * normals)


def _angle(first: Floats, second: Floats, normals: Floats) -> Floats:
    """Angles (…) from one vector to another round ``normals``."""
    sine = np.einsum("...i,...i->...", np.cross(first, second), normals)
    return np.arctan2(sine, np.einsum("...i,...i->...", first, second))


def _cut_bend(
    chord: Floats, ahead: Floats, normals: Floats, sections: Floats
) -> tuple[Floats, Bools]:
    """Angles (s, 2) from the chord to the line that two surfaces meet in; whether they do.

    A section is made square to its chord first: a rim that was moved a little, as by a ply's
    height, takes it along.
    """
    across = sections[:, None]
    across = unit(across - np.einsum("sei,sei->se", across, chord)[..., None] * chord)
    line = np.cross(normals, across)
    sine = np.linalg.norm(line, axis=-1)
    way = np.einsum("sei,sei->se", line, np.broadcast_to(chord, line.shape))
    with np.errstate(invalid="ignore"):
        good = (sine > TOUCHING) & (np.abs(way) > ALONG * sine)
        line = unit(line) * np.sign(way)[..., None]
    return np.where(good, _angle(ahead, line, normals), 0.0), good


def _steady(sections: Floats, closed: bool) -> Bools:
    """(s, 2) whether the cutting surface is plane round each end of a segment.

    At an open end there is nothing to compare with: as at the segment's other end.
    """
    known = np.asarray(np.isfinite(sections).all(axis=1))
    turn = np.abs(np.einsum("si,si->s", sections, np.roll(sections, -1, axis=0)))
    with np.errstate(invalid="ignore"):
        same = turn > np.cos(STEADY)  # between a segment and the next
    out = np.zeros((len(sections), 2), dtype=bool)
    out[:, 0], out[:, 1] = np.roll(same, 1), same
    if not closed:
        out[0, 0] = out[0, 1] or len(sections) == 1
        out[-1, 1] = out[-1, 0]
    return out & known.reshape(-1, 1)


def _circle_tangents(ring: Floats, closed: bool) -> Floats:
    """(s + 1, 3) unit tangents at the vertices of a chain: the mean of three circles.

    They pass through the vertex and its two neighbours, and two vertices behind, and two ahead.
    """
    step = np.diff(ring, axis=0)
    size = np.linalg.norm(step, axis=1, keepdims=True)
    way = unit(step)
    if len(way) < 2:
        return np.repeat(way, 2, axis=0)
    if closed:
        way, size = (np.vstack([x[-2:], x, x[:2]]) for x in (way, size))
    # circles (c, 3) through three vertices in turn: at the first, the middle and the last
    middle = unit(size[1:] * way[:-1] + size[:-1] * way[1:])
    first, last = _mirrored(middle, way[:-1]), _mirrored(middle, way[1:])
    weight = (size[1:] + size[:-1]) ** -NEARNESS
    total = np.zeros((len(way) + 1, 3))
    for at, tangent, share in zip((2, 1, 0), (last, middle, first), CIRCLES, strict=True):
        total[at : at + len(weight)] += share * weight * tangent
    return unit(total[2:-2] if closed else total)


def _mirrored(vectors: Floats, axes: Floats) -> Floats:
    return 2.0 * np.einsum("ij,ij->i", vectors, axes)[:, None] * axes - vectors


def _limited(bend: Floats, length: Floats, closed: bool) -> Floats:
    """Bends (s, 2) of tangents off their chords (s,), so that no segment overshoots.

    Those of a circle are equal and opposite; so they are made at open ends. A segment bent one
    way at both ends, or too far for a chord, is straight: between slight kinks it is.
    """
    bow = bend * [1.0, -1.0]
    if not closed:
        bow[0, 0], bow[-1, 1] = bow[0, 1], bow[-1, 0]
    size = np.abs(bow)
    size = np.minimum(size, UNEVEN * size[:, ::-1])
    bent = (bow.prod(axis=1) > 0.0) & (0.25 * length * size.max(axis=1) < FARTHEST)
    return np.where(bent[:, None], np.sign(bow) * size, 0.0) * [1.0, -1.0]
