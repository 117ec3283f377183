"""Girths, bag and forces of closed moulds read from STL files, against closed forms.

Perimeter of an ellipse: key ``dlmf``, 19.30.5. A convex curve at distance t inside another is
2π t shorter: key ``steiner1840``. Torus: its sections square to the bend are circles of its
own radius, and the way through is bend radius × angle. Forces by hand, as the design has them.

Tries out ``summary/bag_records`` as well.
"""

import json

import jsonschema
import numpy as np
import pytest
import trimesh
from exact.split_tubes import Box, Oval, SplitTube, bend, straight
from hollows import y_halves
from jobs import two_troughs, write_job
from make_demo import rigger
from ovals import oval_perimeter
from scipy.integrate import quad
from scipy.special import ellipe

from drape import pipeline, publish
from drape.bag.hollow import hollow_of
from drape.job.job import load_job
from drape.mould.mould import find_mould
from drape.mould.reading import read_surface
from drape.output.summary.bag_records import bag_record
from drape.output.summary.models import SCHEMA_FILE, to_json

PLIES = ("lower",) * 3 + ("upper",) * 5  # on average 4 × 0.3 = 1.2 mm
STACK = 1.2
ELLIPSE = 120 * ellipe(1 - 0.36)
QUARTER = bend(80 * np.pi / 2, np.pi / 2)


def job_of(folder, bag="[bag]", trims="", plies=PLIES):
    """A job of the halves that lie in the folder; ``bag`` and ``trims`` are TOML."""
    job = {
        "mould": {"halves": {half: {"mesh": f"{half}.stl"} for half in ("lower", "upper")}},
        "fabrics": {"twill": {"take": "twill-200", "thickness": 0.3}},
        "plies": [{"half": half, "fabric": "twill", "angle": 0} for half in plies],
    }
    return load_job(write_job(folder, job, more=f"{trims}{bag}\n"))


def write(folder, half, vertices, faces):
    trimesh.Trimesh(vertices, faces, process=False).export(folder / f"{half}.stl")


def tube_job(folder, tube, form="sheet", along=60, around=64, **keys):
    for half in ("lower", "upper"):
        mesh = tube.mesh(half, form, along=along, around=around)
        write(folder, half, mesh.vertices, mesh.faces)
    return job_of(folder, **keys)


def hollow(job):
    """As the pipeline has it, without draping the plies."""
    surfaces = {h.name: read_surface(h.mesh, job.unit_scale)[0] for h in job.halves}
    return hollow_of(job, find_mould(surfaces))


TUBES = {
    "round": (SplitTube(straight(200), Oval(), 25, 25), 2 * np.pi * 25, 200.0),
    "ellipse": (SplitTube(straight(200), Oval(), 30, 18), ELLIPSE, 200.0),
    "oval": (SplitTube(straight(200), Oval(3.0), 30, 20), oval_perimeter(3, 30, 20), 200.0),
    "elbow": (SplitTube(QUARTER, Oval(), 22, 22), 2 * np.pi * 22, 40 * np.pi),
    "bent ellipse": (SplitTube(QUARTER, Oval(), 30, 18), ELLIPSE, 40 * np.pi),
}


@pytest.mark.parametrize("name", TUBES)
def test_tubes(tmp_path, name):
    """Bare mould and inside 3 and 5 plies: every girth within 0.1 %; so is the length."""
    tube, exact, length = TUBES[name]
    found, findings = hollow(tube_job(tmp_path, tube, bag="[bag]\ntail = 100"))
    assert len(found.sections) >= 24
    assert {s.branch for s in found.sections} == {""}
    bare = [s.mould_girth for s in found.sections]
    assert bare == pytest.approx([exact] * len(bare), rel=1e-3)
    inside = exact - 2 * np.pi * STACK
    assert [s.girth for s in found.sections] == pytest.approx([inside] * len(bare), rel=1e-3)
    assert found.lengths == {"A-B": pytest.approx(length, rel=1e-3)}
    bag = bag_record(found)
    assert bag.largest_girth_mm == pytest.approx(inside, rel=1e-3)
    assert bag.lay_flat_mm == pytest.approx(0.5 * inside * 1.1, rel=1e-3)
    assert bag.length_mm == pytest.approx(length + 200, rel=1e-3)
    stations = [s.station_mm for s in bag.sections]
    assert stations[0] == 0.0
    assert stations[-1] == pytest.approx(length, rel=1e-3)
    assert stations == sorted(stations)
    assert [f.level for f in findings] == ["note"]  # envelope round sheets


def test_solid_halves_and_trim_lines(tmp_path):
    """Round, cut 30 mm inside A and 50 inside B: sections from 30 to 150, the length stays."""
    tube, exact, _ = TUBES["round"]
    trims = "[mould.trim.A]\npoint = [30, 0, 0]\nnormal = [-1, 0, 0]\n"
    trims += "[mould.trim.B]\npoint = [150, 0, 0]\nnormal = [1, 0, 0]\n"
    found, findings = hollow(tube_job(tmp_path, tube, "solid", trims=trims))
    stations = [s.along for s in found.sections]
    assert 30.0 <= stations[0] < 40.0
    assert 140.0 < stations[-1] <= 150.0
    assert found.lengths["A-B"] == pytest.approx(200.0, rel=1e-3)
    assert found.bag.largest_girth_mm == pytest.approx(exact - 2 * np.pi * STACK, rel=1e-3)
    assert findings == ()
    # blocks 100 wide, 2 (25 + 12) high, 200 long; by hand with the defaults
    assert found.around.lay_flat_mm == pytest.approx(0.5 * 2 * (100 + 74) * 1.2, rel=1e-6)
    assert found.around.length_mm == pytest.approx(200 + 300, rel=1e-6)


def bell(s):
    return 20.0 + 15.0 * np.clip((np.asarray(s) - 160.0) / 40.0, 0.0, 1.0) ** 2


def test_film_past_a_trim_line(tmp_path):
    """Radius 20 to the trim line at 150, 35 at the mouth: film for 18.8 × 1.1 = 20.7 hangs free.

    Without a trim line the film is as wide as the bell; a bladder stretches: nothing to tell.
    """
    tube = SplitTube(straight(200), Oval(), bell, bell)
    trim = "[mould.trim.B]\npoint = [{}, 0, 0]\nnormal = [1, 0, 0]\n"
    found, findings = hollow(tube_job(tmp_path, tube, trims=trim.format(150)))
    assert found.bag.largest_girth_mm == pytest.approx(2 * np.pi * 18.8, rel=1e-3)
    (told,) = [f for f in findings if "nothing supports the film" in f.text]
    assert f"up to {2 * np.pi * 35:.0f} mm there (at 200 mm)" in told.text
    assert f"the film's {2 * np.pi * 18.8 * 1.1:.0f} mm" in told.text
    _, findings = hollow(job_of(tmp_path))
    assert not [f for f in findings if "nothing supports the film" in f.text]
    stretch = job_of(tmp_path, '[bag]\nkind = "stretch"', trim.format(150))
    assert not [f for f in hollow(stretch)[1] if "nothing supports the film" in f.text]


def taper(s):
    return 40.0 - 0.1 * s


def test_a_tapered_tube_folds_where_it_is_narrow(tmp_path):
    """Radius 40 to 20 less 1.2: 10 % over 38.8; 35 % more than the girth below 31.6 inside.

    2π 1.1 × 38.8 / 1.35 is the girth of radius 31.61, or 32.81 in the mould: from 71.9 mm on.
    """
    tube = SplitTube(straight(200), Oval(), taper, taper)
    found, findings = hollow(tube_job(tmp_path, tube))
    for s in found.sections:
        local = 40.0 - 0.1 * s.centre[0]
        assert s.mould_girth == pytest.approx(2 * np.pi * local, rel=1e-3)
    assert found.bag.largest_girth_mm == pytest.approx(2 * np.pi * 38.8, rel=1e-3)
    (fold,) = [f for f in findings if "folds" in f.text]
    first = next(s.along for s in found.sections if s.along > 71.9)
    assert f"from {first:.0f} to 200 mm" in fold.text
    assert f"up to {1.1 * 38.8 / 18.8 - 1:.0%} larger" in fold.text
    stretch = "[bag]\nkind = 'stretch'\nstock = [20, 40, 50, 60]\nmost_stretch = 50"
    found, findings = hollow(tube_job(tmp_path, tube, bag=stretch))
    bag = bag_record(found)
    # 10 % under half the girth at radius 18.8 is 53.2 flat; from 50 it stretches to 121.9
    assert bag.lay_flat_mm == pytest.approx(0.9 * np.pi * 18.8, rel=1e-3)
    assert (bag.stock_mm, bag.kind) == (50.0, "stretch")
    assert bag.stretch == pytest.approx(np.pi * 38.8 / 50 - 1, rel=2e-3)
    assert any("stretch by 144%" in f.text for f in findings)
    assert not any("folds" in f.text for f in findings)


def test_corners_that_film_bridges(tmp_path):
    """Box 52 × 2·22, fillets 3.5: two along each floor; 2.6 and 2.0 under 3 and 5 plies.

    A bladder follows 1 mm: nothing is told.
    """
    tube = SplitTube(straight(200), Box(np.radians(5.0), 3.5), 26, 22)
    job = tube_job(tmp_path, tube, along=50, around=140)
    _, findings = hollow(job)
    told = [f for f in findings if "inside corner" in f.text]
    assert len(told) == 4
    for f in told[:3]:
        assert "from 0 to 200 mm along the hollow" in f.text
        _, y, z = map(float, f.text.split("near (")[1].split(")")[0].split(","))
        assert abs(abs(y) - 23.0) < 3.0
        assert abs(abs(z) - 21.0) < 3.0
    assert "1 more" in told[3].text
    radii = [float(f.text.split("about ")[1].split(" mm")[0]) for f in told[:3]]
    assert all(min(abs(r - 2.0), abs(r - 2.6)) < 0.25 for r in radii)
    assert max(radii) - min(radii) > 0.4
    _, findings = hollow(job_of(tmp_path, bag='[bag]\nkind = "stretch"'))
    assert not [f for f in findings if "inside corner" in f.text]


def y_job(folder, cells=10, along=30):
    """A Y of rectangular arms, 40 × 30, cut at half height."""
    for half, mesh in y_halves(40.0, 30.0, 120.0, cells, along).items():
        mesh.export(folder / f"{half}.stl")
    return job_of(folder)


def test_a_y(tmp_path):
    """Arms 40 × 30 at 120°: girth 140 a quarter of a width from the fork, 140 − 8 t inside.

    A way along the arms' middle lines, kinked by 60° in the middle, is 2 (120 + 40/(2√3)) long;
    one that turns in an arc is some per cent shorter. The fork is told, and doesn't count.
    """
    found, findings = hollow(y_job(tmp_path))
    inner = 40 / (2 * np.sqrt(3))
    reach = {id(s): np.hypot(*s.centre[:2]) for s in found.sections}
    clear = [s for s in found.sections if reach[id(s)] > inner + 10.0]
    assert {s.branch for s in found.sections} == {s.branch for s in clear} == {"A", "B", "C"}
    for s in clear:
        assert s.mould_girth == pytest.approx(140.0, rel=1e-3)
        assert s.girth == pytest.approx(140.0 - 8 * STACK, rel=1e-3)
        assert not s.fork
    assert {s.branch for s in found.sections if s.fork} == {"A"}
    assert found.bag.largest_girth_mm == pytest.approx(140.0 - 8 * STACK, rel=1e-3)
    assert [f for f in findings if "the hollow branches" in f.text]
    assert not [f for f in findings if "film folds" in f.text]
    for branch in "ABC":  # each stays in its own arm, and its stations grow outward from A
        mine = [s for s in clear if s.branch == branch]
        arms = {round(np.degrees(np.arctan2(s.centre[1], s.centre[0])) / 120) for s in mine}
        assert len(arms) == 1
        assert (np.diff([reach[id(s)] for s in mine]) * (-1 if branch == "A" else 1) > 0).all()
    assert set(found.lengths) == {"A-B", "A-C", "B-C"}
    for length in found.lengths.values():
        assert 0.96 * 2 * (120 + inner) < length < 2 * (120 + inner)
    assert found.bag.length_mm == pytest.approx(max(found.lengths.values()) + 300.0)


CLAMPED = "[bag]\nprocess = 'clamped'\npressure = 5\nstock = [80, 90]"


def test_forces_through_the_run(tmp_path):
    """500 × 50 mm at 5 bar: 12.5 kN; each mouth π 25² × 0.5 N/mm²: 982 N. No envelope."""
    tube = SplitTube(straight(500), Oval(), 25, 25)
    results = pipeline.run(
        tube_job(tmp_path, tube, along=100, bag=CLAMPED, plies=("lower", "upper"))
    )
    bag = results.summary.bag
    assert bag.forces.projected_area_mm2 == pytest.approx(25_000.0, rel=1e-3)
    assert bag.forces.opening_force_n == pytest.approx(12_500.0, rel=1e-3)
    assert [m.mouth for m in bag.forces.mouths] == ["A", "B"]
    for mouth in bag.forces.mouths:
        assert mouth.end_thrust_n == pytest.approx(0.5 * np.pi * 625, rel=2e-3)
    assert "qualified" in bag.forces.caution
    assert bag.envelope is None
    assert bag.largest_girth_mm == pytest.approx(2 * np.pi * 24.7, rel=1e-3)
    assert (bag.stock_mm, bag.length_mm) == (90.0, pytest.approx(800.0, rel=1e-3))
    written = json.loads(to_json(results.summary))
    jsonschema.validate(written, json.loads(SCHEMA_FILE.read_text()))
    assert written["bag"]["sections"][0]["station_mm"] == 0.0
    assert results.hollow is not None


def test_troughs_without_flange_and_without_a_wish(tmp_path):
    """No [bag]: sizes with the defaults, nothing told, neither envelope nor forces."""
    path = two_troughs(tmp_path, "", [("lower", "angle = 0")])
    results = pipeline.run(load_job(path))
    bag = results.summary.bag
    assert bag.largest_girth_mm == pytest.approx(2 * np.pi * (25 - 0.11), rel=2e-3)
    assert bag.envelope is bag.forces is None
    assert not [f for f in results.findings if f.where == "bag"]


def test_one_half_alone(tmp_path):
    """Null; a note only if a bag was asked for."""
    job = tube_job(tmp_path, TUBES["round"][0])
    alone = find_mould({"lower": read_surface(job.halves[0].mesh, 1.0)[0]})
    found, (note,) = hollow_of(job, alone)
    assert found is None
    assert note.level == "note"
    assert "one mould half alone" in note.text
    assert hollow_of(job_of(tmp_path, bag=""), alone) == (None, ())


def test_a_closed_end(tmp_path):
    """A blind tube, 200 with a cap of 20: one mouth, one tail."""
    tube = SplitTube(straight(200), Oval(), 20, 20, caps=(0.0, 20.0))
    found, _ = hollow(tube_job(tmp_path, tube))
    assert found.lengths == {"A": pytest.approx(200.0, rel=5e-3)}
    assert found.bag.length_mm == pytest.approx(found.lengths["A"] + 150.0)
    middle = [s for s in found.sections if s.centre[0] < 170.0]
    assert [s.mould_girth for s in middle] == pytest.approx([40 * np.pi] * len(middle), rel=1e-3)


def test_the_laminate_fills_a_flat_tube(tmp_path):
    """4 mm high inside, 6 mm of laminate on each side: a risk, and no bag."""
    flat = SplitTube(straight(100), Oval(), 30, 2)
    found, (told,) = hollow(tube_job(tmp_path, flat, plies=("lower",) * 20 + ("upper",) * 20))
    assert found is None
    assert told.level == "warning"
    assert "no closed section" in told.text


def test_the_laminate_fills_the_narrow_end(tmp_path):
    """Radius 20 to 2 over 200, laminate 6: full where the radius is under 6, from 155.6 mm on."""
    cone = SplitTube(straight(200), Oval(), *[lambda s: 20.0 - 0.09 * s] * 2)
    found, findings = hollow(tube_job(tmp_path, cone, plies=("lower",) * 20 + ("upper",) * 20))
    full = [s.along for s in found.sections if s.girth is None]
    assert full == [s.along for s in found.sections if s.along > 155.6]
    (told,) = [f for f in findings if "fills the hollow" in f.text]
    assert f"from {full[0]:.0f} to 200 mm" in told.text
    assert f"at {len(full)} of {len(found.sections)} sections" in told.text


def test_a_closed_mould_and_a_gap_already_told(tmp_path):
    tube = SplitTube(straight(200), Oval(), 20, 20, caps=(30.0, 30.0))
    found, (told,) = hollow(tube_job(tmp_path, tube))
    assert found is None
    assert "no mouth" in told.text
    job = tube_job(tmp_path, TUBES["round"][0])
    surfaces = {h.name: read_surface(h.mesh, 1.0)[0] for h in job.halves}
    lifted = np.eye(4)
    lifted[2, 3] = 0.2
    up = surfaces["upper"].moved(lifted)
    mould = find_mould({"lower": surfaces["lower"], "upper": up})
    assert any("don't meet" in f.text for f in mould.findings)
    assert any("don't meet" in f.text for f in hollow_of(job, mould)[1])
    assert not any("don't meet" in f.text for f in hollow_of(job, mould, mould.findings)[1])


def test_the_demo(tmp_path):
    """The rigger's girths are its ellipses' (key ``dlmf``) less 2π × 0.88, of three
    plies and the wrapped one; its shadow is ∫ 2a ds.

    A strip's two sides of a bent centre line make up for each other, so the shadow is exact.
    """
    tube = rigger()
    found, findings = hollow(load_job(publish.copy_demo(tmp_path)))
    assert findings == ()
    length = tube.centreline.length
    assert found.lengths["A-B"] == pytest.approx(length, rel=1e-3)
    for s in found.sections:
        a, d = (float(f(np.array(s.along))) for f in (tube.half_width, tube.depth))
        exact = 4 * a * ellipe(1 - (d / a) ** 2)
        assert s.mould_girth == pytest.approx(exact, rel=1e-3)
        assert s.girth == pytest.approx(exact - 2 * np.pi * 0.88, rel=1e-3)
    shadow = quad(lambda s: 2 * float(tube.half_width(np.array(s))), 0, length)[0]
    assert found.forces.opening_force_n == pytest.approx(0.2 * shadow, rel=1e-3)
    assert found.forces.end_thrusts_n["A"] == pytest.approx(0.2 * np.pi * 625, rel=3e-3)
    assert found.forces.end_thrusts_n["B"] == pytest.approx(0.2 * np.pi * 33 * 15, rel=3e-3)
    assert found.bag.stock_mm == 90.0
