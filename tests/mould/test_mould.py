"""Finding the mould, against the exact surfaces it was made from.

Tries out ``mould/choice``, ``mould/closing_direction``, ``mould/gaps``, ``mould/naming`` as
well.
"""

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
import trimesh
from exact import shapes
from exact.split_tubes import HALVES, Box, Oval, SplitTube, Step, bend, straight
from flat_regions import SHAPES, rolled
from placed import Placed, distance_both_ways

from drape.errors import InputError
from drape.geometry.surface import build
from drape.mould import closing_direction as closing
from drape.mould.mould import find_mould
from drape.mould.rim_stretches import plane_normal

ROUND, DRAFTED = Oval(), Box(np.radians(5.0), 6.0)
PLANE, SHARP, SMOOTH = None, Step(12, 110, 8, True), Step(10, 100, 25)


def elbow(section, step, **options):
    depth = 26 if isinstance(section, Oval) else 22
    level = not isinstance(section, Oval)
    return SplitTube(
        bend(260, 1.2), section, 26, depth, step=step, level_floor=level, flange=20, **options
    )


@cache
def plain():
    """A mould that several tests look at: solid halves, plane parting line."""
    return Placed(elbow(ROUND, PLANE), "solid", 3)


def check_against_exact(placed, halves=HALVES):
    """Areas within 0.5 %, runs and mouths within 0.1 mm both ways, names by the rule."""
    mould, tube = placed.mould, placed.tube
    ends, _ = placed.expected_ends()
    letters = dict(zip("ABC", ends, strict=False))
    assert [m.name for m in mould.mouths] == list(letters)
    for half in halves:
        region = mould.halves[half].region
        assert region.surface.face_areas.sum() == pytest.approx(tube.cavity_area(half), rel=5e-3)
        for letter, end in letters.items():
            found = placed.edge_points(half, letter)
            assert distance_both_ways(found, placed.exact_mouth(half, end)) < 0.1
        if len(ends) == 2:
            assert mould.runs == ("A-B.1", "A-B.2")
            for name, side in zip(mould.runs, placed.expected_sides(), strict=True):
                found = placed.edge_points(half, name)
                assert distance_both_ways(found, placed.exact_run(side)) < 0.1
        else:
            right, left = (placed.exact_run(s) for s in ("right", "left"))
            whole = np.vstack([right, left[::-1]]) if not tube.caps[0] else None
            whole = np.vstack([right[::-1], left]) if whole is None else whole
            assert len(mould.runs) == 1
            found = placed.edge_points(half, mould.runs[0])
            assert distance_both_ways(found, whole) < 0.1


@pytest.mark.parametrize("form", ["sheet", "solid"])
@pytest.mark.parametrize("step", [PLANE, SHARP, SMOOTH], ids=["plane", "sharp", "smooth"])
@pytest.mark.parametrize("section", [ROUND, DRAFTED], ids=["round", "drafted"])
def test_generated_moulds(form, step, section):
    """Sheet/solid × plane/stepped × round/drafted, each in a random rotation."""
    seed = 10 * (form == "solid") + 3 * (section is ROUND) + (step is not PLANE)
    placed = Placed(elbow(section, step), form, seed)
    check_against_exact(placed)
    off = np.linalg.norm(np.cross(placed.mould.closing, placed.up))
    assert np.degrees(off) < 0.01
    assert placed.mould.closing @ placed.up > 0
    for half in HALVES:
        assert 900 < len(placed.mould.halves[half].flange) < 2500
    assert not placed.mould.findings


@pytest.mark.parametrize("form", ["sheet", "solid"])
@pytest.mark.parametrize("half", HALVES)
def test_one_half_alone(form, half):
    placed = Placed(elbow(DRAFTED, SHARP), form, 21, (half,))
    check_against_exact(placed, (half,))
    sign = 1.0 if half == "lower" else -1.0
    assert sign * placed.mould.closing @ placed.up == pytest.approx(1.0, abs=1e-8)


@pytest.mark.parametrize("halves", [HALVES, ("lower",)])
@pytest.mark.parametrize(
    "tube",
    [
        elbow(ROUND, PLANE, ledge=15),
        SplitTube(bend(330, 1.9), DRAFTED, 26, 22, flange=20, ledge=15),
        elbow(Box(np.radians(25.0), 6.0), PLANE),
        SplitTube(bend(260, 1.2), Box(np.radians(35.0), 6.0), 26, 15, flange=20),
        elbow(Box(np.radians(5.0)), SMOOTH),
        elbow(ROUND, Step(10, 110, 7, True)),
    ],
    ids=["ledge", "ledge, 109° bend", "draft 25°", "draft 35°", "sharp corners", "ramp 55°"],
)
def test_blocks_with_more_than_walls_and_steep_shapes(tube, halves):
    placed = Placed(tube, "solid", 11, halves)
    check_against_exact(placed, halves)
    assert not placed.mould.findings


@pytest.mark.parametrize("halves", [HALVES, ("lower",), ("upper",)])
@pytest.mark.parametrize(
    "tube",
    [
        SplitTube(straight(260), ROUND, 26, 26, flange=0),
        SplitTube(bend(260, 1.4), ROUND, 26, 26, flange=0),
        SplitTube(straight(260), DRAFTED, 26, 22, flange=0, step=SMOOTH, level_floor=True),
        SplitTube(straight(260), ROUND, 26, 26, flange=0, caps=(0, 40)),
    ],
    ids=["half tube", "bend", "box, stepped", "closed end"],
)
def test_sheets_without_flange(tube, halves):
    placed = Placed(tube, "sheet", 7, halves)
    check_against_exact(placed, halves)
    texts = [f.text for f in placed.mould.findings]
    assert texts == ["the sheet has no flange: its border is the cavity's edge"] * len(halves)


@pytest.mark.parametrize("form", ["sheet", "solid"])
@pytest.mark.parametrize("caps", [(0, 40), (40, 0)])
def test_a_closed_end_has_one_run_that_goes_round(form, caps):
    tube = SplitTube(straight(260), ROUND, 26, 18, caps=caps)
    placed = Placed(tube, form, 5)
    check_against_exact(placed)
    assert placed.mould.runs == ("A-A.1",)


@pytest.mark.parametrize("form", ["sheet", "solid"])
def test_no_mouth_at_all_is_one_closed_rim(form):
    tube = SplitTube(straight(260), ROUND, 26, 18, caps=(40, 60))
    placed = Placed(tube, form, 5)
    assert placed.mould.runs == ("rim.1",)
    assert placed.mould.mouths == ()
    right, left = (placed.exact_run(s) for s in ("right", "left"))
    for half in HALVES:
        edge = placed.mould.halves[half].region.edge("rim.1")
        assert edge.closed
        exact = np.vstack([right, left[::-1]])
        assert distance_both_ways(placed.edge_points(half, "rim.1"), exact) < 0.1


def test_hemisphere_is_one_cavity_with_a_closed_rim():
    tube = SplitTube(straight(200), ROUND, 100, 100, flange=0, caps=(100, 100))
    placed = Placed(tube, "sheet", 2, ("lower",))
    assert placed.mould.runs == ("rim.1",)
    assert placed.mould.closing @ placed.up == pytest.approx(1.0, abs=1e-6)


def test_one_flange_land_only():
    """The land on the right is missing: its run is the sheet's border, found all the same."""

    def without_right_land(mesh):
        across = mesh.vertices[mesh.faces].mean(axis=1)[:, 1]
        return mesh.cavity | (across > 0)

    tube = SplitTube(straight(260), DRAFTED, 26, 22, flange=20)
    placed = Placed(tube, "sheet", 4, ("lower",), keep=without_right_land)
    check_against_exact(placed, ("lower",))


def test_a_hole_in_the_cavity_gets_its_own_edge():
    tube = SplitTube(straight(260), ROUND, 26, 26)

    def with_hole(mesh):
        middle = mesh.vertices[mesh.faces].mean(axis=1)
        return np.linalg.norm(middle - [130, 0, -26], axis=1) > 9.0

    placed = Placed(tube, "sheet", 4, ("lower",), keep=with_hole)
    region = placed.mould.halves["lower"].region
    assert [e.name for e in region.edges if e.kind == "hole"] == ["hole.1"]
    assert region.edge("hole.1").closed
    centre = placed.edge_points("lower", "hole.1").mean(axis=0)
    assert np.linalg.norm(centre - placed.place(np.array([130, 0, -26]))) < 3.0
    assert len(region.loops) == 2


def test_edges_turn_with_the_region_on_their_left_and_meet():
    """In-surface direction to the left of each edge points into the region."""
    placed = Placed(elbow(ROUND, SMOOTH), "solid", 8)
    for half in placed.mould.halves.values():
        region = half.region
        faces, vertices = region.surface.faces, region.surface.vertices
        directed = {
            (int(f[k]), int(f[(k + 1) % 3])) for f in faces for k in range(3)
        }  # a face lies on the left of its own edges
        for edge in region.edges:
            chain = edge.vertices.tolist()
            assert all((a, b) in directed for a, b in pairwise(chain))
        loop = region.loops[0]
        for a, b in zip(loop, loop[1:] + loop[:1], strict=True):
            assert region.edges[a].vertices[-1] == region.edges[b].vertices[0]
        # normals look into the hollow: towards the exact centreline
        centres = vertices[faces].mean(axis=1)[::9]
        v = np.linspace(*placed.tube.range, 800)
        point, _, _ = placed.tube.centreline.frame(v)
        line = placed.place(point + placed.tube.step(v)[:, None] * [0, 0, 1])
        nearest = line[((centres[:, None] - line[None]) ** 2).sum(-1).argmin(axis=1)]
        inward = np.einsum("fi,fi->f", nearest - centres, region.surface.face_normals[::9])
        assert (inward > 0).all()


def test_cut_normals_against_the_exact_parting_surface():
    """Parting surface: ruled by horizontals through the exact line; mouths: centreline's ends."""
    placed = Placed(elbow(ROUND, SMOOTH), "solid", 9)
    tube = placed.tube
    for half, sign in zip(HALVES, (1.0, -1.0), strict=True):
        region = placed.mould.halves[half].region
        for name, side in zip(("A-B.1", "A-B.2"), placed.expected_sides(), strict=True):
            edge = region.edge(name)
            line = placed.exact_run(side)
            tangent = np.gradient(line, axis=0)
            tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
            points = region.surface.vertices[edge.vertices]
            near = ((points[:, None] - line[None]) ** 2).sum(-1).argmin(axis=1)
            exact = sign * (placed.up - (tangent @ placed.up)[:, None] * tangent)
            exact = exact[near] / np.linalg.norm(exact[near], axis=1, keepdims=True)
            cosine = np.einsum("ki,ki->k", edge.cut_normals, exact)
            angle = np.arccos(np.clip(cosine, -1, 1))
            # where the ramp begins its curvature jumps from 0 to h π²/2l²: there a chord of
            # length s leaves the tangent by up to curvature × s / 2
            chord = np.linalg.norm(np.diff(points, axis=0), axis=1).max()
            assert angle.max() < 10 * np.pi**2 / (2 * 25**2) * chord / 2
            assert np.degrees(np.median(angle)) < 0.05
        for letter, end in zip("AB", placed.expected_ends()[0], strict=True):
            _, tangent, _ = tube.centreline.frame(np.array([0.0, 260.0][end]))
            out = placed.turn @ tangent * (1 if end else -1)
            assert np.allclose(region.edge(letter).cut_normals, out, atol=1e-6)


def test_turned_over_sheets_are_turned_towards_the_hollow():
    placed = Placed(elbow(DRAFTED, PLANE), "sheet", 6)
    over = {n: build(s.vertices, s.faces[:, ::-1]) for n, s in placed.surfaces.items()}
    again = find_mould(over)
    assert set(again.halves) == set(placed.mould.halves) == set(HALVES)
    for name, half in again.halves.items():
        assert half.region.surface.face_normals.mean(axis=0) == pytest.approx(
            placed.mould.halves[name].region.surface.face_normals.mean(axis=0), abs=1e-9
        )


def test_a_given_closing_direction_is_used_and_checked():
    placed = plain()
    given = find_mould(placed.surfaces, closing=5.0 * placed.up)
    assert given.closing == pytest.approx(placed.up)
    with pytest.raises(InputError, match="wrong way"):
        find_mould(placed.surfaces, closing=-placed.up)
    with pytest.raises(InputError, match="no cavity found along"):
        find_mould(placed.surfaces, closing=placed.turn[:, 1])
    with pytest.raises(InputError, match="three numbers"):
        find_mould(placed.surfaces, closing=[0, 0, 0])
    tilted = placed.up + np.tan(np.radians(8.0)) * placed.turn[:, 0]
    findings = find_mould(placed.surfaces, closing=tilted).findings
    assert any("8.0° off the flange" in f.text for f in findings)


@pytest.mark.parametrize(("gap", "told"), [(0.03, False), (0.2, True), (0.45, True)])
def test_halves_that_stand_apart_get_a_finding_with_the_gap(gap, told):
    placed = plain()
    moved = dict(placed.surfaces)
    step = np.eye(4)
    step[:3, 3] = gap * placed.up
    moved["upper"] = moved["upper"].moved(step)
    findings = [f for f in find_mould(moved).findings if "parting lines" in f.text]
    assert bool(findings) == told
    if told:
        assert f"largest gap is {gap:.2f} mm" in findings[0].text
    step[:3, 3] = -gap * placed.up
    moved["upper"] = placed.surfaces["upper"].moved(step)
    findings = [f for f in find_mould(moved).findings if "parting lines" in f.text]
    assert bool(findings) == told
    if told:
        assert f"overlap by {gap:.2f} mm" in findings[0].text


@pytest.mark.parametrize("distance", [25.0, 60.0])
def test_halves_that_are_not_in_the_closed_position_are_refused(distance):
    placed = plain()
    step = np.eye(4)
    step[:3, 3] = distance * placed.up
    apart = {**placed.surfaces, "upper": placed.surfaces["upper"].moved(step)}
    with pytest.raises(InputError, match="don't meet"):
        find_mould(apart)


def surface_of(mesh):
    return build(mesh.vertices, mesh.faces)


@pytest.mark.parametrize(
    ("mesh", "reason"),
    [
        (trimesh.creation.box((200, 100, 10)), "no cavity beside a flat flange"),
        (trimesh.creation.icosphere(4, 50.0), "no cavity beside a flat flange"),
        (trimesh.creation.annulus(20, 40, 100), "no cavity beside a flat flange"),
    ],
    ids=["plate", "ball", "pipe"],
)
def test_closed_meshes_without_cavity_are_refused(mesh, reason):
    with pytest.raises(InputError, match=reason) as caught:
        find_mould({"lower": surface_of(mesh)})
    assert "\n" not in str(caught.value)


def test_open_sheets_without_cavity_are_refused():
    x, y = np.meshgrid(np.arange(20.0), np.arange(10.0), indexing="ij")
    flat = trimesh.Trimesh(*grid(x, y, 0 * x), process=False)
    with pytest.raises(InputError, match="the sheet is flat"):
        find_mould({"lower": surface_of(flat)})
    with pytest.raises(InputError, match="isn't hollow in any direction"):
        find_mould({"lower": open_tube()})


def grid(x, y, z):
    rows, columns = x.shape
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[1:, :-1], index[1:, 1:], index[:-1, 1:]
    faces = np.stack([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)
    return np.stack([x, y, z], -1).reshape(-1, 3), faces


def open_tube():
    tube = SplitTube(straight(200), ROUND, 25, 25, flange=0)
    lower, upper = (tube.mesh(h) for h in HALVES)
    joined = trimesh.util.concatenate(
        [trimesh.Trimesh(m.vertices, m.faces, process=False) for m in (lower, upper)]
    )
    joined.merge_vertices()
    return build(joined.vertices, joined.faces)


def test_the_number_of_halves_is_checked():
    with pytest.raises(InputError, match="one half or two"):
        find_mould({})


@pytest.mark.parametrize("along", [1, 2, 20])
@pytest.mark.parametrize("around", [12, 64])
def test_a_bare_trough_closes_square_to_its_rim_however_long_its_facets(around, along):
    """Long facets have few rim edges, whose middles lie in many planes."""
    mould = find_mould({"half": build(*shapes.trough(30.0, 200.0, around, along))})
    assert mould.closing == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    assert mould.runs == ("A-B.1", "A-B.2")


def test_a_stepped_mouth_has_no_plane_to_end_at():
    """A rolled T: the stem's end is plane, the other mouth is no plane curve."""
    flat, faces, _ = SHAPES["T"]
    region = find_mould({"half": build(rolled(flat, 60.0, 0.0), faces)}).halves["half"].region
    mouths = [e for e in region.edges if e.kind == "mouth"]
    assert mouths
    for edge in mouths:
        points = region.surface.vertices[edge.vertices]
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
        plane = spread[2] < 0.01 * spread[0]
        assert (edge.cut_normals is not None) == plane


def test_the_plane_through_too_few_points_is_square_to_the_way_out():
    """Regression: a very rough mesh has mouths of one edge."""
    out = np.array([0.0, 0.0, 2.0])
    assert plane_normal(np.eye(3)[:2], out) == pytest.approx([0.0, 0.0, 1.0])
    line = np.linspace(0.0, 1.0, 5)[:, None] * [1.0, 2.0, 0.0]
    assert plane_normal(line, out) == pytest.approx([0.0, 0.0, 1.0])


def test_a_rim_no_plane_holds_more_than_one_edge_of(monkeypatch):
    """Three skew edges: what is left of a rim after slivers were dropped looked like that."""
    start = np.array([[0.0, 0.0, 0.0], [50.0, 0.0, 30.0], [10.0, 60.0, 70.0]])
    end = np.array([[9.0, 1.0, 2.0], [51.0, 8.0, 33.0], [12.0, 61.0, 78.0]])
    monkeypatch.setattr(closing, "rim_edges", lambda surface: (start, end))
    assert closing.rim_planes(build([[0, 0, 0], [80, 0, 0], [0, 80, 0]], [[0, 1, 2]])).size == 0
