"""Parting lines that are given, against exact cuts of bowls, troughs and stepped walls.

Tries out ``mould/cubics``, ``mould/line_cut`` as well.
"""

import numpy as np
import pytest
import trimesh
from brims import brim_profile, brim_start, drawn, turned
from exact import shapes
from scipy.spatial import cKDTree

from drape.errors import InputError
from drape.geometry.surface import build
from drape.mould.line_cut import LineCut
from drape.mould.mould import find_mould
from drape.mould.parting_line import PartingLine
from drape.mould.rim_stretches import distance_to_polyline

RADIUS, DEPTH, BRIM = 40.0, 30.0, 4.0
AT = -3.5  # below where the brim begins
MIDDLE = np.array([0.0, 0.0, RADIUS - DEPTH])  # of the bowl's ball
OUTLINE = float(np.sqrt(RADIUS**2 - (RADIUS - DEPTH - AT) ** 2))
CAP = 2.0 * np.pi * RADIUS * (DEPTH + AT)
PLANE = (np.array([5.0, 0.0, AT]), np.array([0.0, 0.0, -2.0]))


@pytest.fixture(scope="module")
def bowl():
    return build(*turned(brim_profile(RADIUS, DEPTH, BRIM, 15.0, 2.0), 90))


@pytest.fixture(scope="module")
def trough():
    """Along x from 0 to 120, the middle of its circle 3 mm above the flange's level."""
    return build(*drawn(brim_profile(20.0, 17.0, 3.0, 12.0, 1.5), 120.0, 3.0))


def circle(count=72, height=AT, radius=OUTLINE):
    turn = np.linspace(0.01, 2.0 * np.pi + 0.01, count + 1)
    flat = [radius * np.cos(turn), radius * np.sin(turn), np.full(count + 1, height)]
    return np.stack(flat, axis=1)


def region_of(surface, name="half", **line):
    closing = line.pop("closing", None)
    mould = find_mould({name: surface}, closing=closing, parting=PartingLine(**line))
    return mould, mould.halves[name].region


def test_the_brim_tells_no_edge(bowl):
    """Without the line the cavity goes on over the rounding, and is larger."""
    (half,) = find_mould({"half": bowl}).halves.values()
    assert half.region.surface.face_areas.sum() > CAP + 500.0
    assert brim_start(RADIUS, DEPTH, BRIM) > AT


@pytest.mark.parametrize("over", [False, True], ids=["as it is", "turned over"])
@pytest.mark.parametrize(
    "line", [{"height": AT}, {"plane": PLANE}, {"plane": (PLANE[0], -PLANE[1])}]
)
def test_a_bowl_is_cut_at_a_height_and_at_a_plane(bowl, line, over):
    surface = build(bowl.vertices, bowl.faces[:, ::-1]) if over else bowl
    mould, region = region_of(surface, **line)
    (edge,) = region.edges
    points = region.surface.vertices[edge.vertices]
    assert (mould.closing @ [0, 0, 1]) == pytest.approx(1.0)
    assert (edge.name, edge.kind, edge.closed) == ("rim.1", "parting", True)
    assert np.abs(points[:, 2] - AT).max() < 1e-9
    assert np.abs(np.hypot(*points.T[:2]) - OUTLINE).max() < 1e-3
    assert region.surface.face_areas.sum() == pytest.approx(CAP, rel=2e-3)  # facets are chords
    assert np.allclose(np.abs(edge.sections @ [0, 0, 1]), 1.0)
    # towards the hollow, whichever side the mesh had outside
    inward = MIDDLE - region.surface.vertices[region.surface.faces]
    cosine = (region.surface.corner_normals * inward).sum(axis=2) / RADIUS
    assert np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))).max() < 0.1
    (half,) = mould.halves.values()
    _has_the_normals_of(region.surface, bowl)
    flat = half.surface.vertices[half.surface.faces[half.flange]][..., 2]
    assert flat.min() > AT - 2.0
    assert set(region.source_faces.tolist()) <= set(range(len(surface.faces)))
    assert not set(region.source_faces.tolist()) >= set(half.flange.tolist())


def _has_the_normals_of(cut, uncut):
    """Where a vertex is one of the uncut mesh's its normals are, too: none was fitted anew."""
    away, same = cKDTree(uncut.vertices).query(cut.vertices)
    normals, known = (np.zeros_like(s.vertices) for s in (cut, uncut))
    for surface, out in ((cut, normals), (uncut, known)):
        out[surface.faces.ravel()] = surface.corner_normals.reshape(-1, 3)
    kept = away == 0.0
    assert 0.5 < kept.mean() < 1.0
    assert np.abs(normals - known[same])[kept].max() < 1e-9


def test_source_faces_are_those_of_the_mesh_as_read(bowl):
    _, region = region_of(bowl, height=AT)
    middles = region.surface.vertices[region.surface.faces].mean(axis=1)
    corners = bowl.vertices[bowl.faces[region.source_faces]]
    away = trimesh.triangles.closest_point(corners, middles) - middles
    assert np.linalg.norm(away, axis=1).max() < 0.1


def test_a_bowl_is_cut_along_a_polyline(bowl):
    mould, region = region_of(bowl, lines=(circle(),))
    (edge,) = region.edges
    points = region.surface.vertices[edge.vertices]
    assert mould.runs == ("rim.1",)
    assert np.abs(np.linalg.norm(points - MIDDLE, axis=1) - RADIUS).max() < 0.01
    assert distance_to_polyline(points, circle()).max() < 0.05  # the chords' height above the ball
    assert distance_to_polyline(circle(), points[[*range(len(points)), 0]]).max() < 0.05
    inward = MIDDLE - region.surface.vertices[region.surface.faces]
    cosine = (region.surface.corner_normals * inward).sum(axis=2) / RADIUS
    assert np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))).max() < 0.1
    assert trimesh.Trimesh(*_arrays(region.surface), process=False).euler_number == 1


def _arrays(surface):
    return surface.vertices, surface.faces


def test_a_trough_has_its_mouths_and_runs_as_usual(trough):
    mould, region = region_of(trough, height=-2.5)
    assert mould.runs == ("A-B.1", "A-B.2")
    assert [m.name for m in mould.mouths] == ["A", "B"]
    kinds = {e.name: e.kind for e in region.edges}
    assert kinds == {"A": "mouth", "B": "mouth", "A-B.1": "parting", "A-B.2": "parting"}
    width = 2.0 * 20.0 * np.arccos((3.0 + 2.5) / 20.0)
    assert region.surface.face_areas.sum() == pytest.approx(width * 120.0, rel=2e-3)


def step_height(x):
    """1 mm below the rim's level, then down a ramp to 7 mm below it."""
    return -1.0 - np.clip(x - 40.0, 0.0, 30.0) * 0.2


@pytest.mark.parametrize("points", [200, 13])
def test_upright_walls_are_cut_along_a_stepped_line(points):
    """A half tube with upright walls 12 mm high, cut at a line that steps: it is developable."""
    radius, high, length = 18.0, 12.0, 120.0
    turn = np.linspace(0.0, np.pi / 2.0, 19)
    profile = [[radius * np.sin(t), -high - radius * np.cos(t)] for t in turn]
    profile += [[radius, z] for z in np.linspace(-high, 0.0, 8)[1:]]
    sheet = build(*drawn(np.array(profile), length, 3.5))
    x = np.linspace(0.0, length, points)
    lines = tuple(
        np.stack([x, np.full(points, y), step_height(x)], axis=1) for y in (radius, -radius)
    )
    mould, region = region_of(sheet, lines=lines, closing=[0, 0, 1])
    assert mould.runs == ("A-B.1", "A-B.2")
    for name in mould.runs:
        chain = region.surface.vertices[region.edge(name).vertices]
        off = np.interp(chain[:, 0], x, step_height(x)) - chain[:, 2]
        assert np.abs(off).max() < 0.02
        assert np.ptp(chain[:, 0]) == pytest.approx(length)
    walls = 2.0 * np.trapezoid(high + step_height(x), x)
    exact = np.pi * radius * length + walls
    assert region.surface.face_areas.sum() == pytest.approx(exact, rel=1e-3)


def test_both_halves_of_a_pair_are_cut_by_the_same_line(trough):
    # the upper half stands as high above the plane as the lower below it
    over = build(trough.vertices * [1.0, 1.0, -1.0] + [0, 0, -5.0], trough.faces[:, ::-1])
    line = PartingLine(plane=(np.array([0, 0, -2.5]), np.array([0, 0, 1.0])))
    mould = find_mould({"lower": trough, "upper": over}, parting=line)
    assert mould.runs == ("A-B.1", "A-B.2")
    for half in mould.halves.values():
        for run in mould.runs:
            edge = half.region.edge(run)
            points = half.region.surface.vertices[edge.vertices]
            assert np.abs(points[:, 2] + 2.5).max() < 1e-9
            assert np.abs(np.abs(points[:, 1]) - np.sqrt(400.0 - 5.5**2)).max() < 2e-3
    assert not [f for f in mould.findings if "parting lines" in f.text]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ({"height": 3.0}, "off the mesh; got the mesh lies from -33.0 to -3.0 mm past it"),
        ({"height": -31.0}, "leaves the half empty"),
        ({"plane": (np.zeros(3), np.array([1.0, 0, 0])), "closing": [0, 0, 1]}, "lies along"),
        ({"lines": (circle(height=AT + 4.0, radius=OUTLINE - 1.0),)}, "off the mesh; got 2"),
        ({"lines": (circle()[:40],)}, "neither closes nor reaches the border"),
        ({"lines": (circle()[[0, 24, 48, 0]],)}, "leaves the mesh between its points"),
        ({"lines": (circle()[[*range(30), *range(20, 73)]],)}, "meets itself"),
        ({"lines": (circle(height=0.0, radius=50.0),)}, None),
        ({"lines": (circle()[[0, 0]],)}, "too short|doesn't fix"),
    ],
)
def test_lines_that_cant_be_cut_are_refused(bowl, line, said):
    if said is None:  # on the flange: odd, but it can be cut
        assert region_of(bowl, **line)[0].runs == ("rim.1",)
        return
    with pytest.raises(InputError, match=said) as caught:
        region_of(bowl, **line)
    assert "\n" not in str(caught.value)
    assert caught.value.where.startswith("parting line")


@pytest.mark.parametrize("line", [{"plane": PLANE}, {"lines": (circle(),)}, {"height": -AT}])
def test_a_closing_direction_that_points_the_wrong_way(bowl, line):
    with pytest.raises(InputError, match="points the wrong way"):
        region_of(bowl, **line, closing=[0, 0, -1])


def test_a_flat_sheet_has_no_hollow_side():
    sheet = build(*shapes.heightfield(lambda x, y: 0.0 * x, 100.0, 90.0, 30, 30))
    with pytest.raises(InputError, match="neither side of it is hollow"):
        region_of(sheet, lines=(circle(height=0.0, radius=30.0),))


@pytest.mark.parametrize("offset", [-0.1, 0.1])
def test_a_line_across_a_crease_leaves_the_crease_where_it_is(offset):
    """A V-shaped trough; the line crosses its crease 0.1 mm beside a vertex, edges are 3 mm."""
    profile = np.array([[x, x - 30.0] for x in np.linspace(0.0, 30.0, 11)])
    sheet = build(*drawn(profile, 120.0, 3.0))
    y = np.linspace(-30.0, 30.0, 13)
    x = sheet.vertices[np.argmin(np.abs(sheet.vertices[:, 0] - 60.0)), 0] + offset + 0.1 * y
    work = LineCut(sheet)
    work.add(np.stack([x, y, np.abs(y) - 30.0], axis=1), "here")
    vertices = work.arrays()[0]
    low = vertices[np.abs(vertices[:, 1]) < 0.02]
    assert np.abs(low[:, 1:] - [0.0, -30.0]).max() < 1e-9
    assert np.abs(low[:, 0] - x[6]).min() < 1e-9  # where it is crossed
    kept = sheet.vertices[np.abs(sheet.vertices[:, 1]) < 1e-9]
    assert cKDTree(vertices).query(kept)[0].max() == 0.0
    on_line = np.unique(np.array(sorted(work.sections)))
    assert np.abs(np.abs(vertices[:, 1]) - 30.0 - vertices[:, 2]).max() < 1e-9
    assert np.abs(np.interp(vertices[on_line, 1], y, x) - vertices[on_line, 0]).max() < 1e-6


def test_vertices_that_are_moved_onto_a_line_take_their_normals_along(bowl):
    """Rows of the bowl's vertices are 2 mm apart: the line goes 0.08 mm beside one."""
    rows = np.unique(np.round(bowl.vertices[:, 2], 6))
    row = rows[rows < -8.0][-1]
    height = row + 0.05
    work = LineCut(bowl)
    work.add(circle(72, height, np.sqrt(RADIUS**2 - (MIDDLE[2] - height) ** 2)), "here")
    vertices, faces, normals, _ = work.arrays()
    moved = np.flatnonzero((vertices[: len(bowl.vertices)] != bowl.vertices).any(axis=1))
    assert len(moved) > 10
    f, k = np.nonzero(np.isin(faces, moved))
    exact = (MIDDLE - vertices[faces[f, k]]) / RADIUS
    assert np.degrees(np.linalg.norm(normals[f, k] - exact, axis=1)).max() < 0.03


def test_a_straight_line_needs_a_closing_direction(trough):
    ends = np.array([[0.0, 15.0, -10.0], [120.0, 15.0, -10.0]])
    with pytest.raises(InputError, match="doesn't fix the closing direction"):
        region_of(trough, lines=(ends,))


def test_a_line_on_a_closed_mesh_has_to_close():
    mesh = trimesh.creation.icosphere(3, 20.0)
    ball = build(mesh.vertices, mesh.faces)
    turn = np.linspace(0.0, 4.0, 60)
    arc = 20.0 * np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=1)
    with pytest.raises(InputError, match="doesn't close, and the mesh has no border"):
        region_of(ball, lines=(arc,))


@pytest.mark.parametrize("seed", range(8))
def test_wavy_lines_are_cut_whole(seed):
    """Closed lines of any spacing over even and uneven meshes of a shallow paraboloid."""
    random = np.random.default_rng(seed)

    def height(x, y):
        return 0.004 * (x * x + y * y)

    rows, columns, count = [*random.integers(6, 40, 2).tolist(), int(random.integers(12, 300))]
    jitter = 0.3 * (seed % 2)
    sheet = build(*shapes.heightfield(height, 100.0, 90.0, rows, columns, jitter=jitter))
    turn = np.linspace(0.0, 2.0 * np.pi, count + 1)
    r = 28.0 + random.uniform(-4.0, 4.0) * np.cos(3.0 * turn) + random.uniform(-5.0, 5.0)
    line = np.stack([r * np.cos(turn), r * np.sin(turn), height(r, 0.0)], axis=1)
    work = LineCut(sheet)
    work.add(line, "here")
    vertices, faces, normals, source = work.arrays()
    edges = np.array(sorted(work.sections))
    assert (np.unique(edges, return_counts=True)[1] == 2).all()  # closed, nowhere twice
    on_line = vertices[np.unique(edges)]
    assert distance_to_polyline(on_line[:, :2], line[:, :2]).max() < 0.05
    # on the smooth surface as the mesh tells it: its facets are up to this far below
    sag = 0.004 * (100.0 / rows) ** 2 / 4.0 + 0.004 * (90.0 / columns) ** 2 / 4.0
    assert np.abs(on_line[:, 2] - height(*on_line.T[:2])).max() < 0.1 * sag + 1e-3
    facing = np.cross(*(vertices[faces[:, k]] - vertices[faces[:, 0]] for k in (1, 2)))
    assert (np.einsum("fi,fki->fk", facing, normals) > 0.0).all()
    before = trimesh.Trimesh(sheet.vertices, sheet.faces, process=False).euler_number
    assert trimesh.Trimesh(vertices, faces, process=False).euler_number == before
    assert set(source.tolist()) == set(range(len(sheet.faces)))
