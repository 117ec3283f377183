"""Two chains along the same line, vertex by vertex: which coincide, which are missing.

Lengths in mm. Chains are (k, 3) points in the same direction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from drape.geometry.polyline import KINK, arc_positions
from drape.geometry.surface import Floats, Ints, unit
from drape.mould.rim_stretches import tangents

SNAP = 0.05  # of the edges there: vertices nearer than that along the line are one
AT_ONCE = 200  # points whose feet are looked for together, to save memory
STEP = 1e-3  # of an edge: least step between vertices whose feet coincide


@dataclass(frozen=True, eq=False)
class Pairing:
    """A common chain: its points, and each chain's vertex there or −1.

    Attributes
    ----------
    points : (c, 3) mm, half way between the two lines
    first, second : (c,) int
    gap : (c,) mm between the lines
    """

    points: Floats
    first: Ints
    second: Ints
    gap: Floats


@dataclass(frozen=True, eq=False)
class Feet:
    """Nearest places on a polyline: segment, share of it, point (k, 3), distance (k,)."""

    segment: Ints
    share: Floats
    point: Floats
    distance: Floats


def feet_on(points: Floats, line: Floats) -> Feet:
    """The nearest places to ``points`` (k, 3) on the open polyline ``line`` (j, 3)."""
    start, step = line[:-1], np.diff(line, axis=0)
    square = np.maximum((step**2).sum(axis=1), 1e-300)
    segment, share = np.empty(len(points), np.int64), np.empty(len(points))
    for first in range(0, len(points), AT_ONCE):
        part = points[first : first + AT_ONCE]
        t = np.clip((part @ step.T - (start * step).sum(1)) / square, 0.0, 1.0)
        off = ((start + t[..., None] * step - part[:, None]) ** 2).sum(axis=2)
        at = off.argmin(axis=1)
        segment[first : first + AT_ONCE] = at
        share[first : first + AT_ONCE] = t[np.arange(len(part)), at]
    point = start[segment] + share[:, None] * step[segment]
    return Feet(segment, share, point, np.linalg.norm(points - point, axis=1))


def pair_chains(
    first: Floats, second: Floats, closed: bool, near: float, pins: Sequence[tuple[int, int]] = ()
) -> Pairing:
    """Pair the vertices of two chains along the same line.

    Vertices nearer than ``SNAP`` of the edges there are one; so are the chains' ends
    where they are nearer than ``near`` mm, and ``pins``. What one chain lacks is given by
    −1. Where an open chain runs past the other's end, the rest is left out.
    """
    ring_a, ring_b = (np.vstack([c, c[:1]]) if closed else c for c in (first, second))
    s_a, s_b = arc_positions(ring_a)[: len(first)], _positions(second, ring_a)
    total = float(arc_positions(ring_a)[-1])
    order = np.arange(len(second))
    keep_a, keep_b = np.ones(len(first), bool), np.ones(len(second), bool)
    pairs = dict(pins)
    if closed:
        late = s_b > total - 0.5 * (total - s_a[-1])
        s_b = np.where(late, s_b - total, s_b)
        order = np.roll(order, -int(s_b.argmin()))
    else:
        pairs |= _ends(first, second, s_b, near, keep_a, keep_b)
    for i, j in pairs.items():
        s_b[j] = s_a[i]
    s_b[order] = _increasing(s_b[order], second[order])
    pairs |= _matches(s_a, s_b, first, second, pairs, keep_a, keep_b)
    one, two = _merged(s_a, s_b, order, pairs, keep_a, keep_b)
    points, gap = _between(first, second, ring_a, ring_b, closed, one, two)
    return Pairing(points, one, two, gap)


def _positions(points: Floats, line: Floats) -> Floats:
    """(k,) length along a polyline up to the nearest place to each point."""
    feet, where = feet_on(points, line), arc_positions(line)
    return where[feet.segment] + feet.share * np.diff(where)[feet.segment]


def _ends(first, second, s_b, near, keep_a, keep_b) -> dict[int, int]:
    """Pairs of the chains' ends; vertices past the other chain's end are kept no more."""
    pairs = {}
    s_a, t_a, t_b = arc_positions(first), _positions(first, second), arc_positions(second)
    for end, sign in ((0, 1.0), (-1, -1.0)):
        i, j = end % len(first), end % len(second)
        if np.linalg.norm(first[i] - second[j]) <= near:
            pairs[i] = j
            continue
        past_a = sign * (s_b[j] - s_a) > 0.0
        past_b = sign * (t_a[i] - t_b) > 0.0
        if past_a.any():
            keep_a &= ~past_a
        elif past_b.any():
            keep_b &= ~past_b
        else:
            pairs[i] = j
    return pairs


def _increasing(s: Floats, points: Floats) -> Floats:
    """Positions made to grow by at least a little from vertex to vertex."""
    step = STEP * np.linalg.norm(np.diff(points, axis=0), axis=1)
    shift = np.concatenate([[0.0], np.cumsum(step)])
    return np.maximum.accumulate(s - shift) + shift


def _edge_sizes(points: Floats) -> Floats:
    """(k,) the shorter of the edges beside each vertex, mm."""
    step = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.minimum(np.append(step, np.inf), np.insert(step, 0, np.inf))


def _matches(s_a, s_b, first, second, pairs, keep_a, keep_b) -> dict[int, int]:
    """Further pairs: vertices that nearly coincide, the nearest first."""
    size_a, size_b = _edge_sizes(first), _edge_sizes(second)
    at = np.clip(np.searchsorted(s_a, s_b), 1, len(s_a) - 1)
    at = np.where(s_b - s_a[at - 1] < s_a[at] - s_b, at - 1, at)
    off = np.abs(s_b - s_a[at])
    close = (off <= SNAP * np.minimum(size_a[at], size_b)) & keep_a[at] & keep_b
    out: dict[int, int] = {}
    used_a, used_b = set(pairs), set(pairs.values())
    for j in np.flatnonzero(close)[np.argsort(off[close], kind="stable")].tolist():
        i = int(at[j])
        if i not in used_a and j not in used_b:
            out[i] = j
            used_a.add(i)
            used_b.add(j)
    return out


def _merged(s_a, s_b, order, pairs, keep_a, keep_b) -> tuple[Ints, Ints]:
    """Both chains' vertices in one order; a pair never lets one chain overtake itself."""
    out: list[tuple[int, int]] = []
    stops = sorted(pairs.items())
    rank = np.empty(len(order), np.int64)
    rank[order] = np.arange(len(order))
    i = j = 0
    for a, b in [*stops, (len(s_a), -1)]:
        end = len(order) if b < 0 else int(rank[b])
        single = [(s_a[x], 0, x, -1) for x in range(i, a) if keep_a[x]]
        single += [(s_b[y], 1, -1, y) for y in order[j:end].tolist() if keep_b[y]]
        out += [(x, y) for _, _, x, y in sorted(single, key=lambda e: e[:2])]
        if b >= 0:
            out.append((a, b))
            i, j = a + 1, end + 1
    one, two = np.array(out, dtype=np.int64).reshape(-1, 2).T
    return one, two


def _between(first, second, ring_a, ring_b, closed, one, two) -> tuple[Floats, Floats]:
    """Points half way between the lines, and the gaps.

    Where two vertices are one, the line's sharper corner says where along the line.
    """
    turn_a, turn_b = _turns(ring_a, closed)[one], _turns(ring_b, closed)[two]
    of_a = (two < 0) | ((one >= 0) & (turn_a >= turn_b))
    own = np.where(of_a[:, None], first[one], second[two])
    foot = np.empty_like(own)
    foot[of_a] = nearest_on_curve(own[of_a], ring_b, closed)
    foot[~of_a] = nearest_on_curve(own[~of_a], ring_a, closed)
    ends = [] if closed else [i for i in (0, len(one) - 1) if one[i] >= 0 and two[i] >= 0]
    for i in ends:
        own[i], foot[i] = first[one[i]], second[two[i]]
    gap = np.linalg.norm(own - foot, axis=1)
    return np.where((gap == 0.0)[:, None], own, 0.5 * (own + foot)), gap


def _turns(ring: Floats, closed: bool) -> Floats:
    """(k,) turn at each vertex of a chain (closed: first point repeated); 0 at open ends."""
    way = unit(np.diff(ring, axis=0))
    if closed:
        before = np.roll(way, 1, axis=0)
        return np.arccos(np.clip(np.einsum("ij,ij->i", before, way), -1.0, 1.0))
    inner = np.arccos(np.clip(np.einsum("ij,ij->i", way[:-1], way[1:]), -1.0, 1.0))
    return np.pad(inner, 1)


def nearest_on_curve(points: Floats, ring: Floats, closed: bool) -> Floats:
    """(k, 3) nearest places on the curve that a polyline stands for.

    The curve bulges past its chords by an amount that isn't known: all between the chord
    and the cubic through the vertices (tangents by parabolas, none across kinks) counts as
    on it.
    """
    feet = feet_on(points, ring)
    a, step = ring[feet.segment], np.diff(ring, axis=0)[feet.segment]
    along = tangents(ring[:-1] if closed else ring, closed)
    along = np.vstack([along, along[:1]]) if closed else along
    turn = _turns(ring, closed)
    kink = np.append(turn, turn[:1]) > KINK if closed else turn > KINK
    length = np.linalg.norm(step, axis=1, keepdims=True)
    ends = []
    for shift in (0, 1):
        at = feet.segment + shift
        ends.append(np.where(kink[at][:, None], step, along[at] * length))
    u = feet.share[:, None]
    bulge = u * (1 - u) * ((1 - u) * (ends[0] - step) - u * (ends[1] - step))
    share = np.einsum("ij,ij->i", points - feet.point, bulge)
    share = np.clip(share / np.maximum((bulge**2).sum(axis=1), 1e-300), 0.0, 1.0)
    return a + u * step + share[:, None] * bulge
