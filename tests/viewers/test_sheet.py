"""Sheets and lines to look at (scene/sheet, scene/lines), on the hemisphere: its areas, where its
shear is 45°.

Source: the Chebyshev net of the sphere, s f″ + f′ + sin f = 0 with s = uv, f(0) = π/2,
f′(0) = −1 (key ``chebyshev1878``), integrated by scipy here.
"""

import numpy as np
import pytest
import shapely
from draped import drape_piece
from exact import shapes
from scipy.integrate import solve_ivp
from shapely import affinity

from viewers.scene.lines import on_surface, yarn_lines
from viewers.scene.sheet import contour, ply_sheet

R = 60.0


@pytest.fixture(scope="module")
def dome():
    return drape_piece(shapes.hemisphere(R, 48), [0, 0, -R], [1, 0, 0], spacing=1.5)


@pytest.fixture(scope="module")
def polygon(dome):
    return shapely.Polygon(dome.outlines[0].points)


@pytest.fixture(scope="module")
def sheet(dome, polygon):
    return ply_sheet(dome.net, polygon)


def areas(points, triangles):
    a, b, c = (points[triangles[:, k]] for k in range(3))
    return 0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=-1)


def test_it_covers_the_cloth_to_its_cut_line(sheet, polygon):
    flat = np.column_stack([sheet["flat"], np.zeros(len(sheet["flat"]))])
    assert areas(flat, sheet["triangles"]).sum() == pytest.approx(polygon.area, rel=1e-5)
    rim = shapely.multipoints(sheet["flat"])
    assert polygon.buffer(1e-5).covers(rim)


def test_it_covers_the_hemisphere(sheet):
    """2πR²; chords of its cells of 2 mm are short by (2/R)²/24."""
    total = areas(sheet["points"], sheet["triangles"]).sum()
    assert total == pytest.approx(2 * np.pi * R**2, rel=5e-4)
    assert np.linalg.norm(sheet["points"], axis=1) == pytest.approx(R, abs=2e-3)


def test_its_triangles_face_the_hollow(sheet):
    a, b, c = (sheet["points"][sheet["triangles"][:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    outward = np.einsum("ij,ij->i", normal, a + b + c)
    whole = np.linalg.norm(normal, axis=1) > 1e-3  # mm²: slivers at the cut line face anywhere
    assert whole.mean() > 0.98
    assert (outward[whole] < 0.0).all()


@pytest.mark.parametrize("turn", [0.0, 1e-9, 1e-8, 3e-8])
def test_no_side_is_run_twice_one_way_where_the_cut_follows_a_cell(dome, turn):
    """Slivers whose turn is rounding once killed a drawing library (the bowl of 50 mm)."""
    square = affinity.rotate(shapely.box(-21.0, -21.0, 21.0, 21.0), turn, use_radians=True)
    t = ply_sheet(dome.net, square)["triangles"]
    sides = np.concatenate([t[:, [0, 1]], t[:, [1, 2]], t[:, [2, 0]]])
    assert len(np.unique(sides, axis=0)) == len(sides)


def test_the_limit_runs_where_the_shear_is_45(dome, sheet):
    """There uv/R² is the s at which the exact angle between the yarns is 45°."""

    def slope(s, y):  # y = f, s f′ (= g, with g′ = −sin f)
        return [(-1.0 if s == 0 else y[1] / s), -np.sin(y[0])]

    start = 1e-9
    found = solve_ivp(
        slope, (start, 1.5), [np.pi / 2 - start, -start], rtol=1e-10, atol=1e-12,
        events=lambda s, y: y[0] - np.pi / 4,
    )  # fmt: skip
    wanted = found.t_events[0][0]
    segments = contour(sheet["points"], sheet["shear_deg"], sheet["triangles"], 45.0)
    middle = segments.mean(axis=1)
    flat = dome.net.to_flat(middle * R / np.linalg.norm(middle, axis=1)[:, None], -middle / R)
    product = np.abs(flat[:, 0] * flat[:, 1]) / R**2
    assert len(segments) > 100
    assert product == pytest.approx(wanted, rel=0.01)
    assert len(contour(sheet["points"], sheet["shear_deg"], sheet["triangles"], 80.0)) == 0


def test_yarns_keep_their_length_and_start_point(dome, polygon):
    """The first yarns are great circles: π R long, and pass the start."""
    yarns = yarn_lines(dome.net, polygon, 10.0)
    for name in ("warp", "weft"):
        length = [np.linalg.norm(np.diff(y, axis=0), axis=1).sum() for y in yarns[name]]
        assert max(length) == pytest.approx(np.pi * R, rel=2e-3)
        first = yarns[name][int(np.argmax(length))]
        assert np.linalg.norm(first - [0, 0, -R], axis=1).min() < 1.1
    assert len(yarns["warp"]) == 2 * int(0.5 * np.pi * R / 10.0) + 1


def test_warps_run_along_x_of_the_cloth_and_wefts_along_y(dome, polygon):
    """The warp was laid along x of the mould at the dome's foot, where both axes are level."""
    yarns = yarn_lines(dome.net, polygon, 10.0)
    for name, axis in (("warp", 0), ("weft", 1)):
        foot = min(
            (y for y in yarns[name]), key=lambda y: np.linalg.norm(y - [0, 0, -R], axis=1).min()
        )
        near = np.argmin(np.linalg.norm(foot - [0, 0, -R], axis=1))
        way = foot[near + 1] - foot[near - 1]
        assert abs(way[axis]) > 0.99 * np.linalg.norm(way)


def test_a_line_off_the_net_is_cut_there(dome):
    lines = on_surface(dome.net, np.array([[-300.0, 0.0], [300.0, 0.0]]))
    assert len(lines) == 1
    assert np.isfinite(lines[0]).all()
    assert on_surface(dome.net, np.array([[500.0, 0.0], [600.0, 0.0]])) == []
