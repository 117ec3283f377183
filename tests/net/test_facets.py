"""Nodes where the smooth patches give no answer: found on the facets, and counted.

A flat sheet with vertex normals that lean anyhow has patches that fold; its facets are
still flat, so that the exact answer is the plane (elementary geometry).

Tries out ``layup/coverage`` as well.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from draped import place, sheet
from exact import shapes

from drape.geometry.surface import build, unit
from drape.layup.coverage import Coverage, coverage, reach_findings
from drape.mould.closed.extension import extend
from drape.net import cells
from drape.net.solver import NetOptions, solve_net

LEAN = 85.0  # degrees, root mean square
MESH = shapes.heightfield(lambda x, y: 0.0 * x, 60.0, 60.0, 20, 20)


def spoilt(lean_deg, half_width=9.0):
    """Flat, with normals that lean by about ``lean_deg`` in a square about (15, 15)."""
    vertices, faces = MESH
    rng = np.random.default_rng(5)
    lean = np.tan(np.radians(lean_deg)) * rng.normal(size=(len(vertices), 2))
    far = np.abs(vertices[:, :2] - 15.0).max(axis=1) > half_width
    lean[far] = 0.0
    normals = unit(np.column_stack([lean, np.ones(len(vertices))]))
    return build(vertices, faces, corner_normals=normals[faces])


def net_on(surface):
    region = sheet(surface)
    return solve_net(
        surface,
        place(region, [-8.0, -8.0, 0.0]),
        np.array([1.0, 0.2, 0.0]),
        NetOptions(spacing=1.0, grow=False),
    )


def test_a_clean_sheet_needs_no_facets():
    assert net_on(spoilt(0.0)).nodes_on_facets == 0


def plane_places(net):
    """(p, q, 2) of the nodes' faces and weights on the flat facets."""
    b = net.rows[..., 12:14]
    weights = np.stack([1.0 - b.sum(axis=-1), b[..., 0], b[..., 1]], -1)
    corners = net.surface.vertices[net.surface.faces[np.where(net.known, net.faces, 0)]]
    return np.einsum("ijk,ijkc->ijc", weights, corners)[..., :2]


def test_folded_patches_are_crossed_on_facets():
    """A node found on flat facets is a side from two neighbours in the plane, whatever the
    patches above do."""
    net = net_on(spoilt(LEAN))
    assert net.nodes_on_facets > 2
    assert not net.on_facets[~net.known].any()
    places = plane_places(net)
    for i, j in np.argwhere(net.on_facets):
        off = [
            abs(np.linalg.norm(places[i, j] - places[a, b]) - 1.0)
            for a, b in ((i - 1, j), (i + 1, j), (i, j - 1), (i, j + 1))
            if net.known[a, b]
        ]
        assert sorted(off)[1] < 1e-6


def test_the_findings_say_how_many():
    surface = spoilt(LEAN)
    net = net_on(surface)
    flat = np.zeros(len(surface.faces), bool)
    found = reach_findings(net, Coverage(1.0, 0.0, ()), sheet(surface), flat, "ply")
    told = [f.text for f in found if "flat facets" in f.text]
    assert len(told) == 1
    assert f"at {net.nodes_on_facets} of {net.known.sum()} crossings" in told[0]


def test_what_is_not_reached_is_told_with_its_place():
    """A net cut short at x = ±15 by hand: two strips of 60 × 15 mm stay bare."""
    surface = build(*MESH)
    region = sheet(surface)
    start = place(region, [0.0, 0.0, 0.0])
    extended = extend(region, surface, 1.0, 5.0)
    net = solve_net(
        extended.surface, start, np.array([1.0, 0.0, 0.0]), NetOptions(1.0), level=extended.level
    )
    state = net.state.copy()
    state[np.abs(net.u) > 15.0] = cells.OUTSIDE
    short = replace(net, state=state)
    cover = coverage(region, surface, short, shapely.box(-100.0, -100.0, 100.0, 100.0))
    assert len(cover.patches) == 2
    assert cover.covered + cover.unreached == pytest.approx(3600.0, rel=1e-6)
    for area, middle in cover.patches:
        assert area == pytest.approx(900.0, rel=1e-6)
        assert np.abs(middle) == pytest.approx([22.5, 0.0, 0.0], abs=2.0)
    message = reach_findings(short, cover, region, extended.turned_over(), "ply")[0].text
    assert message.startswith("the cloth can't reach 1800 mm² of the cavity: 900 mm² at (")
