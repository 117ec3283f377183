"""Rims that are rounded over, against where the wall's exact tangents meet the flange.

A circle's arc turned round an axis, or drawn out, touched by the rounding: its tangents there make
a cone or a plane, so that the edge and the areas have closed forms.
"""

import numpy as np
import pytest
from brims import brim_profile, brim_start, drawn, turned

from drape.geometry.surface import build
from drape.mould.mould import find_mould

RADIUS, DEPTH = 40.0, 26.0


def wall_end(brim, radius=RADIUS, depth=DEPTH):
    """Radius and height where the rounding begins, and the wall's angle there."""
    height = brim_start(radius, depth, brim)
    angle = np.arccos((radius - depth - height) / radius)
    return radius * np.sin(angle), height, angle


def bowl(brim, around=90, step=1.5, over=False):
    vertices, faces = turned(brim_profile(RADIUS, DEPTH, brim, 15.0, step), around)
    return build(vertices, faces[:, ::-1] if over else faces)


@pytest.mark.parametrize("over", [False, True], ids=["as it is", "turned over"])
@pytest.mark.parametrize("brim", [1.0, 2.0, 3.0])
def test_the_edge_is_where_the_walls_tangents_meet_the_flange(brim, over):
    mould = find_mould({"half": bowl(brim, over=over)}, closing=[0, 0, 1])
    (half,) = mould.halves.values()
    (edge,) = half.region.edges
    surface = half.region.surface
    end, height, angle = wall_end(brim)
    rise = -height / np.tan(angle)
    points = surface.vertices[edge.vertices]
    assert (edge.name, edge.kind, edge.closed) == ("rim.1", "parting", True)
    assert np.abs(points[:, 2]).max() < 1e-9
    assert np.abs(np.hypot(*points.T[:2]) - (end + rise)).max() < 0.02
    cap = 2.0 * np.pi * RADIUS * (DEPTH + height)
    cone = np.pi * (2.0 * end + rise) * np.hypot(height, rise)
    assert surface.face_areas.sum() == pytest.approx(cap + cone, rel=2e-3)
    assert np.allclose(np.abs(edge.sections @ [0, 0, 1]), 1.0)  # the flange cuts it out
    exact = np.array([-np.sin(angle), np.cos(angle)])  # of the cone, towards the hollow
    for f, k in np.argwhere(np.isin(surface.faces, edge.vertices)):
        x, y, _ = surface.vertices[surface.faces[f, k]]
        radial = np.array([x, y, 0.0]) / np.hypot(x, y)
        normal = exact[0] * radial + [0.0, 0.0, exact[1]]
        assert np.degrees(np.linalg.norm(surface.corner_normals[f, k] - normal)) < 0.3
    said = [f for f in mould.findings if "rounded" in f.text]
    assert [f.level for f in said] == ["note"]
    assert f"about {brim:.1f} mm" in said[0].text
    assert half.flange.max() < len(half.surface.faces)
    assert half.region.source_faces.max() < len(half.surface.faces)


@pytest.mark.parametrize("brim", [5.0, 8.0])
def test_a_gentle_rounding_is_the_cavitys_own_shape(brim):
    mould = find_mould({"half": bowl(brim)}, closing=[0, 0, 1])
    assert not [f for f in mould.findings if "rounded" in f.text]


def test_a_sharp_rim_stays():
    profile = brim_profile(RADIUS, DEPTH, 2.0, 15.0, 1.5)
    wall = profile[profile[:, 1] <= brim_start(RADIUS, DEPTH, 2.0) + 1e-9]
    land = np.stack([wall[-1, 0] + np.linspace(0, 15, 11)[1:], np.full(10, wall[-1, 1])], 1)
    mould = find_mould({"half": build(*turned(np.vstack([wall, land]), 90))})
    assert not [f for f in mould.findings if "rounded" in f.text]
    (half,) = mould.halves.values()
    assert np.ptp(half.region.surface.vertices[:, 2]) == pytest.approx(DEPTH + wall[-1, 1])


def test_a_pair_of_troughs_meets_between_its_flanges_and_its_groove_is_told():
    """The halves' edges lie in the flanges' plane; the groove between the rims is bridged."""
    vertices, faces = drawn(brim_profile(20.0, 17.0, 2.0, 12.0, 1.5), 120.0, 3.0)
    halves = {
        "lower": build(vertices, faces),
        "upper": build(vertices * [1.0, 1.0, -1.0], faces[:, ::-1]),
    }
    mould = find_mould(halves)
    end, height, angle = wall_end(2.0, 20.0, 17.0)
    assert mould.runs == ("A-B.1", "A-B.2")
    for half in mould.halves.values():
        for run in mould.runs:
            points = half.region.surface.vertices[half.region.edge(run).vertices]
            assert np.abs(points[:, 2]).max() < 1e-9
            assert np.abs(np.abs(points[:, 1]) - (end - height / np.tan(angle))).max() < 0.01
    said = [f for f in mould.findings if "bridge the groove" in f.remedy]
    assert [(f.level, f.where) for f in said] == [("warning", "lower"), ("warning", "upper")]
    assert not [f for f in mould.findings if "parting lines" in f.text]
