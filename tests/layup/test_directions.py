"""The zero direction along a bent hollow, against the parallel circles of a torus.

Between two planes through its axis the harmonic field of a torus that is 0 on one and 1 on the
other is the angle about the axis, so its gradient follows the parallel circles (symmetry).
"""

import numpy as np
import pytest
from moulds import elbows

from drape.geometry.surface import SurfacePoint, build
from drape.layup.directions import hollow_fields, zero_direction, zero_directions
from drape.layup.start_places import place_of
from drape.mould.mould import find_mould

BEND = 80.0  # mm, radius; the axis stands along z at (0, BEND)


def bent(along, around):
    mould = find_mould({h: build(*m) for h, m in elbows(along=along, around=around).items()})
    regions = {name: half.region for name, half in mould.halves.items()}
    return regions["lower"], hollow_fields(regions, [m.name for m in mould.mouths])["lower"]


def off(region, at, normal, direction):
    """Angle to the parallel circle through ``at``, both laid on the surface, radians."""
    round_ = np.cross([0.0, 0.0, 1.0], at - [0.0, BEND, 0.0])
    flat = direction - (direction @ normal) * normal
    cosine = abs(flat @ round_) / np.linalg.norm(flat) / np.linalg.norm(round_)
    return np.arccos(min(1.0, cosine))


def inner_faces(region):
    """Faces none of whose corners lies on the region's edges."""
    rim = np.concatenate([e.vertices for e in region.edges])
    return np.flatnonzero(region.inside & ~np.isin(region.surface.faces, rim).any(axis=1))


def errors(along, around):
    region, field = bent(along, around)
    found = []
    for face in inner_faces(region)[::37]:
        for b1, b2 in ((0.3, 0.3), (0.9, 0.05), (0.02, 0.96), (0.0, 0.0)):
            place = SurfacePoint(int(face), b1, b2)
            at, normal = place_of(region.surface, place)
            found.append(off(region, at, normal, zero_direction(region, field, place)))
    return np.array(found)


def test_it_follows_the_parallel_circles_and_to_the_second_order():
    coarse, fine = errors(24, 24), errors(48, 48)
    assert np.degrees(fine.max()) < 0.1
    assert np.log2(coarse.max() / fine.max()) > 1.7


def test_it_does_not_jump_between_the_faces_round_a_corner():
    """A start is found on one face or the other by rounding: its ply mustn't turn with that."""
    region, field = bent(24, 24)
    used, often = np.unique(region.surface.faces[inner_faces(region)], return_counts=True)
    vertex = int(used[np.argmax(often)])
    ways = []
    for face in np.flatnonzero(region.inside):
        corner = np.flatnonzero(region.surface.faces[face] == vertex)
        if len(corner):
            b = [(0.0, 0.0), (1.0, 0.0), (0.0, 1.0)][corner[0]]
            ways.append(zero_direction(region, field, SurfacePoint(int(face), *b)))
    assert len(ways) == often.max() >= 4
    assert np.abs(np.array(ways) - ways[0]).max() < 1e-12


def test_on_every_face_it_is_that_of_the_faces_middle():
    region, field = bent(24, 24)
    every = zero_directions(region, field)
    some = inner_faces(region)[::101]
    assert len(some) > 3
    for face in some:
        one = zero_direction(region, field, SurfacePoint(int(face), 1.0 / 3.0, 1.0 / 3.0))
        assert every[face] == pytest.approx(one, abs=1e-12)
