"""The curve of a rim against exact ones: circles, ellipses, lines that go over into arcs.

Each is cut out of a surface with known normals by another, of which a facet a segment is known,
as in a mesh; or by nothing known. Lengths in mm.
"""

from itertools import pairwise

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from drape.geometry.rim_curve import cut_turns, end_tangents, rim_samples

UP = np.array([0.0, 0.0, 1.0])


def flat(xy):
    return np.c_[xy, np.zeros(len(xy))]


def segments(values, closed):
    """(s, 2, …) of the ends of each segment from (k, …) at vertices."""
    ahead = np.roll(values, -1, axis=0)
    pairs = np.stack([values, ahead], axis=1)
    return pairs if closed else pairs[:-1]


def planes(points, closed, normal=UP):
    return np.tile(normal, (len(points) if closed else len(points) - 1, 1))


def unknown(points, closed):
    return planes(points, closed, np.full(3, np.nan))


def arc(centre, radius, first, last, count):
    """(count + 1, 2) points and radial directions, evenly."""
    t = np.linspace(first, last, count + 1)
    way = np.c_[np.cos(t), np.sin(t)]
    return centre + radius * way, way


def ellipse(a, b, t):
    """(k, 3) points and unit normals of an upright elliptic wall."""
    points = flat(np.c_[a * np.cos(t), b * np.sin(t)])
    normals = flat(np.c_[np.cos(t) / a, np.sin(t) / b])
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def leaning(normals, degrees):
    """Normals of a wall that leans by so much everywhere along its rim."""
    lean = np.radians(degrees)
    return np.cos(lean) * normals + np.sin(lean) * UP


def off_ellipse(points, a, b):
    """Distances from an ellipse in the plane z = 0, to first order."""
    x, y, z = points.T
    level = (x / a) ** 2 + (y / b) ** 2 - 1.0
    slope = 2.0 * np.hypot(x / a**2, y / b**2)
    return np.hypot(level / slope, z)


def off_pieces(points, pieces):
    """Least distance from lines ("line", a, b) and arcs ("arc", centre, radius, middle, half)."""
    out = np.full(len(points), np.inf)
    for kind, *size in pieces:
        if kind == "line":
            a, b = (np.append(x, 0.0) for x in size)
            s = np.clip((points - a) @ (b - a) / ((b - a) @ (b - a)), 0.0, 1.0)
            found = np.linalg.norm(points - a - s[:, None] * (b - a), axis=1)
        else:
            centre, radius, middle, half = size
            way = points[:, :2] - centre
            turn = np.abs((np.arctan2(way[:, 1], way[:, 0]) - middle + np.pi) % (2 * np.pi) - np.pi)
            found = np.hypot(np.linalg.norm(way, axis=1) - radius, points[:, 2])
            found = np.where(turn <= half + 1e-3, found, np.inf)
        out = np.minimum(out, found)
    return out


# A pipe bend's rim: 100 mm straight, an arc of radius 24 in steps of 15° (6 mm), 70 mm straight.
R, STEPS = 24.0, 5


def bend(radius=R, steps=STEPS, degrees=15.0):
    """(k, 3) points, (k, 3) normals of an upright wall, and the exact pieces."""
    turn = steps * np.radians(degrees)
    on, way = arc(np.array([0.0, radius]), radius, -np.pi / 2, turn - np.pi / 2, steps)
    along = np.array([np.cos(turn), np.sin(turn)])
    points = np.vstack([[-100.0, 0.0], on, on[-1] + 70.0 * along])
    pieces = [
        ("line", points[0], points[1]),
        ("arc", np.array([0.0, radius]), radius, turn / 2 - np.pi / 2, turn / 2),
        ("line", points[-2], points[-1]),
    ]
    return flat(points), flat(np.vstack([way[:1], way, way[-1:]])), pieces


def closed_end(radius=21.0, length=100.0, steps=10):
    """A round end between two straights; the mouth isn't part of the chain."""
    on, way = arc(np.zeros(2), radius, -np.pi / 2, np.pi / 2, steps)
    points = np.vstack([[-length, -radius], on, [-length, radius]])
    pieces = [
        ("line", points[0], points[1]),
        ("arc", np.zeros(2), radius, 0.0, np.pi / 2),
        ("line", points[-2], points[-1]),
    ]
    return flat(points), flat(np.vstack([way[:1], way, way[-1:]])), pieces


def samples(points, normals, sections, closed=False, longest=0.5):
    return rim_samples(points, closed, longest, segments(normals, closed), sections)


@pytest.mark.parametrize("closed", [True, False])
def test_samples_of_a_circle_lie_on_it(closed):
    t = 2.0 * np.pi * np.arange(100) / 100
    points, normals = ellipse(10.0, 10.0, t if closed else t[:40])
    sections = planes(points, closed)
    segment, share, position, tangent = samples(points, normals, sections, closed, 0.1)
    assert np.abs(np.linalg.norm(position, axis=1) - 10.0).max() < 1e-6
    assert np.abs((position * tangent).sum(axis=1)).max() < 1e-3
    assert np.linalg.norm(tangent, axis=1) == pytest.approx(1.0)
    assert np.linalg.norm(np.diff(position, axis=0), axis=1).max() <= 0.1 + 1e-4
    count = len(points) - (0 if closed else 1)
    assert segment.min() == 0
    assert segment.max() == count - 1
    assert share.min() == 0.0
    assert (share[-1] == 1.0) != closed
    vertices = position[share == 0.0]
    assert np.allclose(vertices, points[: len(vertices)])


def test_samples_of_a_straight_segment():
    points = np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0]])
    normals = np.tile([0.0, 1.0, 0.0], (2, 1))
    for sections in (planes(points, False), unknown(points, False)):
        _, share, position, tangent = samples(points, normals, sections, longest=1.0)
        assert share.tolist() == pytest.approx([0.0, 1 / 3, 2 / 3, 1.0])
        assert np.allclose(position, np.c_[3.0 * share, 0.0 * share, 0.0 * share])
        assert np.allclose(tangent, [1.0, 0.0, 0.0])


@pytest.mark.parametrize("known", [True, False])
def test_fourth_order_on_an_ellipse(known):
    """Twice the vertices: a sixteenth of the error, where a facet across is known and where not.

    The wall leans by 40°, the same all along: within it the rim bends as well.
    """
    errors = []
    for count in (24, 48, 96):
        points, normals = ellipse(40.0, 25.0, 2.0 * np.pi * np.arange(count) / count)
        sections = (planes if known else unknown)(points, True)
        position = samples(points, leaning(normals, 40.0), sections, True)[2]
        errors.append(off_ellipse(position, 40.0, 25.0).max())
    assert errors[0] < 0.01
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert orders.min() > 3.7, errors


@pytest.mark.parametrize("lean", [0.0, 50.0])
def test_uneven_vertices_of_an_ellipse_with_a_plane_across(lean):
    """Steps of 8° and 1.5°, at random places: the error of the longest alone."""
    steps = np.random.default_rng(5).choice([1.5, 8.0], 80)
    t = np.cumsum(steps) * 2.0 * np.pi / steps.sum()
    points, normals = ellipse(40.0, 25.0, t)
    position = samples(points, leaning(normals, lean), planes(points, True), True)[2]
    assert off_ellipse(position, 40.0, 25.0).max() < 3e-4  # chords: 0.1


@pytest.mark.parametrize("shape", [bend, closed_end])
@pytest.mark.parametrize("lean", [0.0, 55.0])
def test_a_long_straight_beside_a_short_arc_with_the_flange_across(shape, lean):
    """The spline through all vertices is 2 mm and more off here."""
    points, normals, pieces = shape()
    position = samples(points, leaning(normals, lean), planes(points, False))[2]
    assert off_pieces(position, pieces).max() < 1e-4


@pytest.mark.parametrize("shape", [bend, closed_end])
@pytest.mark.parametrize(("lean", "limit"), [(0.0, 1e-4), (55.0, 0.04)])
def test_the_same_without_a_flange(shape, lean, limit):
    points, normals, pieces = shape()
    position = samples(points, leaning(normals, lean), unknown(points, False))[2]
    assert off_pieces(position, pieces).max() < limit


def stepped(radius=12.0, ramp=14.0, steps=2):
    """136 mm level, an arc, a ramp, an arc back, 147 mm level: in the plane of an upright wall."""
    slope = np.radians(19.0)
    first, _ = arc(np.array([0.0, radius]), radius, -np.pi / 2, slope - np.pi / 2, steps)
    along = np.array([np.cos(slope), np.sin(slope)])
    across = np.array([-along[1], along[0]])
    start = first[-1] + ramp * along
    centre = start - radius * across
    back, _ = arc(centre, radius, slope + np.pi / 2, np.pi / 2, steps)
    points = np.vstack([[-136.0, 0.0], first, back, back[-1] + np.array([147.0, 0.0])])
    pieces = [
        ("line", points[0], points[1]),
        ("arc", np.array([0.0, radius]), radius, slope / 2 - np.pi / 2, slope / 2),
        ("line", first[-1], start),
        ("arc", centre, radius, slope / 2 + np.pi / 2, slope / 2),
        ("line", back[-1], points[-1]),
    ]
    return flat(points), pieces


@pytest.mark.parametrize("known", [True, False])
def test_a_stepped_line_on_an_upright_wall(known):
    """The flange's facets bend with the line, so they say no more than its chords."""
    points, pieces = stepped()
    normals = np.tile(UP, (len(points), 1))
    chords = np.diff(points, axis=0)
    sections = np.cross(UP, chords) / np.linalg.norm(chords, axis=1, keepdims=True)
    sections = sections if known else unknown(points, False)
    position = samples(points, normals, sections)[2]
    assert off_pieces(position, pieces).max() < 2e-3  # chords: 0.04


def test_slight_kinks_between_straights_stay():
    """A ramp of 9° without rounding: no vertex is a kink by its turn, and nothing overshoots."""
    slope = np.radians(9.0)
    points = np.array([[-120.0, 0.0], [0.0, 0.0], [20.0, 20.0 * np.tan(slope)]])
    points = flat(np.vstack([points, points[-1] + [130.0, 0.0]]))
    normals = np.tile(UP, (4, 1))
    position = samples(points, normals, unknown(points, False))[2]
    pieces = [("line", a[:2], b[:2]) for a, b in pairwise(points)]
    assert off_pieces(position, pieces).max() < 1e-9


def test_one_slight_kink_in_an_evenly_divided_straight_is_felt_beside_it_alone():
    """9° between segments of 12 mm: each bends off its chord a third as at a circle's at most."""
    way = np.array([np.cos(np.radians(9.0)), np.sin(np.radians(9.0))])
    steps = 12.0 * np.arange(1, 6)[:, None]
    points = flat(np.vstack([-steps[::-1] * [1.0, 0.0], np.zeros((1, 2)), steps * way]))
    normals = np.tile(UP, (len(points), 1))
    segment, _, position, _ = samples(points, normals, unknown(points, False))
    pieces = [("line", points[0, :2], points[5, :2]), ("line", points[5, :2], points[-1, :2])]
    off = off_pieces(position, pieces)
    assert off.max() < 0.09
    assert off[(segment < 4) | (segment > 5)].max() < 1e-9


def test_surfaces_that_nearly_touch_say_nothing():
    """A rim rounded into its flange: normals are noise apart, and would give any direction."""
    points = flat(np.array([[-90.0, 0.0], [-40.0, 0.0], [-34.0, 0.0], [60.0, 0.0]]))
    random = np.random.default_rng(3)
    normals = UP + 0.1 * random.normal(size=(4, 3))
    normals[:, 0] *= 0.05
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    position = samples(points, normals, planes(points, False))[2]
    assert np.abs(position[:, 1]).max() < 0.03


def test_an_oblique_cut_of_a_pipe_is_an_ellipse():
    """A trim line: the plane is known, vertices lie where it crosses a mesh's edges."""
    radius, tilt = 20.0, np.radians(35.0)
    plane = np.array([np.sin(tilt), 0.0, np.cos(tilt)])
    t = np.cumsum(np.random.default_rng(2).choice(np.radians([1.0, 14.0]), 60))
    t = t[t < 5.5]
    around = flat(np.c_[np.cos(t), np.sin(t)])
    points = radius * around - radius * np.outer(np.cos(t) * np.tan(tilt), UP)
    position = samples(points, around, planes(points, False, plane))[2]
    assert np.abs(position @ plane).max() < 1e-9
    assert np.abs(np.hypot(position[:, 0], position[:, 1]) - radius).max() < 2e-3


def test_turned_mirrored_and_reversed_it_is_the_same_curve():
    points, normals, _ = bend()
    normals = leaning(normals, 30.0)
    for sections in (planes(points, False), unknown(points, False)):
        _, share, position, tangent = samples(points, normals, sections)
        inner = (share > 0.0) & (share < 1.0)  # at a vertex there is a tangent on either side
        turn = Rotation.from_euler("xyz", [0.3, -1.1, 2.0]).as_matrix()
        for matrix in (turn, turn @ np.diag([1.0, -1.0, 1.0])):
            moved = samples(points @ matrix.T + 7.0, normals @ matrix.T, sections @ matrix.T)
            assert np.allclose(moved[2], position @ matrix.T + 7.0, atol=1e-9)
            assert np.allclose(moved[3], tangent @ matrix.T, atol=1e-9)
        back = samples(points[::-1], normals[::-1], sections[::-1])
        assert np.allclose(back[2][::-1], position, atol=1e-9)
        assert np.allclose(back[3][::-1][inner], -tangent[inner], atol=1e-9)


def test_either_sign_of_normals_and_sections_gives_the_same():
    points, normals, _ = bend()
    normals, sections = leaning(normals, 30.0), planes(points, False)
    ends = end_tangents(points, False, segments(normals, False), sections)
    signs = np.where(np.arange(len(sections)) % 2, 1.0, -1.0)[:, None]
    assert np.allclose(
        ends, end_tangents(points, False, segments(normals, False), signs * sections)
    )
    assert np.allclose(ends, end_tangents(points, False, segments(-normals, False), sections))


def test_a_moved_rim_takes_its_section_along():
    """Raised by a ply's height the rim of a pipe cut obliquely leaves the plane a little."""
    height, tilt = 1.5, np.radians(25.0)
    t = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
    plane = np.array([np.sin(tilt), 0.0, np.cos(tilt)])

    def raised(t):
        around = flat(np.c_[np.cos(t), np.sin(t)])
        return (20.0 - height) * around - 20.0 * np.outer(np.cos(t) * np.tan(tilt), UP), around

    points, around = raised(t)
    position = samples(points, -around, planes(points, True, plane), True, 0.2)[2]
    exact = raised(np.arctan2(position[:, 1], position[:, 0]))[0]
    assert np.linalg.norm(position - exact, axis=1).max() < 3e-3


@pytest.mark.parametrize("known", [True, False])
def test_noise_of_scans_isn_t_made_larger(known):
    """Vertices every 2 mm with 0.02 mm of noise, normals with 1°, facets across with 2°."""
    random = np.random.default_rng(8)
    count = 90
    t = 2.0 * np.pi * np.arange(count) / count
    points, normals = ellipse(30.0, 30.0, t)
    points = points + 0.02 * random.normal(size=points.shape)
    normals = leaning(normals, 30.0) + np.radians(1.0) * random.normal(size=points.shape)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    sections = UP + np.radians(2.0) * random.normal(size=points.shape)
    sections /= np.linalg.norm(sections, axis=1, keepdims=True)
    sections = sections if known else unknown(points, True)
    segment, share, position, _ = samples(points, normals, sections, True, 0.2)
    straight = (1.0 - share)[:, None] * points[segment]
    straight = straight + share[:, None] * np.roll(points, -1, axis=0)[segment]
    assert off_ellipse(position, 30.0, 30.0).std() < 1.1 * off_ellipse(points, 30.0, 30.0).std()
    bulge = np.linalg.norm(position - straight, axis=1).max()
    assert bulge < 0.017 + 0.02  # a smooth rim's, and the noise's


def test_turns_of_the_cut_tell_arcs_from_kinks():
    """Three vertices in a corner of 90° turn by 45°; the surfaces meet in one line all the same."""
    points, normals, _ = bend(4.0, 2, 45.0)
    sections = planes(points, False)
    turns = cut_turns(points, False, segments(normals, False), sections)
    assert np.abs(turns).max() < 1e-6
    assert np.isnan(cut_turns(points, False, segments(normals, False), sections * np.nan)).all()
    corner = flat(np.array([[-50.0, 0.0], [0.0, 0.0], [0.0, 40.0]]))
    sides = np.array([[[0.0, 1.0, 0.0]] * 2, [[-1.0, 0.0, 0.0]] * 2])
    turns = cut_turns(corner, False, sides, planes(corner, False))
    assert np.degrees(turns) == pytest.approx([0.0, 90.0, 0.0])
