"""A half cone unrolls to a sector of a ring.

Source: a developable surface is isometric to the plane (key ``docarmo1976``). Half angle α
of the cone, distances ρ from the apex along the generators: the half cone's sector has the
angle π sin α. The parallel surface at height h is a cone with its apex moved up the axis:
what lay at ρ lies at ρ − h/tan α from the new apex.
"""

import numpy as np
import pytest
from draped import drape_piece
from exact import shapes
from helpers import corner_gap, gap, turned

FIRST, SECOND, LENGTH, HEIGHT = 20.0, 30.0, 100.0, 0.33
ALPHA = np.arctan2(SECOND - FIRST, LENGTH)
OUTLINE = 0.03  # mm
SHEAR = np.radians(0.05)


def piece(jitter, angle, side=0.0, end=0.0):
    along = np.array([np.cos(ALPHA), 0.0, -np.sin(ALPHA)])
    warp = np.cos(angle) * along + np.sin(angle) * np.array([0.0, 1.0, 0.0])
    return drape_piece(
        shapes.half_cone(FIRST, SECOND, LENGTH, 64, 40, jitter=jitter),
        [0.0, 0.0, -0.5 * (FIRST + SECOND)],
        warp,
        allowances={"edge.1": side, "edge.2": end, "edge.3": side, "edge.4": end},
        height=HEIGHT,
        spacing=2.0,
    )


def distances(end=0.0):
    """Distance from the (moved) apex of the near end, the start, the far end."""
    radii = np.array([FIRST, 0.5 * (FIRST + SECOND), SECOND])
    return radii / np.sin(ALPHA) - HEIGHT / np.tan(ALPHA) + [-end, 0.0, end]


def ring(side=0.0, end=0.0, count=2001):
    """Exact outline (n, 2) round the apex, and its four corners.

    Sides are lines parallel to the outermost generators. A lap lies past the end arcs:
    there they go on straight along their tangents.
    """
    near, _, far = distances(end)
    half = 0.5 * np.pi * np.sin(ALPHA)
    arcs, corners = [], []
    for reach, way in ((far, 1.0), (near, -1.0)):
        last = half - np.arcsin(max(0.0, -side) / reach)
        t = way * np.linspace(-last, last, count)
        arc = reach * np.stack([np.cos(t), np.sin(t)], -1)
        out = np.stack([-np.sin(t), np.cos(t)], -1)[[0, -1]] * way * max(0.0, side)
        tips = arc[[0, -1]] + out * [[-1.0], [1.0]]
        arcs.append(np.concatenate([tips[:1], arc, tips[1:]]))
        corners.append(tips)
    return np.concatenate(arcs), np.concatenate(corners)


def exact(angle, side=0.0, end=0.0):
    """Outline and corners in the cloth's axes."""
    return [turned(x - [distances()[1], 0.0], angle) for x in ring(side, end)]


@pytest.fixture(scope="module", params=[0, 30, 45])
def angle(request):
    return np.radians(request.param)


@pytest.fixture(scope="module", params=[0.0, 0.3], ids=["regular", "irregular"])
def jitter(request):
    return request.param


@pytest.mark.parametrize(("side", "end"), [(0.0, 0.0), (10.0, 0.0), (-5.0, 0.0), (0.0, 10.0)])
def test_outline_is_the_exact_sector(jitter, angle, side, end):
    got = piece(jitter, angle, side, end)
    assert np.nanmax(np.abs(got.net.shear)) <= SHEAR
    outline = got.outlines[0]
    sector, corners = exact(angle, side, end)
    assert gap(outline.points, sector) <= OUTLINE
    assert corner_gap(outline, corners) <= OUTLINE


def test_the_sides_open_by_the_sectors_angle(jitter):
    outline = piece(jitter, 0.0).outlines[0]
    way = {}
    for e in outline.edges:
        way[e.name] = outline.points[e.last] - outline.points[e.first]
    a, b = way["edge.1"], -way["edge.3"]
    opening = np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b)
    assert opening == pytest.approx(np.pi * np.sin(ALPHA), abs=SHEAR)
