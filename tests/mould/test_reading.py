"""Reading mesh files: what is repaired, reported and refused.

Tries out ``mould/repair`` as well.
"""

import time
from pathlib import Path

import numpy as np
import pytest
import pyvista
import trimesh
from exact.split_tubes import Oval, SplitTube, bend

from drape.errors import InputError
from drape.mould.mould import find_mould
from drape.mould.reading import prepare, read_surface
from drape.mould.repair import heights, mend_flat, weld

TUBE = SplitTube(bend(260, 1.2), Oval(), 26, 26)
SAMPLES = Path(pyvista.__file__).parent / "examples"


@pytest.fixture(scope="module")
def solid():
    return TUBE.mesh("lower", "solid", along=40, around=24)


def texts(findings, level=None):
    return " | ".join(f.text for f in findings if level in (None, f.level))


@pytest.mark.parametrize(
    "name", ["half.stl", "half.ply", "half.obj", "ascii.stl", "ascii.ply", "HALF.STL"]
)
def test_formats_give_the_same_surface(name, solid, tmp_path):
    """Reference: trimesh's writers, area and volume (key ``trimesh``)."""
    mesh = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
    kind = name.split(".")[1].lower()
    encoding = {"stl": "stl_ascii"}.get(kind, kind) if "ascii" in name else kind
    options = {"encoding": "ascii"} if name == "ascii.ply" else {}
    data = mesh.export(file_type=encoding, **options)
    path = tmp_path / name
    path.write_bytes(data if isinstance(data, bytes) else data.encode())
    surface, findings = read_surface(path)
    assert len(surface.vertices) == len(solid.vertices)
    assert len(surface.faces) == len(solid.faces)
    assert surface.face_areas.sum() == pytest.approx(mesh.area, rel=1e-5)
    assert (surface.neighbours >= 0).all()
    volume = trimesh.Trimesh(surface.vertices, surface.faces, process=False).volume
    assert volume == pytest.approx(mesh.volume, rel=1e-5)
    assert texts(findings, "warning") == ""
    assert ("welded" in texts(findings)) == (kind == "stl")


def test_polygons_of_an_obj_become_triangles(tmp_path):
    path = tmp_path / "pentagon.obj"
    path.write_text("v 0 0 0\nv 10 0 0\nv 10 10 0\nv 5 15 0\nv 0 10 0\nf 1 2 3 4 5\n")
    surface, _ = read_surface(path)
    assert len(surface.faces) == 3
    assert surface.face_areas.sum() == pytest.approx(125.0)  # square 100 + triangle 25


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("empty.stl", b"", "the mesh file is empty"),
        ("words.stl", b"this is a letter, not a mesh\n", "empty|can't be read"),
        ("words.ply", b"this is a letter, not a mesh\n", "can't be read as PLY"),
        ("nothing.stl", b"solid a\nendsolid a\n", "the mesh is empty"),
        ("points.obj", b"v 0 0 0\nv 1 0 0\n", "the mesh is empty|can't be read"),
        ("line.obj", b"v 0 0 0\nv 9 0 0\nv 18 0 0\nf 1 2 3\n", "no triangles that have an area"),
        ("mesh.xyz", b"0 0 0\n", "not a mesh file that plywright can read"),
        ("flat.obj", b"v 0 0\nv 9 0\nv 0 9\nf 1 2 3\n", "three coordinates|can't be read"),
        (
            "nan.stl",
            b"solid\nfacet normal 0 0 1\nouter loop\nvertex 0 0 nan\nvertex 1 0 0\n"
            b"vertex 0 1 0\nendloop\nendfacet\nendsolid\n",
            "aren't numbers",
        ),
        ("inf.obj", b"v 0 0 inf\nv 9 0 0\nv 0 9 0\nf 1 2 3\n", "aren't numbers"),
        ("cut.stl", b"x" * 80 + (1000).to_bytes(4, "little") + b"\0" * 70, "can't be read|empty"),
    ],
)
def test_bad_files_are_refused_in_one_line(name, content, said, tmp_path):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InputError, match=said) as caught:
        read_surface(path)
    assert "\n" not in str(caught.value)
    assert name in str(caught.value)


def test_a_missing_file_and_a_bad_scale_are_refused(tmp_path):
    with pytest.raises(InputError, match="no such mesh file"):
        read_surface(tmp_path / "none.stl")
    with pytest.raises(InputError, match="unit scale"):
        read_surface(SAMPLES / "nut.ply", 0.0)


def soup(solid):
    """Every triangle with its own corners, each moved by a millionth of the size."""
    noise = np.random.default_rng(1).uniform(-1e-5, 1e-5, (*solid.faces.shape, 3))
    corners = solid.vertices[solid.faces] + noise
    return corners.reshape(-1, 3), np.arange(3 * len(solid.faces)).reshape(-1, 3)


def test_soup_is_welded_though_corners_differ_in_their_last_digits(solid):
    surface, findings = prepare(*soup(solid), where="soup")
    assert len(surface.vertices) == len(solid.vertices)
    assert (surface.neighbours >= 0).all()
    assert f"to {len(solid.vertices)}" in texts(findings)


def test_welding_leaves_small_but_real_edges_alone():
    """The finest edges here are 1.2 millionths of the box; they must survive."""
    x = 6e-3 * np.arange(4)
    rows = np.stack([np.stack([x, 0 * x + y, 0 * x], 1) for y in (0.0, 6e-3)])
    faces = np.array([[0, 1, 5], [0, 5, 4], [1, 2, 6], [1, 6, 5], [2, 3, 7], [2, 7, 6]])
    far = np.array([[5e3, 0, 0], [5e3, 10, 0], [5e3, 0, 10]])
    vertices = np.vstack([rows.reshape(-1, 3), far])
    out, _, _ = weld(vertices, np.vstack([faces, [[8, 9, 10]]]), "x")
    assert len(out) == 11


def test_flipped_facets_are_turned_to_agree(solid):
    random = np.random.default_rng(2)
    flip = random.random(len(solid.faces)) < 0.3
    faces = np.where(flip[:, None], solid.faces[:, ::-1], solid.faces)
    surface, findings = prepare(solid.vertices, faces, where="half")
    assert f"turned {flip.sum()} triangles over" in texts(findings, "warning")
    assert trimesh.Trimesh(surface.vertices, surface.faces, process=False).is_winding_consistent
    sorted_faces = np.sort(surface.faces, axis=1)
    assert np.array_equal(sorted_faces, np.sort(solid.faces, axis=1))
    expected = trimesh.Trimesh(solid.vertices, solid.faces, process=False).face_normals
    assert np.einsum("fi,fi->f", surface.face_normals, expected).min() > 0.999


def test_an_inside_out_solid_is_turned(solid):
    surface, findings = prepare(solid.vertices, solid.faces[:, ::-1], where="half")
    assert "inside out" in texts(findings)
    assert trimesh.Trimesh(surface.vertices, surface.faces, process=False).volume > 0


def test_a_one_sided_strip_is_told():
    """A Möbius band: no orientation exists."""
    n = 40
    u = np.arange(n) * 2 * np.pi / n
    ring = np.stack(
        [
            np.stack(
                [
                    (30 + w * np.cos(u / 2)) * np.cos(u),
                    (30 + w * np.cos(u / 2)) * np.sin(u),
                    w * np.sin(u / 2),
                ],
                1,
            )
            for w in (-5.0, 5.0)
        ]
    )
    a = np.arange(n)
    b = (a + 1) % n
    low, high = a, n + a
    next_low = np.where(a == n - 1, n + b, b)
    next_high = np.where(a == n - 1, b, n + b)
    faces = np.vstack(
        [np.stack([low, next_low, next_high], 1), np.stack([low, next_high, high], 1)]
    )
    _, findings = prepare(ring.reshape(-1, 3), faces, where="band")
    assert "only one side" in texts(findings, "error")


def test_triangles_without_area_are_mended_by_flipping(solid):
    """A vertex in the middle of an edge makes a cap; after the flip all have a height."""
    vertices, faces = solid.vertices, solid.faces
    middle = (vertices[faces[50, 0]] + vertices[faces[50, 1]]) / 2
    a, b, c = faces[50]
    new = len(vertices)
    vertices = np.vstack([vertices, middle])
    # the face keeps its edge a-b towards its neighbour through a cap of no area
    faces = np.vstack([np.delete(faces, 50, axis=0), [[a, new, c], [new, b, c], [a, b, new]]])
    surface, findings = prepare(vertices, faces, where="half")
    assert "repaired 1 triangles without area" in texts(findings)
    assert heights(surface.vertices, surface.faces)[0].min() > 1e-3
    mended = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    assert mended.is_watertight
    assert mended.is_winding_consistent
    exact = trimesh.Trimesh(solid.vertices, solid.faces, process=False)
    assert mended.volume == pytest.approx(exact.volume, rel=1e-12)


def test_a_flat_triangle_at_a_border_is_dropped():
    vertices = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [5, 0, 0.0]])
    faces = np.array([[4, 1, 2], [0, 4, 2], [0, 2, 3], [0, 1, 4]])
    out_vertices, out_faces, found = mend_flat(vertices, faces, "x")
    assert len(out_faces) == 3
    assert len(found) == 1
    area = trimesh.Trimesh(out_vertices, out_faces, process=False).area
    assert area == pytest.approx(100.0)


def test_duplicates_and_collapsed_triangles_are_dropped(solid):
    extra = np.vstack([solid.faces[:7], solid.faces[3:5, ::-1], [[4, 4, 9]]])
    surface, findings = prepare(solid.vertices, np.vstack([solid.faces, extra]), where="half")
    assert len(surface.faces) == len(solid.faces)
    assert "dropped 9 duplicate triangles" in texts(findings, "warning")
    assert "dropped 1 triangles with fewer than three corners" in texts(findings)


def test_stray_specks_are_dropped_and_told_with_their_area(solid):
    specks = [trimesh.creation.box((2, 2, 2)) for _ in range(3)]
    for i, speck in enumerate(specks):
        speck.apply_translation([50 * i, 300, 0])
    joined = trimesh.util.concatenate(
        [trimesh.Trimesh(solid.vertices, solid.faces, process=False), *specks]
    )
    surface, findings = prepare(joined.vertices, joined.faces, where="half")
    assert len(surface.faces) == len(solid.faces)
    # three cubes of 12 triangles, 6 × 2² mm² each
    assert "dropped 3 loose parts of 36 triangles, 72 mm² in all" in texts(findings, "warning")


@pytest.mark.parametrize(
    ("scale", "said"),
    [(1.0, None), (0.001, '"m"'), (1000.0, "check units"), (1 / 25.4, '"in"')],
)
def test_units_that_make_a_part_far_too_small_or_large(scale, said, solid):
    _, findings = prepare(solid.vertices * scale, solid.faces, where="half")
    told = [f for f in findings if "measures" in f.text]
    if said is None or 5 <= scale * 300 <= 20000:
        assert not told
    else:
        assert said in told[0].remedy


def test_the_unit_scale_is_applied(solid, tmp_path):
    path = tmp_path / "half.stl"
    trimesh.Trimesh(solid.vertices / 25.4, solid.faces, process=False).export(path)
    surface, _ = read_surface(path, 25.4)
    assert surface.size == pytest.approx(np.linalg.norm(np.ptp(solid.vertices, axis=0)), rel=1e-6)


@pytest.mark.parametrize(
    ("name", "triangles", "reason"),
    [
        ("nut.ply", 1046, "closed"),
        ("ant.ply", 912, "closed"),
        ("airplane.ply", 2452 - 161, "parts that aren't joined"),
        ("sphere.ply", 840, "closed"),
    ],
)
def test_meshes_that_nobody_here_made(name, triangles, reason):
    """Sample meshes inside pyvista's wheel: read with what was changed, refused as moulds."""
    surface, findings = read_surface(SAMPLES / name)
    raw = trimesh.load(SAMPLES / name, process=False)
    assert len(surface.faces) == triangles
    lost = len(raw.faces) - triangles
    assert (f"of {lost} triangles" in texts(findings)) == (lost > 0)
    with pytest.raises(InputError, match=f"no cavity found: .*{reason}"):
        find_mould({"lower": surface})


def test_a_large_mesh_is_read_quickly():
    """Orientation and repair are vectorised: 100 000 triangles stay in seconds."""
    mesh = TUBE.mesh("lower", "solid", along=500, around=96)
    start = time.perf_counter()
    surface, _ = prepare(*soup(mesh), where="half")
    assert len(surface.faces) > 100_000
    assert time.perf_counter() - start < 20.0
