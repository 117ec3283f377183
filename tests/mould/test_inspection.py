"""Measures of a half, against closed forms."""

import numpy as np
import pytest
from exact.split_tubes import Box, Oval, SplitTube, straight
from scipy.special import ellipe

from drape.geometry.surface import build
from drape.mould.inspection import inspect_half, tight_zones
from drape.mould.mould import find_mould


def inspected(tube, seed=None):
    mesh = tube.mesh("lower", "solid", along=80, around=100, seed=seed)
    mould = find_mould({"lower": build(mesh.vertices, mesh.faces)})
    return inspect_half(mould.halves["lower"], mould.closing)


@pytest.mark.parametrize("seed", [None, 3])
def test_half_round_trough(seed):
    """r = 25, length 200: area π r l, lengths 2 l and π r, radius r, no undercut."""
    measured = inspected(SplitTube(straight(200), Oval(), 25, 25), seed)
    assert measured.cavity_area_mm2 == pytest.approx(np.pi * 25 * 200, rel=1e-3)
    assert measured.parting_length_mm == pytest.approx(400.0, rel=1e-6)
    assert set(measured.mouth_lengths_mm) == {"A", "B"}
    for length in measured.mouth_lengths_mm.values():
        assert length == pytest.approx(np.pi * 25, rel=1e-3)
    assert measured.smallest_inside_radius_mm == pytest.approx(25.0, rel=0.02)
    assert measured.undercut_area_mm2 == 0.0


def test_elliptic_trough():
    """Half-axes 30 and 18: mouth 2 a E(e²), smallest radius d²/a at the parting line."""
    measured = inspected(SplitTube(straight(200), Oval(), 30, 18))
    assert measured.mouth_lengths_mm["A"] == pytest.approx(60 * ellipe(1 - 0.36), rel=1e-3)
    assert measured.smallest_inside_radius_mm == pytest.approx(18**2 / 30, rel=0.05)


def test_fillets_and_sharp_corners():
    """A fillet of 6 mm is read within 10 % on ten facets; a sharp corner has radius 0."""
    filleted = inspected(SplitTube(straight(200), Box(np.radians(5.0), 6.0), 26, 22))
    assert filleted.smallest_inside_radius_mm == pytest.approx(6.0, rel=0.1)
    sharp = inspected(SplitTube(straight(200), Box(np.radians(5.0)), 26, 22))
    assert sharp.smallest_inside_radius_mm == 0.0


def test_walls_that_lean_in_are_undercut():
    """Draft −5°, sharp corners: two walls of 22 / cos 5° by 200 mm."""
    measured = inspected(SplitTube(straight(200), Box(np.radians(-5.0)), 26, 22))
    exact = 2 * 22 / np.cos(np.radians(5.0)) * 200
    assert measured.undercut_area_mm2 == pytest.approx(exact, rel=1e-6)


@pytest.mark.parametrize(("least", "count"), [(6.0, 2), (3.5, 0)])
def test_tight_zones_are_the_fillets(least, count):
    """Two fillets of 4 mm along a box of 26 × 22: zones where 6 mm is asked for, none for 3.5.

    A fillet of 4 on walls at 85° is 4 × 1.484 = 5.9 mm round, 200 long, but for the rims.
    """
    tube = SplitTube(straight(200), Box(np.radians(5.0), 4.0), 26, 22)
    mesh = tube.mesh("lower", along=50, around=120)
    surface = build(mesh.vertices, mesh.faces[mesh.cavity])
    zones = tight_zones(surface, np.full(len(surface.faces), least))
    assert len(zones) == count
    for zone in zones:
        assert zone.radius == pytest.approx(4.0, rel=0.1)
        area = surface.face_areas[zone.faces].sum()
        assert area == pytest.approx(4.0 * np.radians(85) * 200, rel=0.15)
    sides = {np.sign(z.centre[1]) for z in zones}
    assert len(sides) == count


def test_tight_zones_are_sharp_corners():
    """Two sharp corners along the floor: radius 0, whatever is asked for."""
    mesh = SplitTube(straight(200), Box(np.radians(5.0)), 26, 22).mesh("lower", around=40)
    surface = build(mesh.vertices, mesh.faces[mesh.cavity])
    zones = tight_zones(surface, np.full(len(surface.faces), 0.1))
    assert [z.radius for z in zones] == [0.0, 0.0]
