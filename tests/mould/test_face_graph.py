"""Slivers: what they are, and that they join no flange to a cavity.

Tries out ``mould/crease_patches`` as well.
"""

import numpy as np
import pytest
from brims import drawn
from exact import shapes

from drape.geometry.surface import build
from drape.mould.crease_patches import find_patches
from drape.mould.face_graph import face_graph, find_slivers
from drape.mould.mould import find_mould


def groove(low, rough=0.0):
    """A half-round groove with sharp rims; its flanges begin with slivers ``low`` mm high.

    ``rough``: how far, to and fro, their outer vertices stand above and below the flange, mm.
    """
    turn = np.linspace(0.0, np.pi / 2.0, 13)
    wall = np.stack([20.0 * np.sin(turn), -20.0 * np.cos(turn)], 1)
    land = np.array([[20.0 + low, 0.0], [45.0, 0.0]])
    vertices, faces = drawn(np.vstack([wall, land]), 120.0, 9.0)
    at = np.flatnonzero(np.abs(np.abs(vertices[:, 1]) - 20.0 - low) < 0.1 * low)
    vertices[at, 2] += rough * np.where(np.arange(len(at)) % 4 < 2, 1.0, -1.0)
    return build(vertices.astype(np.float32), faces)


@pytest.mark.parametrize("low", [2.0, 1e-3, 5e-4])
def test_slivers_along_a_rim_dont_join_flange_and_cavity(low):
    surface = groove(low)
    assert find_slivers(surface).any() == (low < 1.0)
    assert find_patches(surface).count == 3
    (half,) = find_mould({"groove": surface}).halves.values()
    area = half.surface.face_areas[half.flange].sum()
    assert area == pytest.approx(2.0 * 25.0 * 120.0, rel=1e-4)
    assert len(half.region.surface.faces) + len(half.flange) == len(surface.faces)


def test_slivers_have_their_neighbours_normals():
    """The flange's or the wall's last facet's, whose edges with them are as long.

    Their own lean by up to 11° here.
    """
    graph = face_graph(groove(5e-4, rough=1e-4))
    lean = np.pi / 48.0  # of the wall's last facet: half a step
    known = [[0.0, 0.0, 1.0]] + [[0.0, s * np.cos(lean), np.sin(lean)] for s in (1.0, -1.0)]
    off = np.abs(graph.normals[graph.sliver][:, None] - np.array(known)).max(axis=2).min(axis=1)
    assert graph.sliver.sum() > 20
    assert off.max() < 1e-4


def test_fine_facets_of_a_large_part_are_no_slivers():
    """A detail of facets 15 µm wide beside one of 2 m."""
    detail, faces = shapes.heightfield(lambda x, y: 0.0 * x, 0.3, 0.3, 20, 20)
    far = np.array([[1000.0, 0.0, 0.0], [2000.0, 0.0, 0.0], [1000.0, 1500.0, 0.0]])
    surface = build(np.vstack([detail, far]), np.vstack([faces, len(detail) + np.arange(3)[None]]))
    assert not find_slivers(surface).any()
