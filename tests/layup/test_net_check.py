"""The net against the smooth surface it was laid on: exact on a sphere's rhombus, small on nets
that are right, of second order in the spacing, and not to be missed where a node is moved.

A spherical rhombus' angles and area are spherical trigonometry (key ``docarmo1976``); on
developable surfaces there is neither curvature nor shear. Limit: 0.05°, the project's own.

Tries out ``net/gauss_image`` as well.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from analytic import waves_and_bumps
from cad_moulds import ALL
from creased import Box, Channel
from draped import drape_net, sheet
from exact import shapes

from drape.geometry.patches import make_patches, place_near, rows_at
from drape.geometry.surface import build, unit
from drape.layup.checks import CURVATURE_LIMIT, cells_on_base, largest_block_sum
from drape.layup.net_check import STEP, fine_enough, node_residuals
from drape.layup.start_places import nearest
from drape.mould.closed.extension import extend
from drape.mould.mould import find_mould
from drape.net.gauss_image import MOST_PARTS, PARTS, SIDE, curvature_moments
from drape.net.grid import KNOWN
from drape.net.net import Net
from drape.net.solver import NetOptions, solve_net

BUMPS = [(8.0, 5.0, -4.0, 16.0)]
WAVES = [(3.0, 0.02, 0.05, 0.4)]


def block(net, extended):
    """Largest block's residual, degrees."""
    return np.degrees(largest_block_sum(node_residuals(net, extended)))


def on_surface(surface, points):
    """Faces (k,) and rows (k, ROW) of the patches' places next to points (k, 3)."""
    patches = make_patches(surface)
    middles = surface.vertices[surface.faces].mean(axis=1)
    faces = np.argmin(np.linalg.norm(middles - points[:, None], axis=2), axis=1)
    third = np.full((len(points), 2), 1.0 / 3.0)
    return place_near(patches, faces, third, points)


def rhombus(angle, side, radius=20.0):
    """A net of one cell on a sphere, sides ``side``, and its exact area and mean angle.

    At the corners (0, 0) and (1, 1) the angle is ``angle``.
    """
    surface = build(*shapes.hemisphere(radius, 60))
    a = unit(np.array([0.13, 0.21, -1.0]))
    one = unit(np.cross(a, [0.3, 0.4, 0.5]))
    two = np.cos(angle) * one + np.sin(angle) * np.cross(-a, one)  # seen from inside
    t = side / radius
    b, c = (np.cos(t) * a + np.sin(t) * way for way in (one, two))
    middle = unit(b + c)
    points = radius * np.array([a, c, b, 2.0 * (middle @ a) * middle - a])
    faces, rows = on_surface(surface, points)
    own = np.array([0.0, side])
    net = Net(
        surface,
        make_patches(surface),
        own,
        own,
        rows.reshape(2, 2, -1),
        faces.reshape(2, 2),
        np.full((2, 2), KNOWN, np.int8),
        (0, 0),
    )
    # the diagonals halve it into right triangles: cos t = cot(angle / 2) cot(beside / 2)
    beside = 2.0 * np.arctan2(1.0, np.cos(t) * np.tan(0.5 * angle))
    return net, 2.0 * (angle + beside) - 2.0 * np.pi, 0.5 * (angle + np.pi - beside)


@pytest.mark.parametrize("angle_deg", [90.0, 60.0, 130.0])
@pytest.mark.parametrize("side", [1.0, 3.0])
def test_a_rhombus_on_a_sphere_by_hand(angle_deg, side):
    net, area, mean = rhombus(np.radians(angle_deg), side)
    ones = np.ones((1, 1), bool)
    k, along, across = net.curvature_moments(ones)[:, 0, 0]
    assert k == pytest.approx(area, rel=2e-4)
    assert along == pytest.approx(0.5 * area, rel=1e-3)  # it is its own mirror image
    assert across == pytest.approx(0.5 * area, rel=1e-3)
    off = np.degrees(net.shear[0, 0] - (0.5 * np.pi - mean))
    assert abs(off) < 0.003  # 0.02° and more without the part of the curvature


def test_first_moments_where_curvature_changes():
    """∬K s over cells of a bump, from its closed curvature at 20 × 20 places of each."""
    height, curvature = waves_and_bumps([], [(3.0, 2.0, 1.0, 7.0)])
    mesh, start = shapes.heightfield(height, 40.0, 40.0, 100, 100), [1.0, 2.0]
    net, extended = drape_net(mesh, [*start, float(height(*start))], [1, 0.3, 0], spacing=2.0)
    cells = cells_on_base(net, extended)
    i, j = np.array(np.nonzero(cells))[:, ::23]
    found = net.curvature_moments(cells)[:, i, j]
    s, t = np.meshgrid(*[(np.arange(20) + 0.5) / 20.0] * 2, indexing="ij")
    s, t = s[..., None, None], t[..., None, None]
    p, q, r, o = (net.points[i + x, j + y] for x, y in ((0, 0), (1, 0), (0, 1), (1, 1)))
    flat = (1 - s) * ((1 - t) * p + t * r) + s * ((1 - t) * q + t * o)
    ds, dt = (1 - t) * (q - p) + t * (o - r), (1 - s) * (r - p) + s * (o - q)
    x, y = flat[..., 0], flat[..., 1]
    h = 1e-5
    zx = (height(x + h, y) - height(x - h, y)) / (2 * h)
    zy = (height(x, y + h) - height(x, y - h)) / (2 * h)
    area = np.abs(ds[..., 0] * dt[..., 1] - ds[..., 1] * dt[..., 0]) * np.sqrt(1 + zx**2 + zy**2)
    at = np.stack([x, y, height(x, y)], axis=-1)
    inside = curvature(at.reshape(-1, 3)).reshape(x.shape) * area / 400.0
    sums = [(inside * w).sum(axis=(0, 1)) for w in (1.0 + 0 * x, s[..., 0], t[..., 0])]
    scale = np.abs(sums[0]).max()
    assert scale > np.radians(0.2)
    for got, exact in zip(found, sums, strict=True):
        assert np.abs(got - exact).max() < 0.01 * scale
    tilt = np.abs(sums[1] - 0.5 * sums[0]).max()  # what a moment without s would be off by
    assert tilt > 0.02 * scale
    assert np.abs(found[1] - 0.5 * found[0] - sums[1] + 0.5 * sums[0]).max() < 0.1 * tilt


# --- nets that are right ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("mesh", "start", "limit"),
    [
        (shapes.trough(25.0, 100.0, 64, 40), [0.0, 0.0, -25.0], 5e-4),
        (shapes.half_cone(35.0, 20.0, 100.0, 64, 60), [0.0, 0.0, -27.5], 3e-3),
        (shapes.hemisphere(60.0, 52), [0.0, 0.0, -60.0], 2e-3),
    ],
    ids=["cylinder", "cone", "hemisphere"],
)
def test_nets_on_exact_shapes(mesh, start, limit):
    net, extended = drape_net(mesh, start, [1.0, 0.4, 0.0], spacing=2.0)
    assert np.isfinite(node_residuals(net, extended)).sum() > 1000
    assert block(net, extended) < limit


def test_a_steep_bump():
    """12 mm high, 20 mm wide: against angle defects of 256 × 256 facets it read 0.05°."""
    mesh = shapes.heightfield(
        lambda x, y: 12.0 * np.exp(-(x * x + y * y) / 400.0), 80.0, 80.0, 128, 128
    )
    net, extended = drape_net(mesh, [4.0, 2.0, 12.0], [1.0, 0.3, 0.0], spacing=1.0)
    assert block(net, extended) < 0.01


@cache
def tray(name="tray 25", deviation=0.02):
    """Region of a CAD tray with fillets, extended, and the mould's start on it."""
    mould = next(m for m in ALL if m.name == name)
    found = find_mould({"lower": build(*mould.meshes(deviation)["lower"])})
    region = found.halves["lower"].region
    start = nearest(region, mould.placed([mould.starts["lower"]])[0], "test")[0]
    return region, extend(region, region.surface, 1.0, 10.0), start


def tray_net(spacing, name="tray 25"):
    region, extended, start = tray(name)
    normal = region.surface.face_normals[start.face]
    warp = unit(np.cross(normal, [0.2, 1.0, 0.1]))
    options = NetOptions(spacing)
    return solve_net(extended.surface, start, warp, options, level=extended.level), extended


@pytest.mark.parametrize("name", ["tray 25", "tight tray 25"])
def test_the_residual_falls_with_the_spacings_square(name):
    """On fillets of 8 and 3 mm: 1, ½ and ¼ of what the smaller radius allows at first."""
    first = 2.0 if name == "tray 25" else 1.0
    found = [block(*tray_net(first * k, name)) for k in (1.0, 0.5, 0.25)]
    assert found[0] > 0.05
    assert found[1] < found[0] / 3.0
    assert found[2] < found[1] / 3.0
    fine = fine_enough(first, np.radians(found[0]))
    assert 0.25 * first <= fine < first
    assert block(*tray_net(fine, name)) <= 0.05


def test_the_spacing_asked_for():
    """0.9 of the limit is aimed at: 2 √(0.9/8) = 0.67, in steps of 0.05 mm; a quarter at most."""
    assert fine_enough(2.0, 8.0 * CURVATURE_LIMIT) == pytest.approx(0.65)
    assert fine_enough(1.0, CURVATURE_LIMIT * 0.9 / 0.64) == pytest.approx(0.8)
    assert fine_enough(2.0, 0.9 * 16.1 * CURVATURE_LIMIT) is None
    assert fine_enough(0.1, 0.9 * 15.0 * CURVATURE_LIMIT) == STEP
    assert fine_enough(2.0, float("nan")) is None


# --- nets that are wrong ---------------------------------------------------------------


@pytest.fixture(scope="module")
def bump():
    height, _ = waves_and_bumps(WAVES, BUMPS)
    mesh = shapes.heightfield(height, 100.0, 80.0, 100, 80)
    return drape_net(mesh, [6.0, 3.0, float(height(6.0, 3.0))], [1, 0.3, 0], spacing=2.0)


def displaced(net, steps):
    """The net with its nodes moved along the surface by (p, q, 3) mm."""
    mask = (net.state == KNOWN) & (np.abs(steps).max(axis=2) > 0.0)
    rows, faces = net.rows.copy(), net.faces.copy()
    targets = rows[mask][:, :3] + steps[mask]
    faces[mask], rows[mask] = place_near(net.patches, faces[mask], rows[mask][:, 12:14], targets)
    return replace(net, rows=rows, faces=faces)


def ahead(net):
    i, j = net.origin
    return unit(net.points[i + 1, j] - net.points[i, j])


def test_the_bumps_own_net_passes(bump):
    assert block(*bump) < 0.01


def test_a_node_moved_by_two_hundredths_is_seen(bump):
    net, extended = bump
    steps = np.zeros_like(net.points)
    steps[net.origin[0] + 7, net.origin[1] + 5] = 0.02 * ahead(net)
    assert block(displaced(net, steps), extended) > 0.25


def test_a_region_sheared_by_a_tenth_of_a_degree_too_much_is_seen(bump):
    net, extended = bump
    i, j = net.origin
    shear = net.shear.copy()
    shear[i + 3 : i + 15, j + 4 : j + 12] += np.radians(0.1)
    wrong = replace(net)
    wrong.__dict__["shear"] = shear  # as if it had been read so
    assert block(wrong, extended) == pytest.approx(0.1, abs=0.02)


def test_a_drift_of_five_hundredths_is_seen(bump):
    """Spread as one wave over 40 mm both ways: no node is far off its neighbours."""
    net, extended = bump
    u, v = np.meshgrid(net.u, net.v, indexing="ij")
    inside = (np.abs(u) < 20.0) & (np.abs(v) < 20.0)
    size = 0.05 * np.cos(np.pi * u / 40.0) ** 2 * np.cos(np.pi * v / 40.0) ** 2 * inside
    assert block(displaced(net, size[..., None] * ahead(net)), extended) > 0.05


# --- creases ---------------------------------------------------------------------------


def creased_net(shape, angle):
    extended = extend(sheet(shape.surface), shape.surface, 1.0, 10.0)
    start = nearest(sheet(shape.surface), [0.0, 0.0, 0.0], "test")[0]
    warp = np.array([np.cos(angle), np.sin(angle), 0.0])
    net = solve_net(extended.surface, start, warp, NetOptions(2.0), level=extended.level)
    return net, extended


@pytest.mark.parametrize("angle", [0.0, 0.5])
def test_cells_over_a_crease_are_judged_too(angle):
    """A channel's creases have no curvature; a node that sits wrong beside one is seen."""
    net, extended = creased_net(Channel(np.radians(10.0)), angle)
    residual = node_residuals(net, extended)
    folded = (net.folds == 2) & cells_on_base(net, extended)
    assert folded.sum() > 50
    i, j = np.argwhere(folded)[len(np.argwhere(folded)) // 2]
    assert np.isfinite(residual[i : i + 2, j : j + 2]).all()
    assert np.degrees(np.nanmax(np.abs(residual))) < 1e-4
    steps = np.zeros_like(net.points)
    steps[i, j] = 0.02 * ahead(net)
    assert block(displaced(net, steps), extended) > 0.25


@pytest.mark.parametrize("draft_deg", [10.0, 30.0])
def test_the_curvature_of_a_boxs_sharp_corners_is_their_angle_defect(draft_deg):
    """2π less the angles of the floor and two walls, by their edges' directions; four times."""
    net, extended = creased_net(Box(np.radians(draft_deg)), 0.3)
    k = net.curvature_moments(cells_on_base(net, extended))[0]
    lean = np.tan(np.radians(draft_deg))
    wall = np.arccos(-lean / np.sqrt(1.0 + 2.0 * lean**2))
    assert np.nansum(k) == pytest.approx(4.0 * (1.5 * np.pi - 2.0 * wall), abs=1e-6)
    assert (np.abs(k) > 1e-6).sum() <= 16


# --- what mustn't matter ---------------------------------------------------------------


def quarter_turned(net):
    """The same net in axes (u, v) → (v, −u): warp and weft exchanged, one reversed."""
    return replace(
        net,
        u=net.v.copy(),
        v=-net.u[::-1].copy(),
        rows=np.ascontiguousarray(net.rows.transpose(1, 0, 2)[:, ::-1]),
        faces=np.ascontiguousarray(net.faces.T[:, ::-1]),
        state=np.ascontiguousarray(net.state.T[:, ::-1]),
        on_facets=None,
    )


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_axes_turned_by_quarters(bump, turns):
    net, extended = bump
    expected = node_residuals(net, extended)
    for _ in range(turns):
        net, expected = quarter_turned(net), expected.T[:, ::-1]
    found = node_residuals(net, extended)
    assert (np.isnan(found) == np.isnan(expected)).all()
    assert np.degrees(np.nanmax(np.abs(found - expected))) < 1e-3


def roughened(net):
    """The net on patches whose normals are off by two degrees anyhow; its nodes on them."""
    surface = net.surface
    lean = np.radians(2.0) * np.random.default_rng(1).normal(size=surface.sector_normals.shape)
    normals = unit(surface.sector_normals + lean)[surface.sectors]
    rough = build(surface.vertices, surface.faces, corner_normals=normals)
    rows = net.rows.copy()
    rows[net.known] = rows_at(make_patches(rough), net.faces[net.known], rows[net.known][:, 12:14])
    return replace(net, surface=rough, patches=make_patches(rough), rows=rows)


def test_moments_on_rough_patches_seen_from_the_other_corner(bump):
    """Half a turn makes 1 − s of s and 1 − t of t; the sides' dense samples count in both."""
    net, extended = roughened(bump[0]), bump[1]
    cells = cells_on_base(net, extended)
    k, along, across = net.curvature_moments(cells)
    half = quarter_turned(quarter_turned(net))
    found = half.curvature_moments(np.ascontiguousarray(cells[::-1, ::-1]))[:, ::-1, ::-1]
    assert np.degrees(np.nanmax(np.abs(k))) > 0.3
    for got, exact in zip(found, (k, k - along, k - across), strict=True):
        off = np.degrees(np.abs(got - exact)[cells])
        assert np.quantile(off, 0.9) < 1e-3


def test_cells_on_rough_patches_are_divided_more_finely(bump):
    """Where normals are off by two degrees anyhow; on smooth ones 4 × 4 parts are enough."""
    cells = cells_on_base(*bump)
    for one, share in ((bump[0], 0.0), (roughened(bump[0]), 0.3)):
        coarse, fine = np.zeros((2, 3, *cells.shape))
        wefts, warps = np.empty((2 * cells.shape[1], SIDE, 3)), np.empty((4, SIDE, 3))
        rough = np.zeros(cells.shape, bool)
        for parts, out in ((PARTS, coarse), (MOST_PARTS, fine)):
            curvature_moments(one.patches, one._grid, cells, parts, wefts, warps, out, rough)
            if parts == PARTS:
                assert rough[cells].mean() >= share
                seen = rough.copy()
        taken = one.curvature_moments(cells)
        assert (taken == np.where(seen, fine, coarse))[:, cells].all()
        off = np.degrees(np.abs(fine - coarse).max(axis=0))
        assert share > 0.0 or off[cells & ~seen].max() < 0.01
        assert share == 0.0 or off[seen].max() > 0.05


def test_a_residual_of_nothing_asks_for_no_finer_net():
    assert fine_enough(1.0, 0.0) > 1.0
