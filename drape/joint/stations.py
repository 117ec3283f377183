"""Stations along a run of the parting line: where a ply's cut edge lies in its flat cloth.

Flat coordinates: mm, origin at the ply's start point, seen from inside the hollow. The region
lies on the left of its edges, so outward is on the right. Two plies' stations are at the same
place of the run when their edges leave the parting surface there; plies of different height
lie beside each other square to the run, so that place is the nearest one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drape.geometry.surface import Floats, Ints, unit
from drape.job.allowance import Allowance, values_at
from drape.joint.scatter import EdgeStations
from drape.layup.edges import EdgeStretch


def edge_stations(parts: Sequence[EdgeStretch], allowance: Allowance) -> EdgeStations:
    """Every sample of a ply's cut edge at a run, with the allowances that count there."""
    return EdgeStations(
        np.concatenate([part.flat for part in parts]),
        np.concatenate([_outward(part) for part in parts]),
        np.concatenate([values_at(allowance, part.place) for part in parts]),
    )


def paired_stations(
    parts: Sequence[EdgeStretch],
    allowance: Allowance,
    others: Sequence[EdgeStretch],
    other_allowance: Allowance,
) -> tuple[EdgeStations, EdgeStations]:
    """Stations of a pair of plies, each pair at the same place of the run.

    Parameters
    ----------
    parts, others : stretches of the two plies' edges at the run, in either direction
    allowance, other_allowance : what the two plies' edges count for there
    """
    at, other_at = edge_stations(parts, allowance), edge_stations(others, other_allowance)
    assert other_at.allowances is not None  # they always come with them
    places = np.concatenate([part.base[:, :3] for part in parts])
    line = np.concatenate([part.base[:, :3] for part in others])
    index = np.arange(len(line))
    if others[0].closed:
        index = np.append(index, 0)
    first, share = nearest_on(line[index], places)
    a, b = index[first], index[first + 1]

    def between(values: Floats) -> Floats:
        w = share.reshape(-1, *[1] * (values.ndim - 1))
        return (1.0 - w) * values[a] + w * values[b]

    there = between(other_at.positions), unit(between(other_at.normals))
    return at, EdgeStations(*there, between(other_at.allowances))


def nearest_on(line: Floats, points: Floats) -> tuple[Ints, Floats]:
    """Segment (k,) and share of it (k,) nearest to each of (k, 3) points on a polyline (j, 3)."""
    start, step = line[:-1], np.diff(line, axis=0)
    square = np.maximum((step**2).sum(axis=1), 1e-300)  # at a kink two samples coincide
    share = np.einsum("ksi,si->ks", points[:, None] - start, step) / square
    share = np.clip(share, 0.0, 1.0)
    gap = points[:, None] - start - share[..., None] * step
    best = np.argmin((gap**2).sum(axis=2), axis=1)
    return best, share[np.arange(len(points)), best]


def _outward(part: EdgeStretch) -> Floats:
    """(k, 2) unit normals of the cut edge, on the right of its direction."""
    flat = part.flat
    ahead, behind = np.roll(flat, -1, axis=0), np.roll(flat, 1, axis=0)
    if not part.closed:
        ahead[-1], behind[0] = flat[-1], flat[0]
    along = unit(ahead - behind)
    return np.stack([along[:, 1], -along[:, 0]], axis=1)
