"""Tuck of laps against trigonometry, written out here."""

import numpy as np
import pytest

from drape.errors import InputError
from drape.joint.tuck_plane import Cover, LapPly, Tuck, in_station_plane, tuck, tuck_findings

R = 25.0
BARE = {"bulk": 1.0, "clearance": 0.0}


def trough(radius=R, around=2000):
    """Half-round wall of the other half, from its edge to the far edge."""
    t = np.linspace(0.0, np.pi, around)
    return np.stack([radius * (1 - np.cos(t)), radius * np.sin(t)], 1)


def straight_wall(draft_deg, depth=60.0):
    """Plane wall; with positive draft it leans inward as it gets deeper into the other half."""
    d = np.radians(draft_deg)
    return np.array([[0.0, 0.0], [depth * np.sin(d), depth * np.cos(d)]])


def test_trough_with_nothing_else():
    """Lap 15 on R 25 turns by 0.6: in 25 (1 − cos 0.6) = 4.37, up 25 sin 0.6 = 14.1.

    Its chord leans by half the turn, 0.3.
    """
    found = tuck(trough(), LapPly("low-1", 15.0, 0.0), **BARE)
    assert found.tip_mm == pytest.approx((R * (1 - np.cos(0.6)), R * np.sin(0.6)), abs=1e-3)
    assert found.tip_mm == pytest.approx((4.37, 14.1), abs=0.02)
    assert found.tuck_mm == pytest.approx(4.367, abs=1e-3)
    assert np.radians(found.tuck_deg) == pytest.approx(0.3, abs=1e-4)
    assert found.press_back_mm == pytest.approx(0.0, abs=1e-9)


def test_trough_with_plies_and_clearance():
    """The other half's flush ply t, bulk b, clearance c; own ply t on one ply of its half.

    The lap's middle leaves its half at b (t + t/2) and must clear the wall by
    d = b t + c + b t/2: c farther in, which takes c of its length; the rest lies on a circle
    of radius R − d. In the closed mould it lies at b (t + t/2), on its own height.
    """
    t, b, c, lap = 0.3, 1.2, 0.5, 15.0
    ply = LapPly("low-2", lap, t, below=t, layers=(Cover(0.0, 100.0, t),))
    found = tuck(trough(), ply, bulk=b, clearance=c)
    d, root = b * t + c + b * t / 2, b * 1.5 * t
    radius = R - d
    turn = (lap - (d - root)) / radius
    tip = (R - radius * np.cos(turn), radius * np.sin(turn))
    assert found.tip_mm == pytest.approx(tip, abs=2e-3)
    assert found.tuck_mm == pytest.approx(tip[0] - root, abs=2e-3)
    assert found.tuck_deg == pytest.approx(np.degrees(np.arctan2(tip[0] - root, tip[1])), abs=0.01)
    rho = R - root
    closed = (R - rho * np.cos(lap / rho), rho * np.sin(lap / rho))
    assert found.closed_tip_mm == pytest.approx(closed, abs=2e-3)
    assert found.press_back_mm == pytest.approx(np.hypot(*np.subtract(tip, closed)), abs=3e-3)


def test_a_set_back_ply_is_in_the_way_from_its_edge_on():
    """Plane upright wall: t more from 6 mm on. The lap steps in there, which costs t of it."""
    t, lap = 0.4, 15.0
    ply = LapPly("low-1", lap, t, below=0.0, layers=(Cover(6.0, 100.0, t),))
    found = tuck(straight_wall(0.0), ply, **BARE)
    assert found.tip_mm == pytest.approx((t / 2 + t, lap - t), abs=1e-3)
    short = tuck(straight_wall(0.0), LapPly("low-1", 5.9, t, 0.0, ply.layers), **BARE)
    assert short.tip_mm == pytest.approx((t / 2, 5.9), abs=1e-3)


@pytest.mark.parametrize("draft_deg", [1.0, 5.0, 20.0])
def test_drafted_wall(draft_deg):
    """The lap leans in by the draft."""
    d = np.radians(draft_deg)
    found = tuck(straight_wall(draft_deg), LapPly("low-1", 15.0, 0.0), **BARE)
    assert found.tip_mm == pytest.approx((15 * np.sin(d), 15 * np.cos(d)), abs=1e-6)
    assert found.tuck_deg == pytest.approx(draft_deg, abs=1e-6)
    assert found.press_back_mm == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("draft_deg", [-1.0, -5.0, -20.0])
def test_undercut_wall(draft_deg):
    """The edge passes everything above it: the lap stands upright, and must be pressed back.

    By the chord between two places 15 from the edge, an angle δ apart: 30 sin(δ/2).
    """
    d = np.radians(-draft_deg)
    found = tuck(straight_wall(draft_deg), LapPly("low-1", 15.0, 0.0), **BARE)
    assert found.tip_mm == pytest.approx((0.0, 15.0), abs=1e-6)
    assert found.tuck_deg == pytest.approx(0.0, abs=1e-6)
    assert found.closed_tip_mm == pytest.approx((-15 * np.sin(d), 15 * np.cos(d)), abs=1e-6)
    assert found.press_back_mm == pytest.approx(30 * np.sin(d / 2), abs=1e-6)


def test_undercut_wall_with_a_ply_and_clearance():
    """What sticks in most is the ply's end at the edge, b t cos δ, then the lap's own half."""
    t, b, c, d = 0.3, 1.2, 0.5, np.radians(10.0)
    ply = LapPly("low-1", 15.0, t, layers=(Cover(0.0, 100.0, t),))
    found = tuck(straight_wall(-10.0), ply, bulk=b, clearance=c)
    reach, root = (b * t + c + b * t / 2) * np.cos(d), b * t / 2
    assert found.tip_mm[0] == pytest.approx(reach, abs=1e-6)
    # in along the parting surface, then up
    assert found.tip_mm[1] == pytest.approx(15.0 - (reach - root), abs=1e-3)


def test_a_bead_near_the_edge_shades_what_lies_above_it():
    """In by 2 to height 2, then out again by 4: the lap stays at 2 from there on."""
    wall = np.array([[0.0, 0.0], [2.0, 2.0], [-2.0, 6.0], [-2.0, 40.0]])
    found = tuck(wall, LapPly("low-1", 15.0, 0.0), **BARE)
    assert found.tip_mm == pytest.approx((2.0, 2.0 + 15.0 - np.hypot(2, 2)), abs=2e-3)
    # closed it lies in the hollow: two slopes of √8 and √32, the rest upright
    rest = 15.0 - np.sqrt(8) - np.sqrt(32)
    assert found.closed_tip_mm == pytest.approx((-2.0, 6.0 + rest), abs=2e-3)


def test_a_lid_turns_the_lap_flat():
    found = tuck([[0.0, 0.0], [80.0, 0.0]], LapPly("low-1", 15.0, 0.0), **BARE)
    assert found.tip_mm == pytest.approx((15.0, 0.0), abs=1e-9)
    assert found.tuck_deg == pytest.approx(90.0)


@pytest.mark.parametrize("name", ["trough", "drafted", "undercut", "bead", "waves"])
def test_clear_through_the_whole_travel(name):
    """The other half is lowered in small steps; no point of it may pass through the lap.

    Tips of laps of all lengths are the tucked lap itself.
    """
    z = np.linspace(0.0, 60.0, 400)
    wall = {
        "trough": trough(),
        "drafted": straight_wall(8.0),
        "undercut": straight_wall(-8.0),
        "bead": np.array([[0.0, 0.0], [2.0, 2.0], [-2.0, 6.0], [-2.0, 40.0]]),
        "waves": np.stack([1.5 * np.sin(z / 3) + 0.05 * z, z], 1),
    }[name]
    lengths = np.linspace(0.1, 15.0, 150)
    lap = np.array([tuck(wall, LapPly("p", s, 0.0), **BARE).tip_mm for s in lengths])
    wall = wall[: np.argmax(wall[:, 1]) + 1]  # past the top is the other run's wall
    dense = np.linspace(0, len(wall) - 1, 6000)
    dense = np.stack([np.interp(dense, np.arange(len(wall)), wall[:, k]) for k in range(2)], 1)
    for lift in np.linspace(0.0, 16.0, 60):
        height = dense[:, 1] + lift
        for x, h in lap:
            near = np.abs(height - h) < 0.01
            if near.any():
                assert dense[near, 0].max() <= x + 0.02
    # and no more tuck than needed: somewhere the lap touches what passes
    reach = np.array([dense[dense[:, 1] <= h + 1e-9, 0].max() for h in lap[:, 1]])
    assert lap[:, 0] == pytest.approx(np.maximum(reach, 0.0), abs=0.02)


def test_station_plane():
    """Turned and shifted: coordinates come back, whatever the length of the directions."""
    up, across = np.array([0.0, 0.6, 0.8]), np.array([1.0, 0.0, 0.0])
    points = np.array([3.0, -2.0, 5.0]) + np.outer([1.0, 4.0], across) + np.outer([2.0, -1.0], up)
    flat = in_station_plane(points, [3.0, -2.0, 5.0], 2 * across + 0.7 * up, 3 * up)
    assert flat == pytest.approx(np.array([[1.0, 2.0], [4.0, -1.0]]))


@pytest.mark.parametrize(
    ("wall", "lap", "match"),
    [
        (straight_wall(3.0, 12.0), 15.0, "longer than the other half's wall"),
        ([[0.0, 0.0]], 15.0, "two points or more"),
        (straight_wall(3.0), 0.0, "only a lap"),
    ],
)
def test_refused(wall, lap, match):
    with pytest.raises(InputError, match=match):
        tuck(wall, LapPly("low-1", lap, 0.0), **BARE)


def test_findings():
    steep = Tuck("low-2", 40.0, 12.0, 50.0, (12.5, 10.0), (12.5, 10.0), 0.0)
    mild = Tuck("low-1", 10.0, 2.0, 8.0, (2.5, 14.0), (2.5, 14.0), 0.0)
    assert tuck_findings([mild], "A-B.1", room=3.0, flange=15.0, laps=[15.0]) == ()
    found = tuck_findings([mild, steep], "A-B.1", room=12.0, flange=14.0, laps=[10.0, 15.0])
    assert [f.level for f in found] == ["risk"] * 3
    parts = ("tucked in by 50° (limit 45°), low-2", "bag", "flange")
    for part, finding in zip(parts, found, strict=True):
        assert part in finding.text
