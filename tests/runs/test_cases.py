"""Cases that once went wrong, each under its own name."""

import io
import re
from dataclasses import replace

import numpy as np
import pypdf
import pytest
import shapely
from draped import drape_piece
from exact import shapes
from exact.split_tubes import Box, Oval, SplitTube, straight
from jobs import write_job

from drape import cli, pipeline, publish
from drape.errors import InputError
from drape.geometry.surface import build, unit
from drape.job.job import load_job
from drape.layup.directions import hollow_fields, zero_direction
from drape.layup.piece import PieceOptions, make_piece
from drape.layup.start_places import place_of
from drape.mould.centre import centre
from drape.mould.mould import find_mould
from drape.mould.region import at_vertex, plain_region
from drape.mould.trim import trim_region
from drape.net.assessment import assess

FIRST = {"name": "first", "half": "lower", "fabric": "twill", "angle": 0, "spacing": 2.0}


def write_stl(path, mesh):
    import trimesh

    trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).export(path)


@pytest.fixture(scope="module")
def trough(tmp_path_factory):
    """Folder with the lower half of a straight tube, R 25, length 120, as a solid block."""
    folder = tmp_path_factory.mktemp("trough")
    tube = SplitTube(straight(120.0), Oval(), 25.0, 25.0)
    write_stl(folder / "lower.stl", tube.mesh("lower", "solid", along=60, around=64))
    return folder


def job_in(folder, units="mm", at=None, run_off=0, locking=45):
    """The path of a job of the lower half alone, trimmed ``at`` an x in mm."""
    mould = {"halves": {"lower": {"mesh": "lower.stl"}}}
    if at is not None:
        mould["trim"] = {"A": {"point": [at, 0, 0], "normal": [-1, 0, 0]}}
    job = {
        "title": "A case",
        "units": units,
        "mould": mould,
        "fabrics": {"twill": {"take": "twill-200", "locking_angle": locking}},
        "joint": {"run_off": run_off},
        "plies": [FIRST],
    }
    return write_job(folder, job)


@pytest.mark.parametrize("at", [10.0, 11.0, 13.7])
def test_a_trim_line_between_rings_of_a_hollow_with_one_mouth(at):
    """The run starts and ends at the same mouth and is cut at both ends."""
    tube = SplitTube(straight(120.0), Oval(), 25.0, 25.0, caps=(0.0, 25.0))
    mesh = tube.mesh("lower", "solid", along=60, around=64)
    region = find_mould({"lower": build(mesh.vertices, mesh.faces)}).halves["lower"].region
    cut, _ = trim_region(region, "A", [at, 0, 0], [-1, 0, 0])
    run = next(e for e in cut.edges if e.kind == "parting")
    ends = cut.surface.vertices[run.vertices[[0, -1]]]
    assert ends[:, 0] == pytest.approx(at, abs=1e-6)
    assert np.abs(ends[:, 1]) == pytest.approx(25.0, abs=0.01)
    assert (cut.surface.vertices[run.vertices][1:-1, 0] > at).all()


def test_metres_for_millimetres_is_one_clear_line(trough, tmp_path, capsys):
    code = cli.main(["run", str(job_in(trough, units="m")), "-o", str(tmp_path / "out")])
    told = capsys.readouterr().err
    assert code == 2
    assert not (tmp_path / "out").exists()
    assert len([line for line in told.splitlines() if line.startswith("error")]) == 1
    assert "the units are most likely wrong" in told


@pytest.mark.parametrize(
    ("at", "run_off", "told"), [(15.0, 10.0, False), (15.0, 14.0, False), (15.0, 17.0, True)]
)
def test_run_off_past_the_blocks_end(trough, at, run_off, told):
    """The block ends 15 mm past the trim line at A; mouth B has no trim line."""
    job = job_in(trough, at=at)
    job.write_text(job.read_text() + f"[plies.allowances]\nA = {run_off}\n")
    results = pipeline.run(load_job(job), jobs=1)
    found = [f for f in results.findings if "passes the mould's end" in f.text]
    assert bool(found) == told
    assert results.valid


def test_shear_in_the_laps_is_a_risk_of_its_own(tmp_path):
    """A closed end: the lap shears more than the ply proper."""
    tube = SplitTube(straight(120.0), Oval(), 25.0, 25.0, caps=(0.0, 25.0))
    write_stl(tmp_path / "lower.stl", tube.mesh("lower", "solid", along=120, around=96))
    job = job_in(tmp_path, locking=70)
    job.write_text(job.read_text().replace("run_off", 'lap_half = "lower"\nlaps = [10]\nrun_off'))
    results = pipeline.run(load_job(job), jobs=1)
    (ply,) = results.summary.plies
    assert ply.max_shear_deg < 70.0 < ply.max_shear_in_laps_deg
    risks = [f.text for f in results.findings if "locking angle" in f.text]
    assert len(risks) == 1
    assert f"{ply.max_shear_in_laps_deg:.1f}" in risks[0]


def test_pattern_pages_name_the_job_and_leave_room_for_a_date(trough):
    results = pipeline.run(load_job(job_in(trough)), jobs=1)
    pages = pypdf.PdfReader(io.BytesIO(publish.rendered(results)["patterns.pdf"])).pages
    assert len(pages) >= 1
    for page in pages:
        assert re.search(r"date _+ · A case", page.extract_text())


def test_a_net_too_large_for_memory_is_refused_before_it_is_made():
    from drape.geometry.surface import SurfacePoint
    from drape.net.solver import NetOptions, solve_net

    vertices = np.array([[0, 0, 0], [1e6, 0, 0], [0, 1e6, 0], [1e6, 1e6, 0.0]])
    surface = build(vertices, [[0, 1, 2], [1, 3, 2]])
    with pytest.raises(InputError, match="too large"):
        solve_net(surface, SurfacePoint(0, 0.3, 0.3), np.array([1.0, 0, 0]), NetOptions(1.0))


@pytest.mark.parametrize("irregular", [None, 4])
def test_the_middle_of_a_tube_is_found_at_its_middle(irregular):
    """Not to one side: paths along mesh edges make many vertices look about as central."""
    tube = SplitTube(straight(200.0), Oval(), 20.0, 20.0)
    mesh = tube.mesh("lower", "solid", along=100, around=48, seed=irregular)
    region = find_mould({"lower": build(mesh.vertices, mesh.faces)}).halves["lower"].region
    place = centre(region)
    x, y, _ = place_of(region.surface, place)[0]
    assert abs(x - 100.0) < 0.1
    assert abs(y) < 0.1


def test_a_mesh_too_coarse_for_the_curvature_check_is_not_passed_by_it():
    """Three rings of facets on a bowl: the check was 0 for want of anything to measure."""
    piece = drape_piece(shapes.hemisphere(20.0, 3), [0.0, 0.0, -20.0], [1, 0, 0], spacing=1.0)
    assert piece.checks.curvature != 0.0
    assert piece.checks.closure_limit <= 0.3
    assert piece.checks.surface > piece.checks.surface_limit
    assert not piece.valid


def test_a_narrow_strip_of_ten_facets_is_measured():
    mesh = shapes.heightfield(lambda x, y: 0.004 * (x * x + y * y), 80.0, 30.0, 24, 10)
    piece = drape_piece(mesh, [0.0, 0.0, 0.0], [1, 0, 0], spacing=1.0)
    assert 0.0 < piece.checks.curvature < piece.checks.curvature_limit


@pytest.mark.parametrize("lean", [0.1, 0.2, 0.3])
def test_smoothly_wrong_normals_feign_shear_and_are_refused(monkeypatch, lean):
    """A flat plate whose normals say that it is a bowl."""
    mesh = shapes.heightfield(lambda x, y: 0.0 * x, 100.0, 100.0, 50, 50)
    plain = build(*mesh)
    slopes = np.stack([-lean * mesh[0][:, 0] / 50.0, -lean * mesh[0][:, 1] / 50.0], axis=1)
    normals = unit(np.concatenate([slopes, np.ones((len(mesh[0]), 1))], axis=1))
    wrong = build(*mesh, corner_normals=normals[plain.faces])
    region = plain_region(wrong)
    flush = {e.name: 0.0 for e in region.edges}
    middle = at_vertex(region, int(np.argmin(np.linalg.norm(mesh[0], axis=1))))
    piece = make_piece(region, PieceOptions(middle, np.array([1.0, 0, 0]), flush, 0.0, 1.0))
    assert piece.checks.curvature > piece.checks.curvature_limit
    assert not piece.valid


@pytest.mark.parametrize(("radius", "height"), [(160.0, 0.5), (60.0, 0.5), (250.0, 0.3)])
def test_the_edge_of_a_shallow_bowl_moves_far_in(radius, height):
    """Part of a sphere, rim 30 in the plane z = 0: the mid-surface is a sphere of radius
    R − h about the same centre, and its rim circle's radius is √((R − h)² − c²)."""
    rim = 30.0
    depth = np.sqrt(radius**2 - rim**2)

    def cap(angle, t):
        s = radius * np.sin(angle)
        return np.stack([s * np.cos(t), s * np.sin(t), depth - radius * np.cos(angle)], -1)

    mesh = shapes.disc(cap, np.arcsin(rim / radius), 40)
    region = plain_region(build(*mesh), kind="parting")
    up = np.tile([0.0, 0.0, 1.0], (len(region.edges[0].vertices), 1))
    region = replace(region, edges=(replace(region.edges[0], cut_normals=up),))
    flush = {region.edges[0].name: 0.0}
    start = at_vertex(region, 0)
    piece = make_piece(region, PieceOptions(start, np.array([1.0, 0, 0]), flush, height, 1.0))
    mid = radius - height
    along = mid * np.arccos(depth / mid)  # great circle from the pole: the first yarns
    assert piece.valid
    assert np.abs(piece.outlines[0].points[0]) == pytest.approx([along, 0.0], abs=0.01)


@pytest.mark.parametrize(("fillet", "height"), [(1.0, 1.5), (2.0, 3.0), (1.0, 0.95)])
def test_a_stack_thicker_than_the_fillet_does_not_fold_the_surface(fillet, height):
    tube = SplitTube(straight(80.0), Box(np.radians(5.0), fillet), 20.0, 20.0)
    mesh = tube.mesh("lower", "sheet", along=40, around=160)
    region = find_mould({"lower": build(mesh.vertices, mesh.faces)}).halves["lower"].region
    moved = region.surface.offset(height)
    turned = np.einsum("ij,ij->i", moved.face_normals, region.surface.face_normals)
    assert turned.min() > 0.0


def test_halves_a_hair_apart_share_one_zero_direction():
    """One mouth; the halves 0.02 mm apart: both zero directions lead away from the mouth."""
    tube = SplitTube(straight(120.0), Oval(), 25.0, 25.0, caps=(0.0, 25.0))
    surfaces = {}
    for half, lift in (("lower", 0.0), ("upper", 0.02)):
        mesh = tube.mesh(half, "solid", along=60, around=48)
        surfaces[half] = build(mesh.vertices + np.array([0.0, 0.0, lift]), mesh.faces)
    mould = find_mould(surfaces)
    regions = {name: half.region for name, half in mould.halves.items()}
    fields = hollow_fields(regions, [m.name for m in mould.mouths])
    lower, upper = (zero_direction(regions[h], fields[h], centre(regions[h])) for h in regions)
    assert min(lower[0], upper[0]) > 0.99


def test_large_set_backs_of_a_small_trough_can_be_judged():
    piece = drape_piece(
        shapes.trough(8.0, 60.0, 32, 30), [0, 0, -8.0], [1, 0, 0], allowances=-10.0, spacing=1.0
    )
    assert piece.checks.closure < 0.05
    assert piece.valid


def test_areas_of_outlines_that_share_lines():
    piece = drape_piece(shapes.trough(25.0, 100.0, 64, 30), [0, 0, -25.0], [1, 0, 0], spacing=2.0)
    cloth = shapely.Polygon(piece.outlines[0].points)
    both = shapely.GeometryCollection([cloth, shapely.LineString([[0, 0], [5, 5]])])
    assert assess(piece.net, both, both).surface_area == pytest.approx(2500.0 * np.pi, rel=1e-4)
