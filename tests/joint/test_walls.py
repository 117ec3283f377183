"""Walls cut out of triangles, and the tuck on them, against exact section circles."""

import numpy as np
import pytest
from exact.split_tubes import Oval, SplitTube, Step, bend, straight

from drape.joint.tuck_plane import LapPly, tuck
from drape.joint.walls import wall_at
from drape.mould.rim_stretches import tangents

ELBOW = SplitTube(bend(80 * np.pi / 2, np.pi / 2), Oval(), 25, 25, flange=0)
UP = np.array([0.0, 0.0, 1.0])


def walls_along(mesh, run, closing):
    """The wall at each station (j, 3) of a run that is open."""
    along = tangents(run, False)
    return [
        wall_at(mesh.vertices, mesh.faces, at, d, closing) for at, d in zip(run, along, strict=True)
    ]


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize(("half", "sign"), [("upper", 1.0), ("lower", -1.0)])
def test_elbow(side, half, sign):
    """Bend 80, section 25: every wall is the section's half circle; lap 15 as on a trough.

    Only stations off the mouths, where the plane cuts all of the wall.
    """
    mesh = ELBOW.mesh(half, along=90, around=90)
    run = ELBOW.run(side, 41)
    walls = walls_along(mesh, run, sign * UP)[2:-2]
    assert len(walls) == 37
    for found, station in zip(walls, run[2:-2], strict=True):
        assert found.origin == pytest.approx(station, abs=0.02)
        wall = found.line
        assert wall[0].tolist() == [0.0, 0.0]
        # chords of the bend's facets: 53 to 105 (1 − cos(π/360)) inside the circle
        assert np.hypot(wall[:, 0] - 25, wall[:, 1]) == pytest.approx(25.0, abs=0.02)
        assert wall[len(wall) // 2, 1] > 24.0
        tucked = tuck(wall, LapPly("p", 15.0, 0.0), bulk=1.0, clearance=0.0)
        assert tucked.tip_mm == pytest.approx((25 * (1 - np.cos(0.6)), 25 * np.sin(0.6)), abs=0.03)


def test_stepped_run():
    """Where the run climbs, the plane still holds the closing direction."""
    tube = SplitTube(straight(120), Oval(), 25, 25, step=Step(20, 30, 60, True), flange=0)
    mesh = tube.mesh("upper", along=60, around=90)
    run = tube.run("left", 25)
    walls = walls_along(mesh, run, UP)[1:-1]
    assert len(walls) == 23
    for wall in walls:
        assert np.hypot(wall.line[:, 0] - 25, wall.line[:, 1]) == pytest.approx(25.0, abs=0.02)


def test_a_wall_that_is_not_there():
    mesh = ELBOW.mesh("upper", along=30, around=30)
    away = ELBOW.run("left", 11) + 5.0 * UP
    assert walls_along(mesh, away, UP) == [None] * 11
    assert walls_along(mesh, np.outer(np.arange(4.0), UP), UP) == [None] * 4  # along closing
