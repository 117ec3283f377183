"""Bridging zones over a round groove in a plate, whose radius, turn and depth are known.

A plate, a convex shoulder of radius ``shoulder`` turning by ``turn``, the groove's arc of
radius ``radius`` turning by 2·turn, and the other shoulder. The bridge over the arc is as high
as the circle's sagitta, r(1 − cos turn). The limits are common practice.

Tries out ``net/yarns`` as well.
"""

from itertools import pairwise

import numpy as np
import pytest
import shapely
from draped import drape_net, drape_piece, sheet
from exact import shapes
from hypothesis import given
from hypothesis import strategies as st

import drape.net.bridging as module
from drape.net.bridging import LEAST_RADIUS, Base, bridging_zones, concave_limit
from drape.net.yarns import Yarn, bends, bridge_height, corner_height, tight_runs

TURN = np.radians(50.0)
LENGTH, PLATE = 24.0, 12.0


def profile(s, radius, shoulder):
    """(y, z) at the arc length s from the groove's middle: the groove lies below the plate."""
    half, over = radius * TURN, shoulder * TURN
    t = np.abs(s)
    y = np.where(t < half, radius * np.sin(t / radius), 0.0)
    z = np.where(t < half, -radius * np.cos(t / radius), 0.0)
    y0, z0 = radius * np.sin(TURN), -radius * np.cos(TURN)
    lean = TURN - (t - half) / shoulder
    y1 = y0 + shoulder * (np.sin(TURN) - np.sin(lean))
    z1 = z0 + shoulder * (np.cos(lean) - np.cos(TURN))
    on = (t >= half) & (t < half + over)
    y, z = np.where(on, y1, y), np.where(on, z1, z)
    top = z0 + shoulder * (1.0 - np.cos(TURN))
    flat = t >= half + over
    y = np.where(flat, y0 + shoulder * np.sin(TURN) + t - half - over, y)
    return np.sign(s) * y, np.where(flat, top, z)


def groove(radius, shoulder=8.0, facet=0.25, sign=1.0):
    reach = radius * TURN + shoulder * TURN + PLATE
    s = np.linspace(-reach, reach, 2 * round(reach / facet) + 1)
    x = np.linspace(-0.5 * LENGTH, 0.5 * LENGTH, 25)

    def point(a, b):
        y, z = profile(b, radius, shoulder)
        return np.stack([a, y, sign * z], -1)

    return shapes.grid(point, x, s)


def net_of(mesh, angle=0.0, spacing=0.5):
    middle = mesh[0][np.argmin(np.abs(mesh[0][:, 0]) + np.abs(mesh[0][:, 1]))]
    warp = [np.cos(angle), np.sin(angle), 0.0]
    net, extended = drape_net(mesh, middle, warp, spacing=spacing, margin=5.0)
    return net, Base(sheet(mesh).surface, extended.source_faces)


def own(reach=9.0):
    return shapely.box(-reach, -reach, reach, reach)


def zones(radius, *, stack=0.2, angle=0.0, spacing=0.5, **shape):
    net, base = net_of(groove(radius, **shape), angle, spacing)
    return bridging_zones(net, own(), base, stack)


@pytest.mark.parametrize("spacing", [0.5, 1.0])
def test_height_of_the_bridge_is_the_sagitta(spacing):
    radius = 2.4
    (zone,) = zones(radius, spacing=spacing)
    assert zone.kind == "concave"
    assert zone.height == pytest.approx(radius * (1.0 - np.cos(TURN)), rel=0.03)
    assert zone.radius == pytest.approx(radius, rel=0.03)
    assert zone.yarns == ("weft",)  # the warps run along the groove
    assert zone.area == pytest.approx(18.0 * 2.0 * radius * TURN, rel=0.08)
    assert np.hypot(zone.place[1], zone.place[2] + radius) < 0.1
    assert zone.limit == LEAST_RADIUS


def test_the_threshold_flips_at_the_limit():
    assert zones(0.96 * LEAST_RADIUS)
    assert not zones(1.04 * LEAST_RADIUS)


def test_a_thicker_laminate_needs_a_larger_radius():
    radius = 4.0
    assert not zones(radius, stack=3.8)
    (zone,) = zones(radius, stack=4.2)
    assert zone.limit == concave_limit(4.2) == 4.2


def test_the_mould_is_judged_whatever_the_height_of_the_ply():
    """The mid-surface of a ply 2.8 mm up has radius 0.8 where the mould's is 3.6."""
    mesh = groove(3.6)
    middle = mesh[0][np.argmin(np.abs(mesh[0][:, 0]) + np.abs(mesh[0][:, 1]))]
    piece = drape_piece(mesh, middle, [1.0, 0.0, 0.0], height=2.8, spacing=0.5)
    base = Base(piece.region.surface, piece.extended.source_faces)
    assert not bridging_zones(piece.net, own(), base, 3.4)
    (zone,) = bridging_zones(piece.net, own(), base, 3.8)
    assert zone.radius == pytest.approx(3.6, rel=0.03)
    assert zone.height == pytest.approx(3.6 * (1.0 - np.cos(TURN)), rel=0.05)


def test_yarns_across_at_an_angle_bend_less():
    """Euler (key ``docarmo1976``): across at 45° the radius is twice the groove's."""
    assert zones(0.96 * 0.5 * LEAST_RADIUS, angle=np.pi / 4, facet=0.15)
    assert not zones(1.06 * 0.5 * LEAST_RADIUS, angle=np.pi / 4, facet=0.15)


def test_both_families_at_45_degrees_are_one_zone():
    (zone,) = zones(1.2, angle=np.pi / 4, facet=0.15)
    assert zone.yarns == ("warp", "weft")


def test_over_a_ridge_the_cloth_is_bent_the_other_way():
    """The groove turned over: its shoulders are hollow then, and wide."""
    (zone,) = zones(2.4, sign=-1.0)
    assert zone.kind == "convex"
    assert zone.radius == pytest.approx(2.4, rel=0.03)
    found = zones(3.2, stack=9.0, sign=-1.0)
    assert [z.kind for z in found] == ["concave", "concave"]


def test_a_sharp_corner_has_radius_zero():
    def point(x, y):
        return np.stack([x, y, np.abs(y)], -1)

    ticks = np.linspace(-12.0, 12.0, 25)
    net, base = net_of(shapes.grid(point, ticks, ticks), spacing=0.8)
    (zone,) = bridging_zones(net, own(6.0), base, 0.2)
    assert zone.radius == 0.0
    assert zone.height == pytest.approx(corner_height(LEAST_RADIUS, np.pi / 2), rel=1e-6)


def test_sagitta_and_corner_by_hand():
    t = np.linspace(-0.6, 0.6, 101)
    arc = 5.0 * np.stack([np.sin(t), -np.cos(t), 0 * t], axis=1)
    height, at = bridge_height(arc[[0, -1]], arc)
    assert height == pytest.approx(5.0 * (1.0 - np.cos(0.6)), rel=1e-9)
    assert at == 50
    assert corner_height(3.0, np.pi / 2) == pytest.approx(3.0 * (np.sqrt(2.0) - 1.0))


def planar_yarn(*pieces, step=0.1):
    """A yarn over straight pieces and arcs, (length, curvature), and where these end."""
    ends = np.cumsum([0.0, *(length for length, _ in pieces)])
    along = np.arange(0.0, ends[-1] + 1e-9, step)
    angle = np.interp(along, ends, np.cumsum([0.0, *(length * k for length, k in pieces)]))
    way = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    half = np.interp(along[:-1] + step / 2, along, angle)
    steps = step * np.stack([np.cos(half), np.sin(half), 0 * half], axis=1)
    points = np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    normals = np.stack([-way[:, 1], way[:, 0], way[:, 2]], axis=1)
    faces = np.zeros(len(along), dtype=np.int64)
    return Yarn(along, points, normals, faces, np.zeros((len(along), 2))), ends


@pytest.mark.parametrize("wide", [2.2, 2.6, 2.9, 2.99])
def test_a_fillet_of_two_radii_ends_where_its_arcs_do(wide):
    """A compound fillet: an arc of radius 1 between two wide ones, all below the limit of 3."""
    yarn, ends = planar_yarn((5, 0), (1.5, 1 / wide), (0.8, 1.0), (1.5, 1 / wide), (5, 0))
    (run,) = tight_runs(yarn, bends(yarn), 3.0)
    assert run.low == pytest.approx(ends[1], abs=0.11)  # a sample's step
    assert run.high == pytest.approx(ends[4], abs=0.11)
    assert run.turn == pytest.approx(3.0 / wide + 0.8, abs=0.1)


def test_a_fillet_that_passes_the_limit_little_by_little_ends_where_it_does():
    """Radii 3.05, 2.95 and 1 with a limit of 3: it begins between the first two."""
    yarn, ends = planar_yarn((5, 0), (1, 1 / 3.05), (1, 1 / 2.95), (1.5, 1.0), (5, 0))
    (run,) = tight_runs(yarn, bends(yarn), 3.0)
    assert run.low == pytest.approx(ends[2], abs=0.11)
    assert run.high == pytest.approx(ends[4], abs=0.11)


CURVATURES = st.floats(-3.0, 3.0) | st.sampled_from([0.0, 0.99, 1.0, 1.001, 1.1, 3.0])


@given(st.lists(CURVATURES, min_size=3, max_size=40))
def test_runs_hold_every_tight_place_and_nothing_off_the_yarn(curvature):
    yarn, _ = planar_yarn((0.1 * len(curvature), 0.0))
    curvature = np.array(curvature)
    runs = tight_runs(yarn, curvature, 1.0)
    tight = yarn.along[:-1][curvature > 1.0] + 0.05
    for place in tight:
        assert any(r.low - 1e-9 <= place <= r.high + 1e-9 for r in runs)
    for before, after in pairwise(runs):
        assert before.high <= after.low + 1e-9
    for run in runs:
        assert yarn.along[0] <= run.low <= run.high <= yarn.along[-1]
        assert np.isfinite(run.height)


def test_nothing_on_a_plain_trough():
    mesh = shapes.trough(25.0, 60.0, 40, 30)
    net, extended = drape_net(mesh, [0.0, 0.0, -25.0], [1.0, 0.0, 0.0], spacing=1.5)
    base = Base(sheet(mesh).surface, extended.source_faces)
    assert bridging_zones(net, shapely.box(-25, -35, 25, 35), base, 2.0) == ()
    assert len(bridging_zones(net, shapely.box(-25, -35, 25, 35), base, 26.0)) == 1


@pytest.mark.parametrize(("facet", "spacing"), [(0.25, 0.5), (1.0, 0.5), (0.5, 2.0)])
@pytest.mark.parametrize("angle", [0.0, 0.6])
def test_yarns_away_from_tight_places_change_nothing(monkeypatch, facet, spacing, angle):
    """The same zones as with every yarn sampled; a groove across a part of the plate only."""
    net, base = net_of(groove(1.5, facet=facet), angle, spacing)
    own = shapely.box(-100.0, -100.0, 100.0, 100.0)
    found = bridging_zones(net, own, base, 1.0)
    assert found
    few = module._nodes_near(net, module._tight_faces(base, 3.0))
    assert 0 < few.sum() < net.known.sum()
    monkeypatch.setattr(module, "_nodes_near", lambda net, faces: net.known)
    every = bridging_zones(net, own, base, 1.0)
    assert [z.kind for z in found] == [z.kind for z in every]
    figures = [
        np.array([(z.area, z.radius, z.height, *z.u_range, *z.v_range) for z in zones])
        for zones in (found, every)
    ]
    assert np.array_equal(*figures, equal_nan=True)


def test_where_nothing_is_tight_no_yarn_is_sampled(monkeypatch):
    net, base = net_of(groove(30.0, shoulder=30.0))
    sampled = []
    monkeypatch.setattr(module, "yarn_samples", lambda *a: sampled.append(a) or [])
    assert bridging_zones(net, shapely.box(-99.0, -99.0, 99.0, 99.0), base, 1.0) == ()
    assert sampled == []


@pytest.mark.parametrize("missing", ["before", "after"])
def test_a_stretch_that_ends_with_the_net_has_a_height(missing):
    """A groove of 2.8 mm, too tight from end to end: its height was no number."""
    angle = np.linspace(0.0, np.pi, 9)
    points = 2.8 * np.stack([np.cos(angle), 0.0 * angle, -np.sin(angle)], axis=1)
    normals, faces, weights = -points / 2.8, np.zeros(9, int), np.zeros((9, 2))
    lost = 0 if missing == "before" else -1
    points[lost] = normals[lost] = np.nan
    yarn = Yarn(2.8 * angle, points, normals, faces, weights)
    curvature = np.full(8, 1.0 / 2.8)
    curvature[lost] = np.nan
    (run,) = tight_runs(yarn, curvature, 3.0)
    assert 0.0 < run.height < 2.8
