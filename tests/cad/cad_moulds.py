"""The set of CAD moulds: sizes, exact answers, and what a run has to say of each. All invented.

Written down before any of them was run. ``expected`` is "valid", "refused: WORD" (the first line
of the refusal has the word) or "valid or refused" (the shear passes 70°: either is right). Every
shape whose shear stays under 70° is to be valid at both tolerances.

Own frame: closing direction +z from the lower half into the upper, parting plane z = 0 unless
stepped. The meshes stand turned and shifted (``CadMould.placed``). Lengths in mm, angles in
radians, shear and draft in degrees (``_deg``).
"""

from __future__ import annotations

import numpy as np
from cad_mould import HEIGHT, LAP, CadMould
from cad_profiles import (
    arc_width,
    half_cone_outline,
    half_ellipse_width,
    half_ellipsoid_area,
    profile_width,
    rectangle,
    rounded,
    sphere_cap,
    spindle_area,
    stepped_outline,
)


def _one(x, y, z):
    return {"lower": (x, y, z)}


def _pair(x, y, z):
    return {"lower": (x, y, z), "upper": (x, y, -z)}


def _round_trough(radius, length, centre=0.0, lap=0.0):
    return lambda half: rectangle(length, arc_width(radius, centre, HEIGHT) + 2.0 * lap)


def _pan(profile, length):
    return lambda half: rectangle(length, profile_width(rounded(profile), HEIGHT))


def _step(step, *size):
    def outline(half):
        sign = 1.0 if half == "lower" else -1.0
        return stepped_outline(rounded(step), size, sign, HEIGHT)

    return outline


def _bend_area(radius, path):
    """Of half a round tube: πr × length of its centreline, bends as straights (Pappus)."""
    return np.pi * radius * sum(row[0] if len(row) == 1 else row[0] * abs(row[1]) for row in path)


def _cap(radius, centre=0.0):
    """Exact area, shear and radii of a ball's cap whose ply starts in its middle."""
    own = radius - HEIGHT
    shear, u = sphere_cap(np.arccos(centre / own))
    return {
        "area": 2.0 * np.pi * radius * (radius - centre),
        "shear_deg": float(np.degrees(shear)),
        "radii": (own * float(np.arccos(centre / own)), own * u * np.sqrt(2.0)),
    }


def _cone_radius(first, last, length, x):
    """At ``x`` on a cone that touches the ball of radius ``last`` round the origin."""
    lean = np.arcsin((first - last) / length)
    return float(last * np.cos(lean) + (last * np.sin(lean) - x) * np.tan(lean))


def _on_cap(radius, centre=0.0):
    return _one(0.0, 0.0, centre - radius)


# --- developable -----------------------------------------------------------------------

PAN = [(-31.0, 0.0, 0.0), (-26.3, -22.0, 8.0), (26.3, -22.0, 8.0), (31.0, 0.0, 0.0)]  # 12° draft
TIGHT = [(-24.0, 0.0, 0.0), (-17.0, -19.0, 3.0), (17.0, -19.0, 3.0), (24.0, 0.0, 0.0)]  # 20°
JOGGLE = [
    (-46.0, 0.0, 0.0), (-37.0, -15.0, 6.0), (-8.0, -15.0, 10.0), (4.0, -19.0, 10.0),
    (35.0, -19.0, 6.0), (46.0, 0.0, 0.0),
]  # fmt: skip
STEP = [(-150.0, 0.0, 0.0), (-14.0, 0.0, 12.0), (3.0, 6.0, 12.0), (150.0, 6.0, 0.0)]
SHALLOW_JOGGLE = [
    (-52.0, 0.0, 0.0), (-24.0, -8.0, 30.0), (-6.0, -8.0, 20.0), (8.0, -10.5, 20.0),
    (22.0, -10.5, 30.0), (55.0, 0.0, 0.0),
]  # fmt: skip

S20 = (np.sin(0.2), np.cos(0.2))  # a place off the bottom of round troughs: no vertex there

DEVELOPABLE = (
    CadMould(
        "groove", "bar", {"radius": 21.5, "length": 137.0, "flange": 24.0},
        _one(7.3, 21.5 * S20[0], -21.5 * S20[1]),
        outline=_round_trough(21.5, 137.0), area=np.pi * 21.5 * 137.0,
        why="the plainest job there is: vertices only at its two ends",
    ),
    CadMould(
        "groove sheet", "bar", {"radius": 14.2, "length": 173.0, "flange": 19.0},
        _one(-11.0, 14.2 * S20[0], -14.2 * S20[1]), form="sheet",
        outline=_round_trough(14.2, 173.0), area=np.pi * 14.2 * 173.0,
    ),
    CadMould(
        "groove pair", "bar", {"radius": 23.7, "length": 118.0, "flange": 26.0},
        _pair(5.1, 23.7 * S20[0], -23.7 * S20[1]), lap=True,
        outline=lambda half: _round_trough(23.7, 118.0, lap=LAP * (half == "lower"))(half),
        area=np.pi * 23.7 * 118.0, why="the lower half's lap lies on the upper half",
    ),
    CadMould(
        "half cone", "cone", {"first": 16.3, "second": 27.9, "length": 149.0, "flange": 22.0},
        _one(4.0, 0.0, -(16.3 + (27.9 - 16.3) * (0.5 + 4.0 / 149.0))),
        outline=lambda half: half_cone_outline(16.3, 27.9, 149.0, HEIGHT),
        area=np.pi * (16.3 + 27.9) / 2.0 * float(np.hypot(149.0, 27.9 - 16.3)),
    ),
    CadMould(
        "elliptic groove", "oval bar",
        {"half_width": 30.5, "depth": 18.2, "length": 121.0, "flange": 21.0},
        _one(6.0, 30.5 * S20[0], -18.2 * S20[1]),
        outline=lambda half: rectangle(121.0, half_ellipse_width(30.5, 18.2, HEIGHT)),
        area=121.0 * half_ellipse_width(30.5, 18.2),
    ),
    CadMould(
        "deep elliptic sheet", "oval bar",
        {"half_width": 15.1, "depth": 26.4, "length": 142.0, "flange": 17.0},
        _one(-8.0, 15.1 * S20[0], -26.4 * S20[1]), form="sheet",
        outline=lambda half: rectangle(142.0, half_ellipse_width(15.1, 26.4, HEIGHT)),
        area=142.0 * half_ellipse_width(15.1, 26.4),
    ),
    CadMould(
        "filleted trough", "trough", {"profile": PAN, "length": 163.0, "flange": 23.0},
        _one(9.0, 2.7, -22.0), outline=_pan(PAN, 163.0), area=163.0 * profile_width(rounded(PAN)),
    ),
    CadMould(
        "tight trough sheet", "trough", {"profile": TIGHT, "length": 131.0, "flange": 20.0},
        _one(-6.0, 1.9, -19.0), form="sheet",
        outline=_pan(TIGHT, 131.0), area=131.0 * profile_width(rounded(TIGHT)),
    ),
    CadMould(
        "joggled trough", "trough", {"profile": JOGGLE, "length": 127.0, "flange": 18.0},
        _one(3.0, -21.0, -15.0), outline=_pan(JOGGLE, 127.0),
        area=127.0 * profile_width(rounded(JOGGLE)),
    ),
    CadMould(
        "bent sheet", "bar", {"radius": 61.0, "length": 182.0, "flange": 27.0, "centre": 33.0},
        _one(-12.0, 61.0 * S20[0], 33.0 - 61.0 * S20[1]), form="sheet",
        outline=_round_trough(61.0, 182.0, 33.0),
        area=182.0 * arc_width(61.0, 33.0), why="its rim turns by 57°",
    ),
    CadMould(
        "shallow panel", "bar", {"radius": 118.0, "length": 154.0, "flange": 25.0, "centre": 109.0},
        _one(9.0, 11.0, 109.0 - float(np.sqrt(118.0**2 - 11.0**2))),
        outline=_round_trough(118.0, 154.0, 109.0), area=154.0 * arc_width(118.0, 109.0),
        why="its rim turns by 23°: less than a crease",
    ),
    CadMould(
        "shallow joggle sheet", "trough",
        {"profile": SHALLOW_JOGGLE, "length": 139.0, "flange": 24.0},
        _one(5.0, -14.0, -8.0), form="sheet", outline=_pan(SHALLOW_JOGGLE, 139.0),
        area=139.0 * profile_width(rounded(SHALLOW_JOGGLE)), why="its rims turn by 16° and 18°",
    ),
    CadMould(
        "groove with rounded rim", "bar",
        {"radius": 20.3, "length": 133.0, "flange": 25.0, "rim": 2.0},
        _one(-9.0, 20.3 * S20[0], -20.3 * S20[1]),
        outline=_round_trough(20.3, 133.0), area=np.pi * 20.3 * 133.0,
        why="the edge is where the cavity's tangent continuation meets the parting plane",
    ),
    CadMould(
        "stepped parting line", "stepped",
        {"radius": 19.4, "straight": 9.0, "step": STEP, "length": 146.0, "flange": 23.0},
        {"lower": (2.0, 4.1, -9.0 - float(np.sqrt(19.4**2 - 4.1**2))),
         "upper": (2.0, 4.1, 9.0 + float(np.sqrt(19.4**2 - 4.1**2)))},
        outline=_step(STEP, 19.4, 9.0, 146.0), why="6 mm along a ramp of 19°, walls upright there",
    ),
)  # fmt: skip

# --- doubly curved ---------------------------------------------------------------------

BEND = [(47.0,), (63.0, 1.12), (33.0,)]
GENTLE = [(26.0,), (112.0, 0.71), (38.0,)]
DOUBLE = [(31.0,), (74.0, 0.55), (92.0, -0.62), (28.0,)]
QUARTER = [(71.0, np.pi / 2.0)]
ELBOW = [(94.0, 0.93)]
RIGGER = [(22.0,), (83.0, 0.66), (24.0,)]


def _on_path(path, length, depth):
    """Point at the bottom (or top) of a tube, ``length`` along its centreline."""
    at, heading = 0.0 + 0.0j, 1.0 + 0.0j  # the plane z = 0 as complex numbers
    for row in path:
        radius, turn = (row[0], 0.0) if len(row) == 1 else row
        whole = radius * (abs(turn) or 1.0)
        part = min(length / whole, 1.0)
        turned = np.exp(1j * turn * part)
        side = 1j * np.sign(turn) * radius
        at += heading * (side * (1.0 - turned) if turn else whole * part)
        heading *= turned
        length -= whole * part
    return (float(at.real), float(at.imag), -depth)


TRAY = {"length": 104.0, "width": 69.0, "depth": 21.0, "flange": 23.0}
CURVED = (
    CadMould("hemisphere", "ball", {"radius": 37.0, "flange": 21.0}, _on_cap(37.0), **_cap(37.0)),
    CadMould(
        "bowl sheet", "ball", {"radius": 52.0, "flange": 18.0, "centre": 24.0},
        _on_cap(52.0, 24.0), form="sheet", **_cap(52.0, 24.0), why="its rim turns by 62°",
    ),
    CadMould(
        "shallow dome", "ball", {"radius": 146.0, "flange": 22.0, "centre": 136.5},
        _on_cap(146.0, 136.5), **_cap(146.0, 136.5), why="its rim turns by 21°",
    ),
    CadMould(
        "ellipsoid", "ellipsoid", {"a": 61.0, "b": 33.5, "c": 20.5, "flange": 22.0},
        _one(2.0, 0.0, -20.5 * float(np.sqrt(1 - (2.0 / 61.0) ** 2))),
        area=half_ellipsoid_area(61.0, 33.5, 20.5),
    ),
    CadMould(
        "long ellipsoid sheet", "ellipsoid", {"a": 88.0, "b": 18.5, "c": 23.0, "flange": 16.0},
        _one(-3.0, 0.0, -23.0 * float(np.sqrt(1 - (3.0 / 88.0) ** 2))),
        area=half_ellipsoid_area(88.0, 18.5, 23.0), form="sheet",
    ),
    CadMould(
        "tube with one end", "capsule",
        {"radius": 23.5, "length": 72.0, "flange": 20.0, "closed": 1},
        _one(-31.0, 0.0, -23.5), shear_deg=float(np.degrees(sphere_cap(np.pi / 2)[0])),
        area=np.pi * 23.5 * 72.0 + np.pi * 23.5**2, why="sheared as a hemisphere's quarters are",
    ),
    CadMould(
        "tube with two ends", "capsule",
        {"radius": 17.8, "length": 83.0, "flange": 22.0, "closed": 2},
        _pair(-40.0, 0.0, -17.8), lap=True, area=np.pi * 17.8 * 83.0 + 2.0 * np.pi * 17.8**2,
        shear_deg=float(np.degrees(sphere_cap(np.pi / 2)[0])),
    ),
    CadMould(
        "canoe nose", "nose",
        {"radius": 21.0, "depth": 16.5, "nose": 54.0, "length": 68.0, "flange": 19.0},
        _one(-22.0, 0.0, -16.5),
        area=half_ellipsoid_area(54.0, 21.0, 16.5) / 2.0 + 68.0 * half_ellipse_width(21.0, 16.5),
    ),
    CadMould(
        "canoe", "spindle", {"half_length": 92.0, "radius": 23.0, "flange": 18.0},
        _one(4.0, 0.0, -(float(np.sqrt(195.5**2 - 4.0**2)) - 172.5)),
        area=spindle_area(92.0, 23.0), why="an arc of radius 195.5 turned round its chord",
    ),
    CadMould(
        "boom tip", "boom tip", {"first": 25.0, "last": 15.5, "length": 96.0, "flange": 20.0},
        _one(-47.0, 0.0, -_cone_radius(25.0, 15.5, 96.0, -47.0)),
        why="a cone that ends in a ball, tangent",
    ),
    CadMould(
        "pipe bend", "tube", {"path": BEND, "section": ("circle", 18.3), "flange": 21.0},
        _pair(*_on_path(BEND, 80.0, 18.3)), lap=True, area=_bend_area(18.3, BEND),
    ),
    CadMould(
        "pipe bend sheet", "tube", {"path": GENTLE, "section": ("circle", 22.1), "flange": 24.0},
        _one(*_on_path(GENTLE, 66.0, 22.1)), form="sheet", area=_bend_area(22.1, GENTLE),
    ),
    CadMould(
        "double bend sheets", "tube", {"path": DOUBLE, "section": ("circle", 15.6), "flange": 18.0},
        _pair(*_on_path(DOUBLE, 70.0, 15.6)), form="sheet", lap=True,
        area=_bend_area(15.6, DOUBLE), why="bends that turn against each other, tangent",
    ),
    CadMould(
        "quarter torus", "tube", {"path": QUARTER, "section": ("circle", 16.4), "flange": 19.0},
        _one(*_on_path(QUARTER, 55.0, 16.4)), area=_bend_area(16.4, QUARTER),
    ),
    CadMould(
        "elbow", "tube", {"path": ELBOW, "section": ("ellipse", 25.5, 15.2), "flange": 20.0},
        _pair(*_on_path(ELBOW, 42.0, 15.2)),
        area=half_ellipse_width(25.5, 15.2) * 94.0 * 0.93, lap=True,
    ),
    CadMould(
        "rounded elbow", "tube",
        {"path": RIGGER, "section": ("circle", 19.2), "flange": 24.0, "rim": 2.5},
        _pair(*_on_path(RIGGER, 50.0, 19.2)),
        area=_bend_area(19.2, RIGGER), lap=True, why="a groove between two rounded rims",
    ),
    CadMould(
        "tray 5", "tray", {**TRAY, "draft": 5.0, "fillet": 8.0}, _one(3.0, 2.0, -21.0),
        expected="valid or refused", why="80° in its corners: 2 atan(tan²(45° − δ/2))",
    ),
    CadMould(
        "tray 15", "tray", {**TRAY, "draft": 15.0, "fillet": 8.0}, _one(3.0, 2.0, -21.0),
        why="at most 61°",
    ),
    CadMould(
        "tray 25", "tray", {**TRAY, "draft": 25.0, "fillet": 8.0}, _one(3.0, 2.0, -21.0),
        why="at most 44°",
    ),
    CadMould(
        "tight tray 15 sheet", "tray", {**TRAY, "draft": 15.0, "fillet": 3.0},
        _one(3.0, 2.0, -21.0), form="sheet", why="at most 61°",
    ),
    CadMould(
        "tight tray 25", "tray", {**TRAY, "draft": 25.0, "fillet": 3.0}, _one(3.0, 2.0, -21.0),
        why="at most 44°",
    ),
    CadMould(
        "tray with rounded rim", "tray",
        {"length": 118.0, "width": 74.0, "depth": 19.0, "flange": 25.0, "draft": 20.0,
         "fillet": 7.0, "rim": 1.5},
        _one(-4.0, 3.0, -19.0), why="at most 52°",
    ),
    CadMould(
        "shallow tray", "tray",
        {"length": 132.0, "width": 87.0, "depth": 9.0, "flange": 21.0, "draft": 55.0,
         "fillet": 9.0},
        _one(5.0, -3.0, -9.0), why="its rim turns by 35°; at most 11°",
    ),
    CadMould(
        "fork", "fork",
        {"middle": 26.0, "radius": 15.0, "angles": (0.0, 2.01, 4.15), "length": 84.0,
         "fillet": 5.0, "flange": 16.0},
        _pair(1.0, 0.0, -float(np.sqrt(26.0**2 - 1.0))),
        why="arms at 115°, 123° and 122° from a ball",
    ),
    CadMould(
        "sharp fork", "tee",
        {"radius": 16.0, "branch": 16.0, "length": 88.0, "fillet": 0.0, "flange": 17.0,
         "angles": (0.0, 2.05, 4.24)},
        _one(5.0, 2.0, -float(np.sqrt(16.0**2 - 2.0**2))),
        why="arms that meet in creases; the walls turn by 62°, 54° and 63°",
    ),
    CadMould(
        "tee", "tee", {"radius": 21.0, "branch": 14.5, "length": 82.0, "fillet": 4.0,
                       "flange": 18.0},
        _one(-6.0, 1.0, -float(np.sqrt(21.0**2 - 1.0))),
        expected="valid or refused", why="90° corners: −90° of curvature each",
    ),
)  # fmt: skip

# --- spoilt ----------------------------------------------------------------------------

SPOILT = (
    CadMould(
        "halves apart", "bar", {"radius": 18.8, "length": 104.0, "flange": 21.0},
        _pair(5.0, 18.8 * S20[0], -18.8 * S20[1]), fault="gap",
        expected="refused: gap", why="0.8 mm between the flanges",
    ),
    CadMould(
        "half end for end", "tube", {"path": BEND, "section": ("circle", 16.9), "flange": 20.0},
        _pair(*_on_path(BEND, 80.0, 16.9)), fault="swapped",
        expected="refused: end for end", why="the upper half turned by 180° about the closing",
    ),
    CadMould(
        "half twice", "tube", {"path": GENTLE, "section": ("circle", 17.7), "flange": 20.0},
        _pair(*_on_path(GENTLE, 66.0, 17.7)), fault="twice",
        expected="refused: same half", why="the lower half's mesh under the upper's name",
    ),
    CadMould(
        "inches", "bar", {"radius": 24.0, "length": 127.0, "flange": 25.0},
        _one(0.2, 24.0 * S20[0] / 25.4, -24.0 * S20[1] / 25.4), fault="inch",
        expected="refused: units", why="a mesh in inches, named mm: a part 5 mm long",
    ),
)  # fmt: skip

ALL = DEVELOPABLE + CURVED + SPOILT
