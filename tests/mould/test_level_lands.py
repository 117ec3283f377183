"""Cavities whose edge is no crease, against the exact line where a surface leaves the level.

Heightfields with closed forms: the cavity is where the exact height is below the flange's.
"""

import numpy as np
import pytest
import trimesh
from exact import shapes

from drape.errors import InputError
from drape.geometry.surface import build
from drape.mould.crease_patches import find_patches
from drape.mould.level_lands import LevelLands
from drape.mould.mould import find_mould

TURN = trimesh.transformations.euler_matrix(0.3, -0.5, 0.7)[:3, :3]
UP = TURN @ [0.0, 0.0, 1.0]


def panel(x, y):
    """A shallow dish of 40 mm, 3 mm deep, that runs out into its flange: 14° at most."""
    r = np.minimum(np.hypot(x, y) / 40.0, 1.0)
    return -3.0 * (1.0 - r * r) ** 2


def panel_edge():
    """Radius at which the dish is tilted by 0.5°: r(1 − r²) = tan(0.5°)·40/12, times 40."""
    r = np.roots([1.0, 0.0, -1.0, np.tan(np.radians(0.5)) * 40.0 / 12.0])
    return 40.0 * float(max(r.real[(r.real > 0) & (r.real < 1)]))


def rounded_trough(x, y):
    """A half-round trough of radius 20 with a rim rounded by 3 mm; its edge at |y| = 22.6…"""
    radius, rim = 20.0, 3.0
    y = np.abs(y)
    centre = np.sqrt((radius + rim) ** 2 - rim**2)  # of the rim's rounding, at height −3
    meet = radius / (radius + rim)
    wall = -np.sqrt(np.maximum(radius**2 - y**2, 0.0))
    top = -rim + np.sqrt(np.maximum(rim**2 - (y - centre) ** 2, 0.0))
    return np.where(y < meet * centre, wall, np.where(y < centre, top, 0.0))


def sheet(height, nx=90, ny=80, width=120.0, depth=110.0, jitter=0.3):
    vertices, faces = shapes.heightfield(height, width, depth, nx, ny, jitter=jitter)
    return build(vertices @ TURN.T + [3.0, -50.0, 12.0], faces)


def flat_area(surface, faces):
    """Area of faces seen along the closing direction."""
    return float(np.abs(surface.face_vectors[faces] @ UP).sum())


def test_no_crease_tells_the_edge_of_a_shallow_panel():
    assert find_patches(sheet(panel)).count == 1


@pytest.mark.parametrize("given", [None, UP])
def test_a_shallow_panel_is_cut_where_it_leaves_the_level(given):
    surface = sheet(panel)
    half = find_mould({"panel": surface}, closing=given).halves["panel"]
    cavity = np.setdiff1d(np.arange(len(surface.faces)), half.flange)
    assert len(half.flange) > 0
    ring = 2.0 * np.pi * panel_edge() * 1.5  # the edge runs along facets of 1.4 mm
    assert abs(flat_area(surface, cavity) - np.pi * panel_edge() ** 2) < ring
    assert len(half.region.edges) == 1  # a closed run, no mouth


def test_a_rounded_rim_belongs_to_the_cavity_where_facets_are_too_uneven_to_cut_it_off():
    surface = sheet(rounded_trough, nx=60, ny=160)
    mould = find_mould({"trough": surface})
    half = mould.halves["trough"]
    width = np.sqrt(23.0**2 - 3.0**2)  # where the rounding meets the flange
    cavity = np.setdiff1d(np.arange(len(surface.faces)), half.flange)
    step = 110.0 / 160.0
    assert flat_area(surface, cavity) / 120.0 == pytest.approx(2.0 * width, abs=2.5 * step)
    assert [m.name for m in mould.mouths] == ["A", "B"]
    assert sorted(mould.runs) == ["A-B.1", "A-B.2"]
    (said,) = [f for f in mould.findings if "rounded" in f.text]
    assert said.level == "warning"
    assert "[mould.parting]" in said.remedy


def test_a_block_has_an_outside():
    """A solid panel: its bottom and walls are neither flange nor cavity."""
    vertices, faces = shapes.heightfield(panel, 120.0, 110.0, 60, 60)
    half = trimesh.Trimesh(vertices, faces, process=False)
    rim = trimesh.grouping.group_rows(half.edges_sorted, require_count=1)
    start, end = half.edges[rim].T
    below = vertices * [1.0, 1.0, 0.0] - [0.0, 0.0, 15.0]
    n = len(vertices)
    walls = np.concatenate(
        [np.stack([start, start + n, end], 1), np.stack([end, start + n, end + n], 1)]
    )
    block = build(
        np.concatenate([vertices, below]) @ TURN.T,
        np.concatenate([faces, faces[:, ::-1] + n, walls]),
    )
    (found,) = find_mould({"block": block}).halves.values()
    inside = np.setdiff1d(np.arange(len(faces)), found.flange)
    ring = 2.0 * np.pi * panel_edge() * 2.0
    assert abs(flat_area(block, inside) - np.pi * panel_edge() ** 2) < ring
    assert found.flange.max() < len(faces)


@pytest.mark.parametrize("closing", [-UP, TURN @ [1.0, 0.0, 0.0]])
def test_along_other_directions_there_is_nothing(closing):
    assert LevelLands(sheet(panel)).classify(closing, 1) is None


def test_a_ramp_up_from_a_flange_is_flange():
    """Beside a shallow dish the flange rises by 4 mm over a gentle ramp to a level as high."""

    def height(x, y):
        return panel(x + 15.0, y) + np.clip(0.15 * (x - 30.0), 0.0, 4.0)

    surface = sheet(height, width=160.0)
    parts = LevelLands(surface).classify(UP, 1)
    place = ((surface.vertices - [3.0, -50.0, 12.0]) @ TURN)[surface.faces].mean(axis=1)
    assert parts.flange[place[:, 0] > 31.0].all()
    ring = 2.0 * np.pi * panel_edge() * 1.8
    assert abs(flat_area(surface, parts.cavity) - np.pi * panel_edge() ** 2) < ring


@pytest.mark.parametrize("step", [-2.5, 2.5])
def test_a_step_in_a_level_floor_makes_no_flange_of_it(step):
    """A trough 8 mm deep with walls of 16°, whose floor is level, steps by a ramp, and is level."""

    def height(x, y):
        floor = -8.0 + np.clip(y / 12.0, -0.5, 0.5) * step
        return np.minimum(np.maximum(0.29 * (np.abs(y) - 40.0), floor), 0.0)

    surface = sheet(height, nx=40, ny=120, jitter=0.0)
    (half,) = find_mould({"trough": surface}).halves.values()
    cavity = np.setdiff1d(np.arange(len(surface.faces)), half.flange)
    assert flat_area(surface, cavity) == pytest.approx(120.0 * 80.0, abs=120.0 * 2.0)


def test_a_flat_sheet_is_refused():
    with pytest.raises(InputError, match="flat"):
        find_mould({"sheet": sheet(lambda x, y: 0.0 * x)})
