"""Starts searched for the yarns across the line, against symmetry and an exhaustive grid.

Rolled flat (key ``docarmo1976``), two half cylinders are one sheet: a warp runs straight through
where both plies have one angle. Halves that are mirror images have mirrored yarns from mirrored
starts at opposite angles, whatever their shape.

Tries out ``advice/search_findings`` as well.
"""

import json

import numpy as np
import pytest
from helpers import errors_of
from jobs import BARE, job_file
from moulds import elbows, troughs

from drape import pipeline
from drape.advice import start_search
from drape.advice.yarn_search import REPORTED, SAME
from drape.job.job import load_job
from drape.mould.region import at_vertex

LAP = '[joint]\nlap_half = "lower"\nlaps = [{lap}]\nset_backs = [0]\n'
LOCKING = "locking_angle = 45"
SEARCH = "yarns_search = true\n"
FREE = 80.0  # degrees: no cloth of these tests locks
NEARLY = 0.2  # degrees


def job(folder, meshes, goal, lower, upper, spacing, lap=0, locking=FREE, search=SEARCH, **more):
    tables = f'{LAP.format(lap=lap)}yarns = "{goal}"\n{search}{BARE}'
    plies = [("lower", lower), ("upper", upper)]
    path = job_file(folder, meshes, tables, plies, spacing=spacing, **more)
    path.write_text(path.read_text().replace(LOCKING, f"locking_angle = {locking}"))
    return path


def run(path, jobs=1):
    return pipeline.run(load_job(path), jobs=jobs)


def searched(results):
    (found,) = results.summary.joint.yarn_searches
    return found


def note(results):
    (found,) = [f for f in results.findings if "nets tried" in f.text]
    assert found.level == "note"
    return found


def greatest(results):
    """What the job's own yarn match tells, over both runs, degrees."""
    return max(y.greatest_deg for r in results.summary.joint.runs.values() for y in r.yarns)


# --- half cylinders -------------------------------------------------------------------------


def trough(folder, lower, upper, **more):
    meshes = troughs(around=32)
    return job(
        folder, meshes, "running-through", f"angle = {lower}", f"angle = {upper}", 4.0, **more
    )


def test_one_sheet_needs_no_better_start(tmp_path):
    results = run(trough(tmp_path, 30, 30))
    found = searched(results)
    assert found.best is None
    assert found.given.greatest_deg < 0.05
    assert "lower-1's own start and angle serve yarns running through best" in note(results).text


@pytest.mark.parametrize("seen_from", ["inside", "mould"])
def test_cylinder_turned_against_the_other_half(tmp_path, seen_from):
    """+θ and −θ: −θ makes one sheet. Nothing else does, and it needs no other start."""
    found = searched(run(trough(tmp_path, 30, -30, seen_from=seen_from)))
    assert (found.ply, found.other, found.goal) == ("lower-1", "upper-1", "running-through")
    assert found.runs == ("A-B.1", "A-B.2")
    assert found.given.mean_deg == pytest.approx(60.0, abs=0.05)
    assert found.given.angle_deg == 30.0
    assert found.best.angle_deg == -30.0
    assert found.best.start_mm == found.given.start_mm
    assert found.best.greatest_deg <= NEARLY
    assert found.best.mean_deg <= found.best.greatest_deg
    assert not found.past_locking


def test_plain_weave_counts_quarter_turns(tmp_path):
    """+45 and −45 look alike in a plain weave: nothing is better."""
    found = searched(run(trough(tmp_path, 45, -45, weave="plain")))
    assert found.best is None
    assert found.given.greatest_deg < 0.05


# --- elbows ---------------------------------------------------------------------------------

UPPER = "angle = 20"  # from the middle of its half
LOWER = "angle = 40\nstart = [70, 15, -24]"  # far from where its yarns mirror the upper ones


def elbow(folder, goal, lower=LOWER, upper=UPPER, spacing=4.0, **more):
    return job(folder, elbows(around=36, along=30), goal, lower, upper, spacing, **more)


@pytest.fixture(scope="module")
def mirrored(tmp_path_factory):
    """The job's path and its results on one thread."""
    path = elbow(tmp_path_factory.mktemp("mirrored"), "mirrored")
    return path, run(path)


def test_mirror_images_are_found(mirrored):
    """Opposite the upper ply's start, at −20°: the mirror image of the upper ply."""
    _, results = mirrored
    found = searched(results)
    assert found.given.mean_deg > 20.0
    assert found.best.greatest_deg <= NEARLY
    (upper,) = [p for p in results.plies if p.ply.name == "upper-1"]
    start, surface = upper.piece.options.start, upper.piece.region.surface
    weights = [1.0 - start.b1 - start.b2, start.b1, start.b2]
    at = weights @ surface.vertices[surface.faces[start.face]]
    assert found.best.start_mm == pytest.approx(at * [1.0, 1.0, -1.0], abs=REPORTED)
    assert found.best.angle_deg == pytest.approx(-20.0, abs=NEARLY)


def test_what_is_found_holds_in_the_job(tmp_path):
    """Written into the job it has the figures that were told, by the job's own yarn match."""
    results = run(elbow(tmp_path, "mirrored", lap=10))
    found = searched(results)
    assert found.given.greatest_deg == pytest.approx(greatest(results), abs=1e-5)
    lower = f"angle = {found.best.angle_deg}\nstart = {list(found.best.start_mm)}"
    assert (
        f"write start = [{', '.join(f'{x:g}' for x in found.best.start_mm)}]"
        in note(results).remedy
    )
    again = run(elbow(tmp_path, "mirrored", lower, lap=10))
    assert greatest(again) == pytest.approx(found.best.greatest_deg, abs=1e-4)
    (ply,) = [p for p in again.summary.plies if p.name == "lower-1"]
    assert ply.max_shear_deg == pytest.approx(found.best.max_shear_deg, abs=1e-3)
    assert searched(again).best is None


def test_no_search_unless_asked_for(mirrored, tmp_path):
    """The rest of the run is the same with it and without."""
    _, results = mirrored
    plain = run(elbow(tmp_path, "mirrored", search="\n"))  # findings tell lines of the job
    assert plain.summary.joint.yarn_searches is None
    assert not [f for f in plain.findings if "nets tried" in f.text]
    off = run(elbow(tmp_path, "mirrored", search="yarns_search = false\n"))
    assert off.summary == plain.summary
    with_, without = (json.loads(r.summary.model_dump_json()) for r in (results, plain))
    assert with_["joint"].pop("yarn_searches")
    without["joint"].pop("yarn_searches")
    with_["findings"] = [f for f in with_["findings"] if "nets tried" not in f["message"]]
    assert with_ == without


def test_threads_change_no_byte(mirrored):
    path, results = mirrored
    assert run(path, jobs=2).summary.model_dump_json() == results.summary.model_dump_json()


def test_cloth_past_its_locking_angle_is_left_aside(mirrored, tmp_path):
    """The mirror image is sheared past 47°: with cloth that locks there it isn't taken."""
    _, free = mirrored
    assert searched(free).best.max_shear_deg > 47.0
    found = searched(run(elbow(tmp_path, "mirrored", locking=47)))
    assert found.best.max_shear_deg <= 47.0
    assert NEARLY < found.best.mean_deg < found.given.mean_deg
    assert not found.past_locking


def test_where_all_cloth_locks_the_best_is_taken_and_told(tmp_path):
    """An elbow bent that far shears any ply by more than 20°."""
    results = run(elbow(tmp_path, "mirrored", locking=20))
    found = searched(results)
    assert found.past_locking
    assert found.best.max_shear_deg > 20.0
    assert found.best.greatest_deg <= NEARLY
    assert "past the locking angle of 20°" in note(results).text


def test_no_start_of_an_exhaustive_grid_is_better(tmp_path, monkeypatch):
    """Where no start serves the goal well, the one found does so as well as the best of a grid
    that may be cut: nets that look better fail their checks as pieces.

    Vertices of the region, every so many, at angles that aren't the search's own first ones. The
    search may stay behind by ``SAME``, by which equal ones aren't told apart, and by what
    rounding to ``REPORTED`` turns the yarns: half of it at the start, and by as much again for its
    place.
    """
    kept = {}

    def spy(search, starts, angle, more=()):
        found = original(search, starts, angle, more)
        kept.update(search=search, starts=starts, found=found)
        return found

    original = start_search.search_start
    monkeypatch.setattr(start_search, "search_start", spy)
    run(elbow(tmp_path, "running-through", "angle = 30", "angle = -30", spacing=5.0))
    search, starts, found = kept["search"], kept["starts"], kept["found"]
    region = search.piece.region
    places = [at_vertex(region, v) for v in np.unique(region.surface.faces[region.inside])]
    places = [p for p in places if starts.allows(p)]
    grid = [search.start(p) for p in places[:: len(places) // 30]]
    angles = np.radians(np.arange(0.0, 180.0, 12.0))
    tried = [search.drape(s, a, 5.0) for s in grid for a in angles]
    good = [t for t in tried if t.missed <= found.given.missed and t.shear <= search.locking]
    assert len(good) > 200
    assert min(t.mean for t in good) > np.radians(5.0)  # no start serves it well
    assert found.best.mean < found.given.mean - np.radians(5.0)
    better = [t for t in good if t.mean < found.best.mean - SAME - np.radians(REPORTED)]
    assert not any(np.isfinite(search.make(t.start, t.angle).mean) for t in better)


# --- what can't be searched -----------------------------------------------------------------


def test_search_without_a_goal_is_refused_in_one_line(tmp_path):
    path = trough(tmp_path, 0, 0)
    path.write_text(path.read_text().replace('yarns = "running-through"\n', ""))
    (line,) = errors_of(load_job, path)
    assert "joint.yarns_search: 'yarns' is missing" in line
    assert "allowed: running-through, mirrored" in line


@pytest.mark.parametrize("value", ["1", '"yes"', "[true]"])
def test_bad_values(tmp_path, value):
    (line,) = errors_of(load_job, trough(tmp_path, 0, 0, search=f"yarns_search = {value}\n"))
    assert "joint.yarns_search" in line
    assert "allowed: true, false" in line


def test_nothing_to_search_is_told(tmp_path):
    """No half laps: no pair of plies has a line to meet at."""
    path = trough(tmp_path, 0, 0)
    path.write_text(path.read_text().replace(LAP.format(lap=0), "[joint]\n"))
    (told,) = [f for f in run(path).findings if "no start was searched" in f.text]
    assert told.level == "note"
    assert "yarns_search" in told.where
