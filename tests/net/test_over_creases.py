"""Nets, outlines and checks across sharp creases, against exact unfoldings.

A crease between flat faces doesn't change the intrinsic geometry: the shape unfolded flat
is the exact answer (isometry; do Carmo 1976, from memory). At a box's corner the net that
starts on the floor reaches 2 atan(tan²(45° − draft/2)), by Hazzidakis (``hazzidakis1880``)
with the corner's angle defect.
"""

import numpy as np
import pytest
from creased import Box, Channel

from drape.layup.checks import closure, surface_lengths
from drape.layup.piece import PieceOptions, make_piece
from drape.mould.closed.extension import extend
from drape.mould.region import at_vertex, plain_region
from drape.net.solver import NetOptions, solve_net


def turned(angle_deg):
    """Columns: warp and weft in the unfolding's coordinates."""
    w = np.radians(angle_deg)
    return np.array([[np.cos(w), -np.sin(w)], [np.sin(w), np.cos(w)]])


def middle(region):
    gap = np.linalg.norm(region.surface.vertices, axis=1)
    return at_vertex(region, int(np.argmin(gap)))


def draped(shape, angle_deg, spacing=2.0):
    """Net on the extended shape, its nodes' exact flat places, and which are known."""
    region = plain_region(shape.surface)
    extended = extend(region, shape.surface, 1.0, 10.0)
    warp = np.append(turned(angle_deg)[:, 0], 0.0)
    options = NetOptions(spacing)
    net = solve_net(extended.surface, middle(region), warp, options, level=extended.level)
    flat = np.stack(np.meshgrid(net.u, net.v, indexing="ij"), -1) @ turned(angle_deg).T
    return net, flat


def channel_piece(draft_deg, angle_deg, lap):
    shape = Channel(np.radians(draft_deg))
    region = plain_region(shape.surface)
    warp = np.append(turned(angle_deg)[:, 0], 0.0)
    allowances = {e.name: lap for e in region.edges}
    return make_piece(region, PieceOptions(middle(region), warp, allowances, spacing=2.0))


@pytest.mark.parametrize("draft_deg", [0.0, 10.0])
@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 45.0])
def test_a_channel_unfolds_to_its_rectangle(draft_deg, angle_deg):
    lap = 5.0
    piece = channel_piece(draft_deg, angle_deg, lap)
    for parts, more in ((piece.own_outlines, 0.0), (piece.outlines, lap)):
        (outline,) = parts
        points = np.abs(outline.points @ turned(angle_deg).T)
        off = np.max(points - [60.0 + more, 40.0 + more], axis=1)
        assert np.abs(off).max() < 0.03
        corners = np.linalg.norm(points - [60.0 + more, 40.0 + more], axis=1) < 0.03
        assert corners.sum() == 4
    assert np.degrees(np.nanmax(np.abs(piece.net.shear))) < 0.02
    assert piece.checks.passed
    assert piece.covered_cavity_area == pytest.approx(120.0 * 80.0, abs=0.5)
    assert piece.unreached_area == 0.0


@pytest.mark.parametrize("draft_deg", [0.0, 10.0])
@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 45.0])
def test_nodes_on_a_channel_lie_where_its_unfolding_says(draft_deg, angle_deg):
    shape = Channel(np.radians(draft_deg))
    net, flat = draped(shape, angle_deg)
    exact = shape.fold(flat[net.known])  # walls and floor go straight on past the rims
    assert np.linalg.norm(exact - net.points[net.known], axis=1).max() < 1e-6
    inside = (np.abs(flat) <= [60.0, 40.0]).all(axis=2)
    assert net.known[inside].all()


@pytest.mark.parametrize("draft_deg", [0.0, 10.0])
@pytest.mark.parametrize("angle_deg", [0.0, 30.0])
def test_flat_and_surface_map_to_each_other_across_a_crease(draft_deg, angle_deg):
    shape = Channel(np.radians(draft_deg))
    net, _ = draped(shape, angle_deg)
    y = np.concatenate([side * 20.0 + np.linspace(-3.0, 3.0, 61) for side in (-1, 1)])
    flat = np.stack([np.linspace(-50.0, 50.0, len(y)), y], 1)
    points = shape.fold(flat)
    found = net.to_surface(flat @ turned(angle_deg))
    assert np.linalg.norm(found - points, axis=1).max() < 1e-6
    up = np.abs(y) > 20.0
    c, s = np.cos(shape.draft), np.sin(shape.draft)
    wall = np.stack([0.0 * y, -np.sign(y) * c, np.full(len(y), s)], 1)
    normals = np.where(up[:, None], wall, [0.0, 0.0, 1.0])
    back = net.to_flat(points, normals) @ turned(angle_deg).T
    assert np.linalg.norm(back - flat, axis=1).max() < 1e-6


def test_yarns_over_a_crease_are_measured_again_rightly():
    shape = Channel(0.0)
    net, _ = draped(shape, 0.0)
    j = int(np.argmin(np.abs(net.v - 18.0)))
    i = np.flatnonzero(np.abs(net.u) < 50.0)
    start, end = net.rows[i, j], net.rows[i, j + 1].copy()
    assert np.allclose(surface_lengths(net, net.faces[i, j], start, end), 2.0, atol=1e-9)
    end = net.rows[i, j + 2].copy()  # from 2 below the crease to 2 above it
    assert np.allclose(surface_lengths(net, net.faces[i, j], start, end), 4.0, atol=1e-9)
    end[:, 2] += 0.2  # 0.2 mm too far up the wall is seen
    assert np.allclose(surface_lengths(net, net.faces[i, j], start, end), 4.2, atol=1e-9)


def test_closure_sees_an_outline_that_is_wrong_beside_a_crease():
    piece = channel_piece(0.0, 30.0, 0.0)
    second = piece.net
    assert sum(map(len, piece.moved.values())) >= 4
    for name, parts in piece.moved.items():
        for part in parts:
            only = {name: (part,)}
            assert closure(second, {name: [part.flat]}, only, {name: [0.0]}) < 1e-6
            wrong = part.flat.copy()
            ahead = part.flat[1] - part.flat[0]
            wrong[0] -= 0.2 * np.array([-ahead[1], ahead[0]]) / np.linalg.norm(ahead)
            found = closure(second, {name: [wrong]}, only, {name: [0.0]})
            assert found == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize("angle_deg", [0.0, 30.0])
def test_a_boxs_faces_carry_their_unfolded_net_until_a_corner_is_passed(angle_deg):
    shape = Box(np.radians(10.0))
    net, flat = draped(shape, angle_deg)
    on_cross = (np.abs(flat) <= shape.half + 1e-9).any(axis=2)
    on_cross &= (np.abs(flat) - shape.half).max(axis=2) <= shape.height / np.cos(shape.draft)
    free = np.ones(net.state.shape, dtype=bool)
    for sign in np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]]):
        corner = turned(angle_deg).T @ (sign * shape.half)
        past_u = net.u * np.sign(corner[0]) > abs(corner[0]) - 2.0
        past_v = net.v * np.sign(corner[1]) > abs(corner[1]) - 2.0
        free &= ~(past_u[:, None] & past_v[None, :])
    wanted = on_cross & free
    assert wanted.sum() > 1400
    assert net.known[wanted].all()
    error = np.linalg.norm(shape.fold(flat[wanted]) - net.points[wanted], axis=1)
    assert error.max() < 0.005


@pytest.mark.parametrize("draft_deg", [10.0, 30.0])
def test_shear_behind_a_boxs_corner_is_its_curvature(draft_deg):
    draft = np.radians(draft_deg)
    net, _ = draped(Box(draft), 0.0)
    expected = np.degrees(2.0 * np.arctan(np.tan(np.pi / 4 - draft / 2) ** 2))
    assert np.degrees(np.nanmax(np.abs(net.shear))) == pytest.approx(expected, abs=0.02)
    i, j = np.argmin(np.abs(net.u - 37.0)), np.argmin(np.abs(net.v - 27.0))
    assert np.degrees(abs(net.shear[i, j])) == pytest.approx(expected, abs=0.02)


def test_a_crease_runs_on_straight_past_the_rim():
    shape = Channel(np.radians(10.0))
    region = plain_region(shape.surface)
    surface = extend(region, shape.surface, 1.0, 10.0).surface
    face, k = np.nonzero(surface.crease)
    for end in (surface.faces[face, k], surface.faces[face, (k + 1) % 3]):
        assert np.allclose(np.abs(surface.vertices[end, 1]), 20.0)
        assert np.allclose(surface.vertices[end, 2], 0.0)
    assert surface.vertices[surface.faces[face, k], 0].max() > 70.9
    out = np.abs(surface.vertices[surface.faces, 0]).max(axis=1) > 60.0
    between = np.abs(surface.vertices[surface.faces, 1]).max(axis=1) <= 20.0 + 1e-9
    floor = surface.corner_normals[out & between]
    assert len(floor)
    assert np.allclose(floor, [0.0, 0.0, 1.0])
