"""Fibre directions, thickness and mass on mesh faces, where they are known exactly.

Cylinder: a yarn is a helix at a constant angle to the axis (developable; key ``docarmo1976``).
Sphere: the shear obeys the net's equation (keys ``chebyshev1878``, ``mack1956``), and the
first yarns are great circles; the mass of cut cloth doesn't change by laying it.
"""

import numpy as np
import pytest
import shapely
from draped import drape_piece
from exact import shapes
from helpers import polygon
from scipy.integrate import solve_ivp
from scipy.spatial import cKDTree

from drape.net.on_faces import draped_faces, thickening, turned_from
from drape.net.wrinkles import surface_area

ANGLE = 0.5


def faces_of(piece, within=None):
    within = polygon(piece.outlines[0]) if within is None else within
    faces = np.arange(len(piece.mid.faces))
    return draped_faces(piece.net, piece.mid, faces, within)


def turn(a, b):
    """Degrees between rows of unit vectors."""
    return np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b), axis=1), (a * b).sum(axis=1)))


def test_helices_on_a_cylinder():
    radius = 25.0
    mesh = shapes.trough(radius, 60.0, 60, 50, jitter=0.2)
    warp = [np.cos(ANGLE), np.sin(ANGLE), 0.0]
    piece = drape_piece(mesh, [0.0, 0.0, -radius], warp, spacing=1.5)
    seen = faces_of(piece)
    assert len(seen.faces) == len(mesh[1])  # all of them are covered
    middle = mesh[0][mesh[1][seen.faces]].mean(axis=1)
    t = np.arctan2(middle[:, 1], -middle[:, 2])
    round_ = np.stack([0 * t, np.cos(t), np.sin(t)], axis=1)
    along = np.array([1.0, 0.0, 0.0])
    c, s = np.cos(ANGLE), np.sin(ANGLE)
    assert turn(seen.warp, c * along + s * round_).max() < 0.1
    assert turn(seen.weft, -s * along + c * round_).max() < 0.1
    zero = np.tile(along, (len(t), 1))
    angle = turned_from(zero, seen.warp, seen.normals)
    np.testing.assert_allclose(np.degrees(angle), np.degrees(ANGLE), atol=0.1)
    np.testing.assert_allclose(thickening(seen.shear), 1.0, atol=1e-4)


@pytest.fixture(scope="module")
def bowl():
    return drape_piece(shapes.hemisphere(50.0, 60), [0, 0, -50.0], [1.0, 0.0, 0.0], spacing=1.0)


@pytest.fixture(scope="module")
def exact_net():
    """The Chebyshev net of the unit sphere by finite differences of its own, (u, v) → place.

    Each cell's fourth corner is at the two given distances: the mirror image of the first one
    in the plane through the middle of the diagonal. Rhombic cells: steps are equal.
    """
    step, count = 0.001, 1600
    first = np.arange(count + 1) * step
    x = np.full((count + 1, count + 1, 3), np.nan)
    x[:, 0] = np.stack([np.sin(first), 0 * first, -np.cos(first)], axis=1)
    x[0] = np.stack([0 * first, np.sin(first), -np.cos(first)], axis=1)
    for total in range(2, 2 * count + 1):
        i = np.arange(max(1, total - count), min(count, total - 1) + 1)
        j = total - i
        a, b, c = x[i - 1, j], x[i, j - 1], x[i - 1, j - 1]
        axis = a + b  # half a turn about the middle of the diagonal's great circle
        axis = axis / np.linalg.norm(axis, axis=1, keepdims=True)
        x[i, j] = 2.0 * (c * axis).sum(axis=1)[:, None] * axis - c
    return step, x


def test_directions_on_the_sphere(bowl, exact_net):
    step, x = exact_net
    k = step * np.arange(len(x))
    x = np.where((np.outer(k, k) < 1.0)[..., None], x, 9.0)  # the equator is at uv < 0.962
    seen = faces_of(bowl)
    point = bowl.mid.vertices[bowl.mid.faces[seen.faces]].mean(axis=1)
    point /= np.linalg.norm(point, axis=1)[:, None]
    quarter = np.flatnonzero((point[:, 0] > 0.02) & (point[:, 1] > 0.02))
    i, j = _nearest(x, point[quarter])
    warp, weft = x[i + 1, j] - x[i - 1, j], x[i, j + 1] - x[i, j - 1]
    # the nearest node is less than 0.05° away; laid into the middle's tangent plane
    for wanted, got in ((warp, seen.warp[quarter]), (weft, seen.weft[quarter])):
        wanted = wanted / np.linalg.norm(wanted, axis=1)[:, None]
        n = point[quarter]
        wanted = wanted - (wanted * n).sum(axis=1)[:, None] * n
        wanted /= np.linalg.norm(wanted, axis=1)[:, None]
        assert len(got) > 3000
        assert turn(got, wanted).max() < 0.1


def _nearest(x, points):
    inner = x[1:-1, 1:-1].reshape(-1, 3)
    distance, k = cKDTree(inner).query(points)
    i, j = np.divmod(k, x.shape[1] - 2)
    assert distance.max() < 0.003
    return i + 1, j + 1


def test_shear_of_that_net_obeys_its_equation(exact_net):
    """The reference itself: s f″ + f′ + sin f = 0 for the angle between its yarns."""
    step, x = exact_net
    sol = solve_ivp(
        lambda s, y: [y[1], -(y[1] + np.sin(y[0])) / s],
        (1e-8, 1.0),
        [0.5 * np.pi - 1e-8, -1.0],
        rtol=1e-10,
        atol=1e-12,
        dense_output=True,
    ).sol
    i = np.array([200, 600, 900, 980])
    a, b = x[i + 1, i] - x[i - 1, i], x[i, i + 1] - x[i, i - 1]
    angle = np.arccos((a * b).sum(1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1))
    np.testing.assert_allclose(angle, sol((i * step) ** 2)[0], atol=2e-4)


def test_mass_is_kept(bowl):
    """∬ m₀/cos γ dA over the mesh's triangles against m₀ times the flat pattern's area."""
    seen = faces_of(bowl)
    area = bowl.mid.face_areas
    assert len(seen.faces) == len(area)
    mass = 200e-6 * float(np.sum(area[seen.faces] * thickening(seen.shear)))
    assert mass == pytest.approx(200e-6 * bowl.assessment.cloth_area, rel=1e-3)
    assert bowl.assessment.cloth_area > 1.05 * area.sum()  # shear is what makes the difference


def test_faces_outside_the_cut_are_left_out(bowl):
    half = shapely.intersection(polygon(bowl.outlines[0]), shapely.box(0, -99, 99, 99))
    seen = faces_of(bowl, half)
    x = bowl.mid.vertices[bowl.mid.faces[seen.faces]].mean(axis=1)[:, 0]
    assert x.min() > -0.1
    covered = bowl.mid.face_areas[seen.faces].sum()
    assert covered == pytest.approx(surface_area(bowl.net, half), rel=0.01)


def test_angles_count_from_the_zero_direction_laid_on_the_surface():
    normal = np.array([[0.0, 0.0, 1.0]] * 3)
    zero = np.array([[1.0, 0.0, 5.0], [0.0, 2.0, 0.0], [0.0, 0.0, 1.0]])
    way = np.array([[0.0, 1.0, 0.0]] * 3)
    got = np.degrees(turned_from(zero, way, normal))
    np.testing.assert_allclose(got[:2], [90.0, 0.0], atol=1e-12)
    assert np.isnan(got[2])


# 1/cos γ: a rhombus of sides 1 has the area cos γ; digits as any table of secants prints them
@pytest.mark.parametrize(
    ("degrees", "printed"),
    [(0, "1.0000"), (10, "1.0154"), (20, "1.0642"), (30, "1.1547"), (40, "1.3054"),
     (45, "1.4142"), (50, "1.5557"), (60, "2.0000")],
)  # fmt: skip
def test_thickening_to_its_printed_digits(degrees, printed):
    assert f"{thickening(np.radians(degrees)):.4f}" == printed
    assert f"{thickening(np.radians(-degrees)):.4f}" == printed
