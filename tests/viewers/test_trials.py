"""Other starts of the demo's plies, and what is kept of them."""

import re
import shutil
from dataclasses import replace

import numpy as np
import pytest

from drape.errors import InputError
from drape.job.job import load_job
from drape.job.layers import Strip
from viewers.trials import Trials


@pytest.fixture(scope="module")
def trials(demo_results):
    return Trials(demo_results)


def that_can_be_tried(plies):
    """(place, ply) of those that can be tried: all but joint strips."""
    found = [(k, p) for k, p in enumerate(plies) if not isinstance(p.ply.layer, Strip)]
    assert len(found) == 7
    return found


def test_the_jobs_own_start_is_found_by_its_coordinates(trials, demo_results):
    """To the facets' sag (0.05 mm here) and the step of the hollow's direction between facets."""
    for k, ply in that_can_be_tried(demo_results.plies):
        net = ply.piece.net
        start = net.points[net.origin]
        trial = trials.drape(k, tuple(start), ply.ply.angle_deg)
        there = trial.net.points[trial.net.origin]
        turn = np.arccos(np.dot(trial.options.warp, ply.piece.options.warp))
        assert np.linalg.norm(there - start) < 0.05
        assert np.degrees(turn) < 0.5


def test_the_coarse_net_tells_the_same_story(trials, demo_scene):
    for k, _ in that_can_be_tried(trials.results.plies):
        ply = demo_scene["plies"][k]
        scene = trials.scene(k, tuple(ply["start"]["point"]), ply["angle_deg"])
        coarse, fine = scene["figures"], ply["figures"]
        assert coarse["max_shear_deg"] == pytest.approx(fine["max_shear_deg"], abs=1.0)
        assert coarse["cloth_area_mm2"] == pytest.approx(fine["cloth_area_mm2"], rel=0.01)


def test_angles_seen_from_the_mould_turn_the_other_way(trials, demo_results):
    start = demo_results.plies[0].piece.net.points[demo_results.plies[0].piece.net.origin]
    turned = replace(demo_results, job=replace(demo_results.job, seen_from="mould"))
    a = trials.drape(0, tuple(start), 30.0).options.warp
    b = Trials(turned).drape(0, tuple(start), -30.0).options.warp
    np.testing.assert_allclose(a, b)


@pytest.mark.parametrize(("ply", "point"), [(-1, (0, 0, 0)), (8, (0, 0, 0)), (0, (0, 0, 500))])
def test_what_cant_be_is_one_line(trials, ply, point):
    with pytest.raises(InputError):
        trials.drape(ply, point, 0.0)


def test_a_joint_strip_has_no_other_start(trials):
    net = trials.results.plies[6].piece.net
    for call in (trials.drape, trials.keep):
        with pytest.raises(InputError, match="joint strip starts"):
            call(6, tuple(net.points[net.origin]), 0.0)


@pytest.fixture
def copied(tmp_path, demo_results):
    """The demo in a folder of its own, as if it had been run there, and a start on its cavity."""
    for file in demo_results.job.path.parent.iterdir():
        shutil.copy(file, tmp_path)
    job = load_job(tmp_path / demo_results.job.path.name)
    net = demo_results.plies[1].piece.net
    i, j = net.origin
    return job, Trials(replace(demo_results, job=job)), tuple(net.points[i + 3, j + 2])


def test_kept_in_the_job_and_nothing_else_changed(copied):
    job, trials, start = copied
    before = job.path.read_text().splitlines()
    trials.keep(1, start, 30.0)
    after = load_job(job.path)
    assert after.plies[1].start == tuple(np.round(start, 3))
    assert after.plies[1].angle_deg == 30.0
    changed = set(after.path.read_text().splitlines()) - set(before)
    assert len(changed) == 2
    assert [p.angle_deg for p in after.plies if p.index != 1] == [
        p.angle_deg for p in job.plies if p.index != 1
    ]
    trials.keep(1, start, 120.5)  # its own writing is no change from outside
    assert load_job(job.path).plies[1].angle_deg == 120.5


def test_a_wrapped_plys_start_is_kept_where_the_job_has_it(copied):
    job, trials, _ = copied
    piece = trials.results.plies[7].piece
    net, (i, j) = piece.net, piece.net.origin
    there = trials.drape(7, tuple(net.points[i, j]), 30.0).options.warp
    assert np.degrees(np.arccos(there @ piece.options.warp)) == pytest.approx(30.0, abs=0.5)
    start = tuple(net.points[i + 6, j - 8])
    turned = trials.drape(7, start, 30.0)
    assert np.linalg.norm(turned.net.points[turned.net.origin] - start) < 0.5
    trials.keep(7, start, 30.0)
    after = load_job(job.path)
    assert after.wraps[0].start == tuple(np.round(start, 3))
    assert after.wraps[0].angle_deg == 30.0
    assert after.plies == job.plies
    job.path.write_text(
        job.path.read_text().replace('seam = "A-B.2"', 'name = "new"\nseam = "A-B.2"')
    )
    with pytest.raises(InputError, match="was changed"):
        trials.keep(7, start, 10.0)


def test_a_job_edited_meanwhile_is_left_alone(copied):
    """Two plies changed places: by its place the start would go to the wrong one."""
    job, trials, start = copied
    text = job.path.read_text()
    first, second, third = (m.start() for m in list(re.finditer(r"\[\[plies\]\]", text))[:3])
    swapped = text[:first] + text[second:third] + text[first:second] + text[third:]
    job.path.write_text(swapped)
    with pytest.raises(InputError, match="was changed"):
        trials.keep(1, start, 30.0)
    assert job.path.read_text() == swapped
    job.path.write_text(text[:first])
    with pytest.raises(InputError):
        trials.keep(1, start, 30.0)
    assert job.path.read_text() == text[:first]


def test_a_start_off_the_cavity_is_never_written(copied):
    job, trials, start = copied
    text = job.path.read_text()
    with pytest.raises(InputError, match="isn't on the cavity"):
        trials.keep(1, (start[0], start[1], start[2] + 500.0), 30.0)
    assert job.path.read_text() == text
