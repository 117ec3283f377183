"""What a ply lies on past the parting line (layup/heights, layup/bed): by hand, and plies laid.

Two half troughs are a cylinder and the halves of a torus elbow meet in its equators, which
sections cross as geodesics (key ``docarmo1976``): a lap's end is radius × section angle from
the line. Widths of a trough's plies: π(R − height) + 2·lap, arithmetic.
"""

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from exact import shapes
from jobs import TWILL, two_troughs, write_job

from drape.errors import InputError
from drape.geometry.surface import build, unit
from drape.job.job import load_job
from drape.layup.bed import make_bed
from drape.layup.heights import laying_heights
from drape.layup.piece import Laid, PieceOptions, make_piece
from drape.layup.start_places import place_of
from drape.mould.centre import centre
from drape.mould.closed.closed_mould import closed_mould
from drape.mould.mould import find_mould
from drape.pipeline import run

RADIUS, PLY = 25.0, 0.22
LAPS, BACKS = (5.0, 10.0, 15.0), (0.0, 3.0, 6.0)
RUNS = ("A-B.1", "A-B.2")


def closed_of(mesh, turn):
    """A half and the same turned over, closed: lower, upper."""
    vertices, faces = mesh
    over = faces if np.prod(turn) > 0.0 else faces[:, ::-1]
    halves = {"lower": build(vertices, faces), "upper": build(vertices * turn, over)}
    mould = find_mould(halves, closing=[0.0, 0.0, 1.0])
    return closed_mould(mould, mould)[0]


def cloths(values, sign=1.0):
    return [
        SimpleNamespace(thickness=PLY, allowance=lambda run, kind, v=sign * v: v) for v in values
    ]


@pytest.fixture(scope="module")
def troughs():
    return closed_of(shapes.trough(RADIUS, 80.0, 128, 40), [1.0, -1.0, -1.0])


@pytest.mark.parametrize(
    ("number", "past", "under"),
    [
        (0, -5.0, 0),  # own side: nothing under the first ply
        (2, -5.0, 2),  # both plies before it
        (0, 2.9, 1),  # the other half's flush ply
        (2, 14.0, 3),  # all of the other half's plies; both shorter laps have ended
        (1, 9.0, 3),  # at 9 all three of the other half, the first lap (5) has ended
    ],
)
def test_heights_of_stepped_laps_by_hand(troughs, number, past, under):
    """``under`` plies lie below, counted by hand where no ramp is near (they are short here)."""
    bed = replace(make_bed(troughs, "lower", 40.0), facet=0.1)
    laps = cloths(LAPS)
    heights = laying_heights(bed, laps[number], laps[:number], cloths(BACKS, -1.0))
    near = np.abs(bed.past - past) < 0.35
    assert near.sum() > 50
    # ramps are as long as the stack, at most 5 plies: 1.1 mm
    assert heights[near] == pytest.approx((under + 0.5) * PLY, abs=0.02)


def test_a_ply_that_passes_no_run_stays_at_its_height(troughs):
    bed = make_bed(troughs, "lower", 20.0)
    heights = laying_heights(bed, cloths([0.0])[0], cloths([5.0]), cloths(BACKS, -1.0))
    assert np.ptp(heights) == 0.0


def test_normals_lean_with_the_heights():
    """z = a·sin(x): the graph's normals, second order in the facets."""
    errors = []
    for count in (40, 80):
        x = np.linspace(0.0, 2.0 * np.pi, count + 1)
        flat = build(*shapes.grid(lambda a, b: np.stack([a, b, 0.0 * a], -1), x, x))
        raised = flat.offset(1.0 + 0.1 * np.sin(flat.vertices[:, 0]))
        slope = 0.1 * np.cos(flat.vertices[:, 0])
        exact = unit(np.stack([-slope, 0.0 * slope, 1.0 + 0.0 * slope], -1))
        inner = (np.abs(flat.vertices[:, :2] - np.pi) < 2.5).all(axis=1)
        found = raised.corner_normals[inner[flat.faces].all(axis=1)]
        wanted = exact[flat.faces[inner[flat.faces].all(axis=1)]]
        errors.append(np.abs(found - wanted).max())
    assert errors[1] < 5e-4
    assert errors[0] / errors[1] > 3.0


@pytest.fixture(scope="module")
def stepped(tmp_path_factory):
    tables = (
        f'[joint]\nlap_half = "lower"\nlaps = {list(LAPS)}\nset_backs = {list(BACKS)}\nrun_off = 0'
    )
    path = two_troughs(
        tmp_path_factory.mktemp("stepped"),
        tables,
        [("lower", "angle = 0")] * 3 + [("upper", "angle = 0")] * 3,
    )
    return run(load_job(path), jobs=2)


def test_widths_of_the_stepped_plies_of_two_troughs(stepped):
    assert len(stepped.plies) == 6
    for result in stepped.plies:
        k = result.ply.order - 1
        allowance = LAPS[k] if result.ply.half == "lower" else -BACKS[k]
        wanted = np.pi * (RADIUS - (k + 0.5) * PLY) + 2.0 * allowance
        across = np.ptp(result.piece.outlines[0].points[:, 1])
        assert across == pytest.approx(wanted, abs=0.05), result.ply.name
        assert result.piece.valid


def test_a_laps_end_lies_on_the_other_halfs_plies(troughs):
    """Lap 15 of the third ply: at its end three plies of the other half are under it."""
    own = troughs.region("lower")
    bed = replace(make_bed(troughs, "lower", 30.0), facet=0.1)
    laps = cloths(LAPS)
    heights = laying_heights(bed, laps[2], laps[:2], cloths(BACKS, -1.0))
    options = PieceOptions(
        start=centre(own),
        warp=np.array([1.0, 0.0, 0.0]),
        allowances={e.name: LAPS[2] if e.kind == "parting" else 0.0 for e in own.edges},
        height=2.5 * PLY,
        spacing=1.0,
    )
    piece = make_piece(own, options, laid=Laid(bed, heights))
    for name in RUNS:
        (part,) = piece.moved[name]
        inner = part.moved[5:-5]
        radius = np.hypot(inner[:, 1], inner[:, 2])
        assert (inner[:, 2] > 10.0).all()  # in the upper half
        assert radius == pytest.approx(RADIUS - 3.5 * PLY, abs=0.03)


BEND, SECTION = 80.0, 25.0


@pytest.mark.parametrize(("height", "lap"), [(0.0, 15.0), (0.33, 10.0)])
def test_laps_on_a_torus_end_at_radius_times_section_angle(height, lap):
    closed = closed_of(shapes.elbow(BEND, SECTION, 1.2, 48, 72), [1.0, 1.0, -1.0])
    own = closed.region("lower")
    bed = make_bed(closed, "lower", lap + 12.0)
    start = centre(own)
    at = place_of(own.surface, start)[0]
    along = np.array([BEND - at[1], at[0], 0.0])
    options = PieceOptions(
        start=start,
        warp=along,
        allowances={e.name: lap if e.kind == "parting" else 0.0 for e in own.edges},
        height=height,
        spacing=1.5,
    )
    piece = make_piece(own, options, laid=Laid(bed, np.full(len(bed.past), height)))
    for name in RUNS:
        assert piece.moved[name]
        for part in piece.moved[name]:
            points = part.moved[:, :3]
            out = np.hypot(points[:, 0], points[:, 1] - BEND) - BEND
            angle = np.arctan2(points[:, 2], np.abs(out))
            assert (points[:, 2] > 0.0).all()
            assert (SECTION - height) * angle == pytest.approx(lap, abs=0.05)


def test_laps_from_both_sides_of_a_narrow_hollow_dont_take_each_others_places():
    """Radius 9: 28 mm across the other half, laps of 12 from both runs and their margins."""
    closed = closed_of(shapes.trough(9.0, 60.0, 48, 40), [1.0, -1.0, -1.0])
    own = closed.region("lower")
    bed = make_bed(closed, "lower", 23.0)
    assert bed.meeting.any()
    options = PieceOptions(
        start=centre(own),
        warp=np.array([1.0, 0.0, 0.0]),
        allowances={e.name: 12.0 if e.kind == "parting" else 0.0 for e in own.edges},
        spacing=1.0,
    )
    piece = make_piece(own, options, laid=Laid(bed, np.zeros(len(bed.past))))
    across = np.ptp(piece.outlines[0].points[:, 1])
    assert across == pytest.approx(np.pi * 9.0 + 24.0, abs=0.05)
    assert piece.valid


@pytest.mark.parametrize(
    ("laps", "backs", "what"),
    [
        (90.0, 0.0, "lap passes the middle of the other half"),
        (10.0, 45.0, "set-back passes the middle of the ply"),
    ],
)
def test_laps_and_set_backs_that_cannot_be_are_one_line(tmp_path, laps, backs, what):
    tables = f'[joint]\nlap_half = "lower"\nlaps = [{laps}]\nset_backs = [{backs}]\nrun_off = 0'
    path = two_troughs(tmp_path, tables, [("lower", "angle = 0"), ("upper", "angle = 0")])
    with pytest.raises(InputError, match=re.escape(what)) as caught:
        run(load_job(path))
    assert "job.toml" in str(caught.value)
    assert caught.value.remedy


def test_one_half_alone_goes_on_straight(tmp_path):
    ply = {"half": "lower", "fabric": "twill", "angle": 0, "spacing": 2.0}
    job = {"fabrics": {"twill": TWILL}, "plies": [{**ply, "allowances": {"A-B.1": 10}}]}
    path = write_job(tmp_path, job, {"lower": shapes.trough(RADIUS, 80.0, 32, 20)})
    piece = run(load_job(path)).plies[0].piece
    (part,) = piece.moved["A-B.1"]
    assert np.ptp(part.moved[5:-5, 1]) < 5e-3
    assert abs(part.moved[5:-5, 1]) == pytest.approx(RADIUS - 0.5 * PLY, abs=0.02)  # a round: 2
