"""Trim lines, against the plane and the exact tube.

Tries out ``mould/rim_stretches`` as well.
"""

from itertools import pairwise

import numpy as np
import pytest
import trimesh
from exact.split_tubes import Box, Oval, SplitTube, Step, bend, straight
from scipy.optimize import least_squares
from scipy.spatial import cKDTree

from drape.errors import InputError
from drape.geometry.surface import build
from drape.mould.mould import find_mould
from drape.mould.rim_stretches import rim_loops
from drape.mould.trim import trim_region

ROUND = SplitTube(bend(260, 1.2), Oval(), 26, 26, step=Step(10, 110, 30))
OVAL = SplitTube(straight(200), Oval(2.3), 30, 18)
SHARP = SplitTube(bend(260, 1.2), Box(np.radians(5.0)), 26, 22)


def found(tube, seed=3, half="lower"):
    mesh = tube.mesh(half, "solid", along=100, around=64, seed=seed)
    mould = find_mould({half: build(mesh.vertices, mesh.faces)})
    return mould, mould.halves[half].region


def distance_to_exact(tube, half, points):
    """Distance of points from the exact cavity, mm: nearest sample, then least squares."""
    v, t = np.meshgrid(np.linspace(*tube.range, 500), np.linspace(0, 1, 300), indexing="ij")
    near = cKDTree(tube.cavity_point(half, v, t).reshape(-1, 3)).query(points)[1]

    def distance(point, start):
        def miss(x):
            return tube.cavity_point(half, x[0], x[1] / 100) - point

        bounds = ([tube.range[0], 0.0], [tube.range[1], 100.0])
        start = np.clip(start, np.array(bounds[0]) + 1e-9, np.array(bounds[1]) - 1e-9)
        return np.linalg.norm(least_squares(miss, start, bounds=bounds, xtol=1e-14).fun)

    starts = np.stack([v.ravel()[near], 100 * t.ravel()[near]], 1)
    return np.array([distance(p, s) for p, s in zip(points, starts, strict=True)])


@pytest.mark.parametrize("tilt", [0.0, 0.25])
@pytest.mark.parametrize("name", ["A", "B"])
@pytest.mark.parametrize("half", ["lower", "upper"])
@pytest.mark.parametrize("tube", [ROUND, OVAL, SHARP], ids=["round", "oval", "sharp corners"])
def test_the_cut_lies_in_the_plane_and_on_the_tube(tube, half, name, tilt):
    mould, region = found(tube, half=half)
    mouth = next(m for m in mould.mouths if m.name == name)
    normal = mouth.normal + tilt * np.array([0.0, 0.0, 1.0])
    normal /= np.linalg.norm(normal)
    point = mouth.centre - 17.3 * mouth.normal
    trimmed, findings = trim_region(region, name, point, 3.0 * normal)
    edge = trimmed.edge(name)
    points = trimmed.surface.vertices[edge.vertices]
    assert edge.kind == "trim"
    assert np.abs((points - point) @ normal).max() < 1e-6
    assert distance_to_exact(tube, half, points).max() < 0.01
    assert np.allclose(edge.cut_normals, normal)
    assert findings[0].level == "note"


def test_the_trimmed_region_is_whole_and_its_edges_meet():
    _, region = found(ROUND)
    trimmed, _ = trim_region(region, "A", [15.0, 0, 0], [-1.0, 0, 0])
    trimmed, _ = trim_region(trimmed, "B", *end_plane(15.0))
    surface = trimmed.surface
    # still a disc: nothing torn open inside (Euler characteristic 1, one rim)
    assert trimesh.Trimesh(surface.vertices, surface.faces, process=False).euler_number == 1
    assert len(rim_loops(surface)) == 1
    assert surface.face_areas.sum() == pytest.approx(region.surface.face_areas.sum(), rel=1e-5)
    loop = trimmed.loops[0]
    assert [e.kind for e in trimmed.edges] == ["trim", "parting", "trim", "parting"]
    for a, b in zip(loop, loop[1:] + loop[:1], strict=True):
        assert trimmed.edges[a].vertices[-1] == trimmed.edges[b].vertices[0]
    rim = {
        (int(f[k]), int(f[(k + 1) % 3]))
        for f, inside in zip(surface.faces, trimmed.inside, strict=True)
        if inside
        for k in range(3)
    }
    for edge in trimmed.edges:
        chain = edge.vertices.tolist()
        assert all(pair in rim for pair in pairwise(chain))
        assert len(edge.cut_normals) == len(chain)
        assert np.allclose(np.linalg.norm(edge.cut_normals, axis=1), 1.0)


def end_plane(inside):
    point, tangent, _ = ROUND.centreline.frame(np.array(260.0 - inside))
    point = point + ROUND.step(np.array(260.0))[()] * np.array([0, 0, 1.0])
    return point, tangent


def test_area_inside_a_straight_tube_is_the_exact_share():
    """Half an elliptic tube of length 200 cut 20 mm from its end keeps 180/200 of its area."""
    tube = SplitTube(straight(200), Oval(), 30, 18)
    _, region = found(tube)
    before = region.surface.face_areas.sum()
    trimmed, _ = trim_region(region, "A", [20.0, 0, 0], [-1.0, 0, 0])
    inside = trimmed.surface.face_areas[trimmed.inside].sum()
    assert inside == pytest.approx(0.9 * before, rel=2e-4)
    sources = trimmed.source_faces
    assert set(sources) == set(region.source_faces)


def test_normals_at_the_cut_are_those_of_the_exact_tube():
    """Cylinder r = 26: normals point from the surface to the axis."""
    tube = SplitTube(straight(200), Oval(), 26, 26)
    _, region = found(tube)
    trimmed, _ = trim_region(region, "A", [20.0, 0, 0], [-1.0, 0, 0])
    chain = trimmed.edge("A").vertices
    surface = trimmed.surface
    assert len(chain) > 20
    for v in chain:
        normal = surface.corner_normals[surface.faces == v]
        exact = -surface.vertices[v] * [0, 1, 1] / 26.0
        assert np.degrees(np.arccos(np.clip(normal @ exact, -1, 1))).max() < 0.1


def test_only_the_near_arm_of_a_bend_past_180_degrees_is_cut_off():
    """The plane meets both arms of a U; the far one stays whole."""
    tube = SplitTube(bend(400, 3.9), Oval(), 20, 20, flange=15)
    _, region = found(tube)
    point, tangent, _ = tube.centreline.frame(np.array(20.0))
    mouth = region.edge("A")
    start = np.linalg.norm(region.surface.vertices[mouth.vertices].mean(axis=0)) < 30
    name = "A" if start else "B"
    trimmed, _ = trim_region(region, name, point, -tangent)
    beyond = trimmed.surface.face_areas[~trimmed.inside].sum()
    # half a torus: π r × length of the centreline (Pappus–Guldin), here 20 mm of it
    assert beyond == pytest.approx(np.pi * 20 * 20, rel=5e-3)


@pytest.mark.parametrize(
    ("name", "point", "normal", "said"),
    [
        ("C", [15, 0, 0], [-1, 0, 0], "no such mouth; got C; allowed: A, B"),
        ("A", [-50, 0, 0], [-1, 0, 0], "doesn't cut the cavity"),
        ("A", [15, 0, 0], [1, 0, 0], "points into the part"),
        ("A", [1, 0, 0], [-1, 0.2, 0], "cuts the mouth's edge"),
        ("A", [15, 0, 0], [0, 0, 0], "the normal has zero length"),
        ("A", [15, np.nan, 0], [-1, 0, 0], "point must be three numbers"),
        ("A", [15, 0], [-1, 0, 0], "point must be three numbers"),
    ],
)
def test_impossible_planes_are_refused(name, point, normal, said):
    _, region = found(SplitTube(straight(200), Oval(), 30, 18))
    with pytest.raises(InputError, match=said) as caught:
        trim_region(region, name, point, normal)
    assert "\n" not in str(caught.value)
