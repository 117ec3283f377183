"""The self-checks see an injected fault of 0.2 mm or 1°, and pass a clean piece.

That of the net against its smooth surface, which sees less, is in test_net_check.py.

Faults go in where the program could make them: in the net's nodes, in the yarns' lengths,
in the moved edges, in the outline itself. Limits: 0.05° + the mesh's estimated error, 1e-6,
0.05 mm + the mesh's estimated error (the project's own, from its design).
"""

from dataclasses import replace

import numpy as np
import pytest
from draped import drape_piece, place, sheet
from exact import shapes
from helpers import gap

import drape.layup.piece as piece_module
from drape.geometry.patches import place_near
from drape.geometry.surface import build, unit
from drape.job.allowance import Stations
from drape.layup import checks
from drape.layup.checks import largest_block_sum, yarn_deviation
from drape.net.grid import KNOWN

DEGREE = np.radians(1.0)
SHIFT = 0.2  # mm


def mesh():
    return shapes.heightfield(lambda x, y: 0.004 * (x * x + 0.5 * y * y), 100.0, 80.0, 50, 40)


def draped(allowance=5.0):
    return drape_piece(mesh(), [4.0, 2.0, 0.0], [1.0, 0.3, 0.0], allowances=allowance, spacing=2.0)


@pytest.fixture(scope="module")
def clean():
    return draped()


def test_clean_piece_passes(clean):
    c = clean.checks
    assert 0.0 < c.surface < 0.005
    assert 0.0 < c.outline < 0.05
    assert (c.surface_limit, c.outline_limit) == (0.3, 1.0)
    assert c.curvature_limit == np.radians(0.05)
    assert c.yarn_limit == 1e-5
    assert c.closure_limit == pytest.approx(0.05 + c.surface)
    assert c.passed
    assert clean.valid


def test_stated_error_by_hand(clean):
    """Of the mesh 0.03 and 0.17 mm, of the closure 0.01, and 0.001 rad at the farthest corner."""
    known = replace(clean.checks, surface=0.03, outline=0.17, closure=0.01, curvature=0.001)
    far = np.linalg.norm(clean.outlines[0].points, axis=1).max()
    assert replace(clean, checks=known).stated_error == pytest.approx(0.21 + 0.001 * far)
    assert np.isnan(replace(clean, checks=replace(known, outline=np.nan)).stated_error)


def displaced(net, mask, step):
    """The net with the nodes in ``mask`` moved along the surface by ``step`` (3,) mm."""
    rows, faces = net.rows.copy(), net.faces.copy()
    mask = mask & (net.state == KNOWN)
    new_faces, new_rows = place_near(
        net.patches, faces[mask], rows[mask][:, 12:14], rows[mask][:, :3] + step
    )
    rows[mask], faces[mask] = new_rows, new_faces
    return replace(net, rows=rows, faces=faces)


def quadrant(net):
    """Nodes past the 10th yarn from the start on both sides."""
    i, j = net.origin
    u, v = np.arange(len(net.u))[:, None], np.arange(len(net.v))[None, :]
    return (u >= i + 10) & (v >= j + 10)


def test_block_sums_by_hand():
    """Ladder's first rung: one wrong node among zeros; a dipole; nothing known."""
    residual = np.full((20, 20), np.nan)
    assert np.isnan(largest_block_sum(residual))
    residual[1:-1, 1:-1] = 0.0
    assert largest_block_sum(residual) == 0.0
    residual[7, 9] = 0.5
    assert largest_block_sum(residual) == pytest.approx(0.5)
    residual[12, 9] = -0.5  # whole blocks cancel, parts don't
    assert largest_block_sum(residual) == pytest.approx(0.5)


def test_a_large_net_is_judged_on_a_lattice_almost_as_sharply(monkeypatch):
    """Blocks end on every second or third node there; beside it, on every node."""
    u, v = np.meshgrid(np.linspace(0.0, 3.0, 500), np.linspace(0.0, 2.0, 300), indexing="ij")
    residual = 1e-6 * np.sin(2.0 * u) * np.cos(3.0 * v)
    residual[210:231, 120:141] += 1e-5  # a fault of 0.25° in all
    quick = largest_block_sum(residual)
    monkeypatch.setattr(checks, "MOST_CORNERS", residual.size + 1)
    exact = largest_block_sum(residual)
    assert 0.98 * exact <= quick <= exact


# --- yarn length -----------------------------------------------------------------------


def yarn_of(net):
    return yarn_deviation(net, np.ones(net.known.shape, bool))


def test_yarn_check_sees_a_step_wrong_by_a_fifth_of_a_millimetre(clean):
    net = clean.net
    assert yarn_of(net) <= clean.checks.yarn_limit
    u = net.u.copy()
    u[net.origin[0] + 5 :] += SHIFT
    assert yarn_of(replace(net, u=u)) > clean.checks.yarn_limit


def test_yarn_check_sees_a_fifth_of_a_millimetre_spread_over_the_ply(clean):
    net = clean.net
    v = net.v * (1.0 + SHIFT / np.ptp(net.v))
    assert yarn_of(replace(net, v=v)) > clean.checks.yarn_limit


def test_yarn_check_sees_sides_that_lean_by_a_degree(clean):
    """A side that should be d is d/cos 1°: longer by 1.5e-4."""
    net = clean.net
    u = net.u * np.cos(DEGREE)
    assert yarn_of(replace(net, u=u)) > clean.checks.yarn_limit


# --- closure ---------------------------------------------------------------------------


def spoil_edges(monkeypatch, change, edge="edge.1"):
    """The moved edges come out of ``stretches`` with their flat points changed."""
    right = piece_module.stretches

    def wrong(region, surface, net, e, *rest):
        out = right(region, surface, net, e, *rest)
        if edge in ("all", e.name):
            out = tuple(replace(s, flat=change(s.flat)) for s in out)
        return out

    monkeypatch.setattr(piece_module, "stretches", wrong)


def turn(points):
    c, s = np.cos(DEGREE), np.sin(DEGREE)
    return points @ np.array([[c, s], [-s, c]])


@pytest.mark.parametrize("allowance", [5.0, 0.0, -5.0])
@pytest.mark.parametrize("edge", ["edge.1", "all"])
def test_closure_check_sees_edges_shifted(monkeypatch, allowance, edge):
    shift = np.array([0.0, SHIFT]) if edge == "all" else np.array([SHIFT, SHIFT])
    spoil_edges(monkeypatch, lambda p: p + shift, edge)
    piece = draped(allowance)
    assert piece.checks.closure > piece.checks.closure_limit
    assert not piece.valid


@pytest.mark.parametrize("allowance", [5.0, 0.0])
def test_closure_check_sees_the_outline_turned(monkeypatch, allowance):
    spoil_edges(monkeypatch, turn, "all")
    piece = draped(allowance)
    assert piece.checks.closure > piece.checks.closure_limit
    assert not piece.valid


@pytest.mark.parametrize("allowance", [5.0, -5.0])
def test_closure_check_sees_a_wrong_allowance(monkeypatch, allowance):
    right = piece_module.stretches
    monkeypatch.setattr(
        piece_module,
        "stretches",
        lambda region, surface, net, e, a, h: right(region, surface, net, e, a + SHIFT, h),
    )
    piece = draped(allowance)
    assert piece.checks.closure == pytest.approx(SHIFT, abs=0.01)
    assert not piece.valid


@pytest.mark.parametrize("fault", [SHIFT, 0.0])
def test_closure_check_sees_wrong_stations(monkeypatch, fault):
    """Stations that lie 0.2 mm off; the right ones pass."""
    right = piece_module.stretches
    monkeypatch.setattr(
        piece_module,
        "stretches",
        lambda region, surface, net, e, a, h: right(region, surface, net, e, a + fault, h),
    )
    piece = draped(Stations((0.0, 10.0), (-2.0, 5.0)))
    assert piece.checks.closure == pytest.approx(fault, abs=0.01)
    assert piece.valid == (fault == 0.0)


def test_closure_check_sees_a_lap_taken_for_a_set_back(monkeypatch):
    right = piece_module.stretches
    monkeypatch.setattr(
        piece_module,
        "stretches",
        lambda region, surface, net, e, a, h: right(region, surface, net, e, -a, h),
    )
    piece = draped(5.0)
    assert piece.checks.closure == pytest.approx(10.0, abs=0.1)
    assert not piece.valid


@pytest.mark.parametrize("fault", ["shifted", "turned"])
def test_closure_check_sees_a_fault_made_where_the_outline_is_joined(monkeypatch, fault):
    right = piece_module.outlines

    def wrong(*args, **kwargs):
        change = turn if fault == "turned" else lambda p: p + np.array([0.0, SHIFT])
        return tuple(replace(o, points=change(o.points)) for o in right(*args, **kwargs))

    monkeypatch.setattr(piece_module, "outlines", wrong)
    piece = draped()
    assert not piece.valid


def test_closure_check_sees_a_wrong_start(monkeypatch):
    """The net laid from a start point 0.2 mm away, the second one from the right one."""
    region = sheet(mesh())
    right = piece_module._net

    def wrong(extended, options, spacing, half=False):
        if not half:
            moved = place(region, [4.0 + SHIFT, 2.0, 0.07])
            options = replace(options, start=moved)
        return right(extended, options, spacing, half)

    monkeypatch.setattr(piece_module, "_net", wrong)
    piece = draped()
    assert piece.checks.closure > piece.checks.closure_limit


def test_closure_check_sees_a_wrong_warp(monkeypatch):
    right = piece_module._net

    def wrong(extended, options, spacing, half=False):
        if not half:
            c, s = np.cos(DEGREE), np.sin(DEGREE)
            x, y, z = options.warp
            options = replace(options, warp=np.array([c * x - s * y, s * x + c * y, z]))
        return right(extended, options, spacing, half)

    monkeypatch.setattr(piece_module, "_net", wrong)
    piece = draped()
    assert piece.checks.closure > piece.checks.closure_limit


@pytest.mark.parametrize("how", ["ridge", "random"])
def test_normals_wrong_by_a_degree_are_seen(how):
    """A trough whose normals lean by 1° to either side, or anyhow: refused, or how far the outline
    is off (0.36 mm) is stated and told."""
    vertices, faces = shapes.trough(25.0, 100.0, 64, 40)
    inward, along = -unit(vertices * [0.0, 1.0, 1.0]), np.array([1.0, 0.0, 0.0])
    if how == "ridge":
        lean = np.where(vertices[:, 1] < 0.0, DEGREE, -DEGREE)
        other = np.cross(inward, along)
    else:
        lean = DEGREE * np.random.default_rng(0).normal(size=len(vertices))
        other = along
    normals = inward * np.cos(lean)[:, None] + other * np.sin(lean)[:, None]
    start, warp = [0.0, 0.0, -25.0], [1.0, 0.5, 0.0]
    right = drape_piece(build(vertices, faces), start, warp, spacing=2.0)
    assert right.valid
    wrong = build(vertices, faces, corner_normals=normals[faces])
    piece = drape_piece(wrong, start, warp, spacing=2.0)
    off = gap(piece.outlines[0].points, right.outlines[0].points)
    told = any("move the ply's edges by" in f.text for f in piece.findings)
    stated = told and piece.checks.outline >= 0.95 * off
    assert stated or not piece.valid
    assert stated == (how == "ridge")
    assert off > 100.0 * right.checks.outline


def test_a_piece_is_refused_when_any_check_fails_or_is_unknown(clean):
    for key in ("curvature", "yarn_length", "closure", "surface", "outline"):
        limit = getattr(clean.checks, key.removesuffix("_length") + "_limit")
        unknown = key in ("surface", "outline")  # where the mesh can't tell, that is told
        for value, valid in ((0.99 * limit, True), (1.01 * limit, False), (np.nan, unknown)):
            changed = replace(clean, checks=replace(clean.checks, **{key: value}))
            assert changed.valid == valid
