"""Creases among obtuse slivers, whose own normals say nothing: by hand and on CAD kernels' meshes.

Lengths in mm.

Tries out ``geometry/creases`` as well.
"""

import networkx
import numpy as np
import pytest
from cad_moulds import ALL
from scipy.spatial.transform import Rotation

from drape.geometry.patches import make_patches, rows_at
from drape.geometry.surface import CREASE_ANGLE, build
from drape.mould.mould import find_mould

BY_NAME = {m.name: m for m in ALL}
COUNT, STEP, WIDE = 12, 5.0, 8.0


def pairs_of(surface):
    """(c, 2) vertices of the creases."""
    f, k = np.nonzero(surface.crease)
    ends = np.stack([surface.faces[f, k], surface.faces[f, (k + 1) % 3]], axis=1)
    return np.unique(np.sort(ends, axis=1), axis=0)


def turns(surface):
    """Degrees between facets that share an edge."""
    f, k = np.nonzero(surface.neighbours >= 0)
    n = surface.face_normals
    dots = np.einsum("ei,ei->e", n[f], n[surface.neighbours[f, k]])
    return np.degrees(np.arccos(np.clip(dots, -1.0, 1.0)))


def ridge(turn, heights, both=False, noise=0.0):
    """Two strips that meet along x at an angle, with a vertex near each edge they share.

    heights : mm, of that vertex off the edge, in the first strip, or in both by turns
    """
    x = STEP * np.arange(COUNT + 1)
    slope = np.radians(turn / 2.0)
    sides = [np.array([0.0, np.cos(slope), -np.sin(slope)])]
    sides.append(sides[0] * [1.0, -1.0, 1.0])
    points = [np.c_[x, 0.0 * x, 0.0 * x]]
    points += [points[0] + WIDE * side for side in sides]
    vertices, faces = np.vstack(points), []
    extra, a = [], COUNT + 1
    for i in range(COUNT):
        left, right = a + i, 2 * a + i
        sliver = i % 2 if both else 0
        for side, far in ((0, left), (1, right)):
            corners = [(i, i + 1, far), (i + 1, far + 1, far)]
            if side == sliver:
                new = 3 * a + len(extra)
                middle = vertices[i] + [0.37 * STEP, 0.0, 0.0]
                extra.append(middle + heights[i % len(heights)] * sides[side])
                corners = [(i, i + 1, new), (i + 1, far, new), (far, i, new), corners[1]]
            faces += [c if side == 0 else c[::-1] for c in corners]
    vertices = np.vstack([vertices, extra])
    vertices += noise * np.random.default_rng(4).normal(size=vertices.shape)
    return vertices, np.array(faces)


def is_path(pairs, first, last):
    """Whether edges make one line from a vertex to another."""
    graph = networkx.Graph(pairs.tolist())
    ends = {v for v, degree in graph.degree if degree == 1}
    return (
        ends == {first, last}
        and networkx.is_connected(graph)
        and max(dict(graph.degree).values()) == 2
    )


@pytest.mark.parametrize("turn", [31.0, 62.0, 110.0])
@pytest.mark.parametrize("both", [False, True])
@pytest.mark.parametrize(
    ("heights", "noise"),
    [((0.02,), 0.0), ((0.02, 1e-4), 0.0), ((0.02, 1e-3), 1e-3), ((1e-4,), 1e-4)],
)
def test_a_true_crease_among_slivers_is_one_line_without_gaps(turn, both, heights, noise):
    """The noise turns the slivers' normals by anything."""
    vertices, faces = ridge(turn, heights, both, noise)
    found = pairs_of(build(vertices, faces))
    assert is_path(found, 0, COUNT)
    off = np.linalg.norm(vertices[np.unique(found)][:, 1:], axis=1)
    assert off.max() <= max(heights) + 4.0 * noise  # no farther off than slivers are high


def test_a_ridge_below_the_limit_is_no_crease_whatever_slivers_say():
    vertices, faces = ridge(25.0, (0.02, 1e-3), True, 1e-3)
    surface = build(vertices, faces)
    assert turns(surface).max() > np.degrees(CREASE_ANGLE)
    assert not surface.crease.any()


def on_ball(radius=20.0, rings=14, low=1e-3):
    """Part of a ball with a vertex on it beside the middle of each edge round its axis."""
    t, around = (
        np.radians(np.linspace(20.0, 160.0, rings)),
        np.radians(np.linspace(-70.0, 70.0, rings)),
    )

    def place(t, a):
        return radius * np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])

    vertices = [
        place(*p) for p in np.stack(np.meshgrid(t, around, indexing="ij"), -1).reshape(-1, 2)
    ]
    faces = []
    for i in range(rings - 1):
        for j in range(rings - 1):
            a, b, c, d = (
                i * rings + j,
                (i + 1) * rings + j,
                (i + 1) * rings + j + 1,
                i * rings + j + 1,
            )
            new = len(vertices)  # beside the middle of a–d, within the facet a, b, d
            vertices.append(_beside(place, t[i], t[i + 1], around[j], around[j + 1], low))
            faces += [(a, new, d), (a, b, new), (b, d, new), (b, c, d)]
    return np.array(vertices), np.array(faces)


def _beside(place, t, below, a, b, low):
    """A point of the ball, ``low`` mm off the chord as seen along the radius."""
    p, q = place(t, a), place(t, b)
    out = (p + q) / np.linalg.norm(p + q)
    down = np.cross(out, q - p)
    down /= np.linalg.norm(down) * np.sign(down @ (place(below, a) - p))
    foot = 0.5 * (p + q) + low * down
    radius = np.linalg.norm(p)
    return foot + out * (np.sqrt(radius**2 - foot @ foot + (foot @ out) ** 2) - foot @ out)


@pytest.mark.parametrize("low", [1e-4, 1e-2, 0.1])
def test_a_ball_with_slivers_has_no_crease(low):
    """Their apexes lie on it, 0.3 mm above the chord beside them: they stand almost upright."""
    vertices, faces = on_ball(low=low)
    for seed in range(3):
        random = np.random.default_rng(seed)
        turned = vertices @ Rotation.random(rng=random).as_matrix().T
        order = random.permutation(len(faces))
        surface = build(turned, np.roll(faces, seed, axis=1)[order])
        assert turns(surface).max() > 45.0
        assert not surface.crease.any()


def cavity(name, deviation):
    mould = BY_NAME[name]
    vertices, faces = mould.meshes(deviation)["lower"]
    return mould, find_mould({"lower": build(vertices, faces)}).halves["lower"].region.surface


@pytest.mark.parametrize("deviation", [0.2, 0.02])
@pytest.mark.parametrize("name", ["ellipsoid", "long ellipsoid sheet", "canoe nose"])
def test_smooth_cad_moulds_have_no_crease_in_their_cavity(name, deviation):
    _, surface = cavity(name, deviation)
    assert not surface.crease.any()


@pytest.mark.parametrize(("deviation", "limit"), [(0.2, 0.01), (0.02, 5e-4)])
@pytest.mark.parametrize("name", ["ellipsoid", "long ellipsoid sheet"])
def test_patches_at_an_ellipsoid_s_poles_lie_on_it(name, deviation, limit):
    """With creases there they were up to 0.087 mm and 74° off."""
    mould, surface = cavity(name, deviation)
    patches, faces = make_patches(surface), np.arange(len(surface.faces))
    axes = np.array([mould.sizes[k] for k in "abc"])
    origin = mould.own_frame(np.zeros((1, 3)))
    for weights in ((1 / 3, 1 / 3), (0.5, 0.5), (0.0, 0.5), (0.5, 0.0), (0.2, 0.2)):
        rows = rows_at(patches, faces, np.tile(weights, (len(faces), 1)))
        points, normals = mould.own_frame(rows[:, :3]), mould.own_frame(rows[:, 3:6]) - origin
        slope = 2.0 * points / axes**2
        steep = np.linalg.norm(slope, axis=1)
        level = ((points / axes) ** 2).sum(axis=1) - 1.0
        assert np.abs(level / steep).max() < limit
        cosine = np.abs(np.einsum("ki,ki->k", normals, slope)) / steep
        assert np.degrees(np.arccos(np.clip(cosine, 0.0, 1.0))).max() < 2.5


@pytest.mark.parametrize(("deviation", "reach"), [(0.2, 1.5), (0.02, 0.15)])
def test_a_canoe_has_creases_at_its_points_alone(deviation, reach):
    """There it is a cone's tip, of few facets."""
    mould, surface = cavity("canoe", deviation)
    places = mould.own_frame(surface.vertices[pairs_of(surface)].mean(axis=1))
    assert np.abs(places[:, 1:]).max() < reach
    assert (np.abs(places[:, 0]) > mould.sizes["half_length"] - reach).all()


@pytest.mark.parametrize("deviation", [0.2, 0.02])
def test_arms_that_meet_in_creases_keep_them_from_the_rim_to_where_they_fade(deviation):
    """Between equal cylinders: the plane between their axes; it turns by less and less inwards."""
    mould, surface = cavity("sharp fork", deviation)
    found = pairs_of(surface)
    lines = list(networkx.connected_components(networkx.Graph(found.tolist())))
    assert len(lines) == 3
    angles = np.array(mould.sizes["angles"])
    planes = 0.5 * (angles + np.append(angles[1:], angles[0] + 2.0 * np.pi))
    points = mould.own_frame(surface.vertices)
    rim = np.flatnonzero(np.abs(points[:, 2]) < 1e-4)
    for line in map(list, lines):
        way = points[line][:, :2] @ np.stack([-np.sin(planes), np.cos(planes)])
        assert np.abs(way).max(axis=0).min() < 1e-3
        assert len(np.intersect1d(line, rim)) == 1
        graph = networkx.Graph(found.tolist()).subgraph(line)
        assert max(dict(graph.degree).values()) == 2
