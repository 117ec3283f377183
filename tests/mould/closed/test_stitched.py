"""The closed mould: halves made to conform, stitched, carried on over each other.

Sources: Euler characteristics (a tube 0, with a closed end 1, a Y −1, closed 2; count by
trimesh, key ``trimesh``); normals of the torus and the cylinder (key ``docarmo1976``);
distances by pygeodesic (key ``kirsanov2008``); the rest is elementary geometry.

Tries out ``closed/conform``, ``closed/pairing``, ``geometry/border_division``,
``geometry/joining`` as well.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from dense_line import dense_distance
from exact import shapes
from exact.split_tubes import HALVES, Box, Oval, SplitTube, Step, bend, straight
from hollows import y_hollow
from make_demo import rigger, stl_bytes

from drape.errors import InputError
from drape.geometry.rims import rims
from drape.geometry.surface import build, unit
from drape.mould.closed.conform import conform
from drape.mould.closed.extension import extend
from drape.mould.closed.stitched import distance_past, stitch
from drape.mould.mould import find_mould
from drape.mould.reading import read_surface
from drape.mould.trim import trim_region

MESHES = Path(__file__).parents[3] / "meshes"

ROUND = Oval()
SHARP_STEP, SMOOTH_STEP = Step(12, 110, 8, True), Step(10, 100, 25)
TUBES = {
    "straight": SplitTube(straight(200), ROUND, 25, 25, flange=0),
    "bend": SplitTube(bend(260, 1.2), ROUND, 26, 26),
    "rigger": rigger(),
    "step": SplitTube(bend(260, 1.2), ROUND, 26, 26, step=SHARP_STEP),
    "smooth step, level floor": SplitTube(
        bend(260, 1.2), Box(np.radians(5.0), 6.0), 26, 22, step=SMOOTH_STEP, level_floor=True
    ),
    "sharp box": SplitTube(bend(260, 1.2), Box(np.radians(5.0)), 26, 22),
    "deeper below": SplitTube(straight(200), Oval(2.3), 30, 18, depth_upper=12),
    "closed end": SplitTube(straight(260), ROUND, 26, 18, caps=(0, 40)),
    "closed": SplitTube(straight(260), ROUND, 26, 18, caps=(40, 60)),
}
EULER = {"closed end": 1, "closed": 2}


def surfaces_of(tube, form="solid", along=(90, 121), around=(40, 52), seed=None, gap=0.0):
    """Both halves with meshes that don't match; the upper one lifted by ``gap``."""
    out = {}
    for i, half in enumerate(HALVES):
        one = None if seed is None else seed + i
        mesh = tube.mesh(half, form, along=along[i], around=around[i], seed=one)
        out[half] = build(mesh.vertices + i * np.array([0.0, 0.0, gap]), mesh.faces)
    return out


def regions_of(surfaces, trim=None):
    mould = find_mould(surfaces)
    regions = {name: half.region for name, half in mould.halves.items()}
    for mouth in mould.mouths if trim else ():
        point = mouth.centre - trim * mouth.normal
        for name, region in regions.items():
            regions[name], _ = trim_region(region, mouth.name, point, mouth.normal)
    return regions, mould


def euler(surface):
    return trimesh.Trimesh(surface.vertices, surface.faces, process=False).euler_number


def area(regions):
    return sum(r.surface.face_areas.sum() for r in regions.values())


def check_region(region):
    """Edges are rims of what is inside, end to end; cut normals and links are whole."""
    surface, inside = region.surface, region.inside
    across = surface.neighbours
    rim = inside[:, None] & ((across < 0) | ~inside[across])
    f, k = np.nonzero(rim)
    heads = surface.faces[f, (k + 1) % 3].tolist()
    left = set(zip(surface.faces[f, k].tolist(), heads, strict=True))
    for edge in region.edges:
        chain = np.append(edge.vertices, edge.vertices[:1]) if edge.closed else edge.vertices
        pairs = set(zip(chain[:-1].tolist(), chain[1:].tolist(), strict=True))
        assert len(pairs) == len(chain) - 1
        assert pairs <= left
        left -= pairs
        if edge.cut_normals is not None:
            assert edge.cut_normals.shape == (len(edge.vertices), 3)
            assert np.allclose(np.linalg.norm(edge.cut_normals, axis=1), 1.0)
    assert not left
    for loop in region.loops:
        for a, b in zip(loop, loop[1:] + loop[:1], strict=True):
            if not region.edges[a].closed:
                assert region.edges[a].vertices[-1] == region.edges[b].vertices[0]
    fresh = build(surface.vertices, surface.faces)
    assert np.array_equal(fresh.neighbours, surface.neighbours)
    assert len(region.source_faces) == len(surface.faces) == len(inside)
    assert np.allclose(np.linalg.norm(surface.sector_normals, axis=1), 1.0)
    owner = np.full(surface.sectors.max() + 1, -1)
    owner[surface.sectors] = surface.faces
    assert (owner >= 0).all()
    assert np.array_equal(owner[surface.sectors], surface.faces)


def check_conforming(regions):
    """The runs have the same points, in opposite order."""
    one, two = regions.values()
    for edge in one.edges:
        if edge.kind == "parting":
            a = one.surface.vertices[edge.vertices]
            b = two.surface.vertices[two.edge(edge.name).vertices][::-1]
            assert len(a) == len(b)
            if edge.closed:
                b = np.roll(b, -int(np.linalg.norm(b - a[0], axis=1).argmin()), axis=0)
            assert np.array_equal(a, b)


@pytest.mark.parametrize("trim", [None, 12.0])
@pytest.mark.parametrize("seed", [None, 3])
@pytest.mark.parametrize("name", TUBES)
def test_every_made_mould_becomes_one_surface(name, seed, trim):
    regions, mould = regions_of(surfaces_of(TUBES[name], "sheet", seed=seed), trim)
    made, _ = conform(regions)
    check_conforming(made)
    whole = stitch(*made.values())
    for region in (*made.values(), whole.region):
        check_region(region)
    assert euler(whole.surface) == EULER.get(name, 0)
    assert len(rims(whole.surface)) == len(mould.mouths)
    kind = "trim" if trim else "mouth"
    assert sorted(e.name for e in whole.region.edges) == [m.name for m in mould.mouths]
    assert all(e.kind == kind and e.closed for e in whole.region.edges)
    assert set(whole.run_vertices) == set(mould.runs)
    own = next(iter(made.values()))
    assert np.array_equal(whole.surface.vertices[: whole.own_count], own.surface.vertices)
    assert np.array_equal(whole.surface.faces[~whole.other], own.surface.faces)
    assert whole.surface.face_areas.sum() == pytest.approx(area(made), rel=1e-12)
    assert whole.surface.face_areas.min() > 1e-3


def troughs():
    """Two half troughs, 41 and 57 vertices along, whose borders are the same lines."""
    vertices, faces = shapes.trough(25.0, 200.0, 32, 40)
    above, others = shapes.trough(25.0, 200.0, 44, 56)
    return {
        "lower": build(vertices, faces),
        "upper": build(above * [1.0, 1.0, -1.0], others[:, ::-1]),
    }


def test_troughs_that_dont_match_keep_their_area_and_faces():
    regions, _ = regions_of(troughs())
    made, findings = conform(regions)
    assert not findings
    check_conforming(made)
    assert area(made) == pytest.approx(area(regions), abs=1e-9)
    for name, region in made.items():
        old = regions[name]
        count = len(old.surface.vertices)
        assert np.allclose(region.surface.vertices[:count], old.surface.vertices, 0, 1e-12)
        run = region.edge("A-B.1").vertices
        # vertices in common: every 7th of 56 edges is every 5th of 40
        assert len(run) == 41 + 57 - 9
        pieces = np.bincount(region.source_faces, weights=region.surface.face_areas)
        assert pieces == pytest.approx(old.surface.face_areas, abs=1e-9)
        of_run = old.edge("A-B.1").cut_normals[0]
        assert np.allclose(region.edge("A-B.1").cut_normals, of_run)
    assert euler(stitch(*made.values()).surface) == 0


def test_one_half_alone_stays_as_it_is():
    regions, _ = regions_of({"lower": troughs()["lower"]})
    made, findings = conform(regions)
    assert made == regions
    assert findings == ()


def test_vertices_that_nearly_coincide_are_one():
    """4 % of an edge apart: no sliver between them, both at one place on the line."""
    surfaces = troughs()
    lower = surfaces["lower"]
    moved = lower.vertices.copy()
    rim = (np.abs(moved[:, 2]) < 1e-9) & (np.abs(moved[:, 0]) < 99.0)
    moved[rim, 0] += 0.2
    same = build(lower.vertices * [1.0, 1.0, -1.0], lower.faces[:, ::-1])
    regions, _ = regions_of({"lower": build(moved, lower.faces), "upper": same})
    made, _ = conform(regions)
    check_conforming(made)
    assert set(made) == set(regions) == {"lower", "upper"}
    for name, region in made.items():
        assert len(region.surface.vertices) == len(regions[name].surface.vertices)


@pytest.mark.parametrize(
    ("gap", "limit", "level"),
    [(0.03, None, None), (0.2, None, "warning"), (0.45, None, "warning"), (0.2, 0.5, None)],
)
def test_a_gap_is_closed_half_way_and_told(gap, limit, level):
    regions, mould = regions_of(surfaces_of(TUBES["straight"], "sheet", gap=gap), 8.0)
    made, findings = conform(regions, limit=limit)
    check_conforming(made)
    assert euler(stitch(*made.values()).surface) == 0
    for region in made.values():
        for name in ("A-B.1", "A-B.2"):
            z = region.surface.vertices[region.edge(name).vertices, 2]
            assert z == pytest.approx(0.5 * gap, abs=1e-9)
    assert [f.level for f in findings] == ([level] if level else [])
    if level:
        text = findings[0].line()
        assert f"largest gap is {gap:.2f} mm, at A-B." in text
        assert "near (" in text
        assert "(limit 0.05 mm); check" in text
        assert conform(regions, findings=mould.findings)[1] == ()  # it was reported already


def test_halves_that_are_far_apart_are_refused():
    regions, _ = regions_of(surfaces_of(TUBES["straight"], "sheet"))
    surface = regions["upper"].surface
    away = build(surface.vertices + np.array([0.0, 0.0, 20.0]), surface.faces)
    regions["upper"] = replace(regions["upper"], surface=away)
    with pytest.raises(InputError, match="don't meet"):
        conform(regions)


def y_halves():
    """Halves of a Y of rectangular section, cut at half height from two unlike meshes."""
    out = {}
    for name, cells, along in (("lower", 10, 30), ("upper", 8, 37)):
        vertices, faces, _, _ = y_hollow(40.0, 30.0, 80.0, cells, along)
        high = vertices[faces][..., 2].mean(axis=1) > 15.0
        faces = faces[high if name == "upper" else ~high]
        inward = np.array([0.0, 0.0, 1.0 if name == "lower" else -1.0])
        mesh = trimesh.Trimesh(vertices, faces, process=False)
        mesh.fix_normals(multibody=False)
        flat = np.abs(mesh.face_normals @ inward) > 0.9
        if (mesh.face_normals[flat] @ inward).sum() < 0.0:
            mesh.invert()
        used, compact = np.unique(mesh.faces, return_inverse=True)
        out[name] = build(mesh.vertices[used], compact.reshape(-1, 3))
    return out


def test_a_y_has_three_open_mouths():
    regions, mould = regions_of(y_halves())
    assert len(mould.mouths) == 3
    made, findings = conform(regions)
    assert not findings
    check_conforming(made)
    whole = stitch(*made.values())
    check_region(whole.region)
    assert euler(whole.surface) == -1
    assert [e.name for e in sorted(whole.region.edges, key=lambda e: e.name)] == ["A", "B", "C"]
    assert sorted(whole.run_vertices) == sorted(mould.runs)
    assert len(whole.run_vertices) == 3
    assert area(made) == pytest.approx(area(regions), abs=1e-9)


@pytest.fixture(scope="module", params=["demo", "own vertices"])
def from_files(request, tmp_path_factory):
    """The shipped demo mould, and one written to STL from meshes that don't match."""
    if request.param == "demo":
        files = {half: MESHES / f"rigger_{half}.stl" for half in HALVES}
    else:
        folder = tmp_path_factory.mktemp("stl")
        files = {half: folder / f"{half}.stl" for half in HALVES}
        for i, half in enumerate(HALVES):
            mesh = rigger().mesh(half, "solid", along=110 + 31 * i, around=48 + 12 * i, seed=5 + i)
            files[half].write_bytes(stl_bytes(mesh.vertices, mesh.faces))
    return {half: read_surface(path)[0] for half, path in files.items()}


@pytest.mark.parametrize("trim", [None, 15.0])
def test_moulds_from_stl_files(from_files, trim):
    regions, _ = regions_of(from_files, trim)
    made, findings = conform(regions)
    assert not findings
    check_conforming(made)
    whole = stitch(*made.values())
    check_region(whole.region)
    assert euler(whole.surface) == 0
    assert not whole.surface.crease.any()
    assert whole.region.surface.face_areas[whole.region.inside].sum() == pytest.approx(
        sum(r.surface.face_areas[r.inside].sum() for r in regions.values()), rel=2e-5
    )


BEND, SECTION = 120.0, 25.0


def torus(jitter=0.0):
    out = {}
    for sign, name, around, along in ((1, "lower", 40, 75), (-1, "upper", 56, 100)):
        rng = np.random.default_rng(around)
        mesh = shapes.elbow(BEND, SECTION, 1.3, around, along, jitter=jitter, rng=rng)
        faces = mesh[1] if sign > 0 else mesh[1][:, ::-1]
        out[name] = build(mesh[0] * [1.0, 1.0, sign], faces)
    return out


def torus_centres(points):
    """Centres of the torus' sections through the points."""
    out = unit((points - [0.0, BEND, 0.0]) * [1.0, 1.0, 0.0])
    return BEND * out + [0.0, BEND, 0.0]


def lean(surface, vertices):
    """Angle in degrees between a torus' fitted normals at vertices and the exact ones."""
    normals = np.zeros_like(surface.vertices)
    normals[surface.faces] = surface.corner_normals
    points = surface.vertices[vertices]
    exact = unit(torus_centres(points) - points)
    return np.degrees(np.linalg.norm(np.cross(normals[vertices], exact), axis=1))


@pytest.mark.parametrize("jitter", [0.0, 0.2])
def test_normals_on_the_line_are_fitted_to_both_sides(jitter):
    made, _ = conform(regions_of(torus(jitter))[0])
    whole = stitch(*made.values())
    assert not whole.surface.crease.any()
    inner = np.concatenate([v[5:-5] for v in whole.run_vertices.values()])
    one_sided, two_sided = lean(made["lower"].surface, inner), lean(whole.surface, inner)
    assert two_sided.max() < 0.006
    assert np.median(two_sided) < 0.5 * np.median(one_sided)
    assert np.median(one_sided) < 0.0006  # quadrics alone: 0.021 and 0.003
    faces = whole.surface.faces
    beside = np.setdiff1d(faces[np.isin(faces, inner).any(axis=1)], inner)
    beside = beside[(beside < whole.own_count) & ~np.isin(beside, whole.line)]
    assert lean(whole.surface, beside).max() < 0.03
    far = np.setdiff1d(np.arange(whole.own_count), whole.surface.faces[whole.other])
    far = far[whole.surface.vertices[far, 2] < -15.0]
    assert np.array_equal(lean(made["lower"].surface, far), lean(whole.surface, far))


@pytest.mark.parametrize("side", HALVES)
def test_distance_past_the_line_of_a_torus_is_the_sections_arc(side):
    made, _ = conform(regions_of(torus(0.2))[0])
    other = "upper" if side == "lower" else "lower"
    whole = stitch(made[side], made[other])
    found = distance_past(whole, 30.0)
    points = whole.surface.vertices
    z = points[:, 2] if side == "lower" else -points[:, 2]
    exact = SECTION * np.arcsin(np.clip(z / SECTION, -1.0, 1.0))
    near = np.abs(exact) < 29.9
    assert np.abs(found - exact)[near].max() < 0.05
    assert (found[whole.line] == 0.0).all()
    assert np.array_equal(np.sign(found[np.abs(exact) > 0.1]), np.sign(exact[np.abs(exact) > 0.1]))
    assert np.isinf(found[np.abs(exact) > 30.1]).all()


def test_distance_past_a_stepped_line_is_exact_on_facets():
    tube = SplitTube(straight(160), Box(np.radians(8.0), 6.0), 26, 22, step=Step(12, 80, 8, True))
    made, _ = conform(regions_of(surfaces_of(tube, "sheet", along=(70, 97), seed=2))[0])
    whole = stitch(*made.values())
    found = distance_past(whole, 40.0)
    for part, sign in ((whole.other, 1.0), (~whole.other, -1.0)):
        faces = whole.surface.faces[part]
        exact = dense_distance(whole.surface.vertices, faces, whole.line)
        there = np.isin(np.arange(len(found)), faces) & (exact < 39.9)
        assert there.sum() > 1500
        # arcs of the smooth surface against chords of the facets
        assert np.abs(sign * found - exact)[there].max() < 0.1


def lens(sector=60.0):
    """Halves of a lens: two arcs of 2·60° that meet at an angle of 120° on the line."""
    angle, radius = np.radians(sector), 40.0

    def halves(sign, around, along):
        def point(x, t):
            z = -radius * (np.cos(t) - np.cos(angle))
            return np.stack([x, radius * np.sin(t), sign * z], -1)

        x, t = np.linspace(-80, 80, along), np.linspace(-angle, angle, around)
        vertices, faces = shapes.grid(point, x, t)
        return build(vertices, faces if sign > 0 else faces[:, ::-1])

    return {"lower": halves(1.0, 41, 61), "upper": halves(-1.0, 33, 83)}


def test_a_crease_along_the_line_stays_one():
    made, _ = conform(regions_of(lens())[0])
    whole = stitch(*made.values())
    surface = whole.surface
    f, k = np.nonzero(surface.crease)
    edges = np.stack([surface.faces[f, k], surface.faces[f, (k + 1) % 3]], 1)
    ends = {frozenset(e) for e in edges.tolist()}
    assert ends == {frozenset(e) for e in whole.line.tolist()}
    for vertices in whole.run_vertices.values():
        for v in vertices[1:-1]:
            at = np.argwhere(surface.faces == v)
            normals = surface.corner_normals[at[:, 0], at[:, 1]]
            other = whole.other[at[:, 0]]
            # the arcs' radii: 60° either side of the plane of the line
            y = -np.sign(surface.vertices[v, 1]) * np.sin(np.radians(60.0))
            assert np.allclose(normals[~other], [0.0, y, 0.5], atol=2e-3)
            assert np.allclose(normals[other], [0.0, y, -0.5], atol=2e-3)


@pytest.mark.parametrize("height", [0.0, 1.5])
def test_carried_on_over_the_other_half(height):
    needed, margin = 15.0, 10.0
    regions, _ = regions_of(torus(), 10.0)
    made, _ = conform(regions)
    own = made["lower"]
    whole = stitch(own, made["upper"])
    out = extend(own, whole.surface.offset(height), needed, margin, whole)
    surface, count = out.surface, len(own.surface.faces)
    assert np.array_equal(surface.faces[:count], own.surface.faces)
    assert np.array_equal(out.level[:count], np.where(own.inside, 0, 1))
    assert np.array_equal(out.source_vertices[: whole.own_count], np.arange(whole.own_count))
    parallel = whole.surface.offset(height).vertices
    old = out.source_vertices >= 0
    assert np.array_equal(surface.vertices[old], parallel[out.source_vertices[old]])
    assert len(rims(surface)) == 1
    assert euler(surface) == 1
    assert not out.turned_over().any()
    # levels by the exact distance, on the parallel: the section's arc
    radius = SECTION - height
    over = (out.source_faces >= count).nonzero()[0]
    z = surface.vertices[surface.faces[over], 2]
    past = (radius * np.arcsin(np.clip(z / radius, -1, 1))).min(axis=1)
    clear = np.abs(past - needed) > 0.05
    assert np.array_equal(out.level[over][clear], np.where(past < needed, 1, 3)[clear])
    assert past.max() < needed + margin + 0.05
    # nothing nearer is missing
    lost = np.setdiff1d(np.arange(count, len(whole.surface.faces)), out.source_faces)
    z = parallel[whole.surface.faces[lost], 2]
    assert (radius * np.arcsin(np.clip(z / radius, -1, 1))).min() > needed + margin - 0.05
    # the mouths go on straight, tangent, all round
    new = surface.vertices[~old]
    ahead = np.array([-1.0, 0.0, 0.0])
    first = new[new[:, 0] < 0.0]
    assert (first @ ahead).max() == pytest.approx(needed + margin, abs=0.05)
    off = np.linalg.norm(first[:, 1:], axis=1)
    assert np.abs(off - radius).max() < 0.05
    assert first[:, 2].max() > 10.0


def test_carried_on_over_a_small_closed_end_takes_all_of_it():
    tube = SplitTube(straight(60), ROUND, 12, 12, flange=0, caps=(0, 15))
    made, _ = conform(regions_of(surfaces_of(tube, "sheet", along=(60, 80)))[0])
    whole = stitch(*made.values())
    out = extend(made["lower"], whole.surface, 10.0, 15.0, whole)
    assert set(np.flatnonzero(whole.other)) <= set(out.source_faces.tolist())
    assert euler(out.surface) == 1
    assert len(rims(out.surface)) == 1


def test_carried_on_is_straight_without_the_other_half():
    regions, _ = regions_of(torus())
    own = regions["lower"]
    out = extend(own, own.surface, 6.0, 10.0)
    assert out.surface.vertices[:, 2].max() == pytest.approx(16.0, abs=0.05)
    assert np.array_equal(out.source_faces[: len(own.inside)], np.arange(len(own.inside)))
    assert (out.source_faces[len(own.inside) :] == -1).all()
