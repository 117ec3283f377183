"""Rims of CAD moulds against the exact curves: straights of 100 mm beside arcs in steps of 6 mm.

Their chords are 0.2 and 0.02 mm off; a spline through their vertices was up to 25 mm off.
"""

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from cad_mould import TOLERANCES
from cad_moulds import ALL
from cad_rims import off_rim

from drape.mould.mould import find_mould
from drape.mould.reading import read_surface
from drape.mould.run_line import edge_curve, smooth_parts

BY_NAME = {m.name: m for m in ALL}
LIMITS = {0.2: 0.06, 0.02: 0.007}  # mm
NAMES = (
    "groove", "bent sheet", "shallow panel", "stepped parting line", "hemisphere", "bowl sheet",
    "shallow dome", "ellipsoid", "long ellipsoid sheet", "tube with one end", "tube with two ends",
    "canoe nose", "canoe", "pipe bend", "pipe bend sheet", "double bend sheets", "quarter torus",
    "elbow", "tray 5", "tray 15", "tray 25", "tight tray 15 sheet", "tight tray 25",
    "shallow tray",
)  # fmt: skip
COARSER = {
    ("tight tray 25", 0.2): 0.12,  # 90° of its corners is a single chord
    ("canoe", 0.2): 0.07,  # where it is pointed there is no one normal
}
POINTED = {"canoe"}  # kinks at its ends
SQUARE = np.cos(np.radians(60.0))


def lower_half(mould, deviation, folder):
    vertices, faces = mould.meshes(deviation)["lower"]
    trimesh.Trimesh(vertices, faces, process=False).export(folder / "half.stl")
    return find_mould({"lower": read_surface(folder / "half.stl")[0]}).halves["lower"].region


@pytest.mark.parametrize("deviation", TOLERANCES)
@pytest.mark.parametrize("name", NAMES)
def test_a_rim_follows_the_exact_curve(tmp_path, name, deviation):
    mould = BY_NAME[name]
    region = lower_half(mould, deviation, tmp_path)
    edges = [e for e in region.edges if e.kind == "parting"]
    limit = COARSER.get((name, deviation), LIMITS[deviation])
    assert edges
    for edge in edges:
        parts = smooth_parts(region, region.surface, edge)
        assert len(parts) == 1 + (name in POINTED)  # few vertices in a tight arc are no kinks
        for index, closed in parts:
            curve = edge_curve(region, region.surface, edge, index, closed, 0.5)
            off = off_rim(mould, mould.own_frame(curve.points))
            assert off.max() < limit, (edge.name, off.max())
            assert np.linalg.norm(np.diff(curve.points, axis=0), axis=1).max() < 0.75
            steps = np.diff(curve.points, axis=0)
            ahead = np.einsum("ki,ki->k", steps, curve.tangents[:-1])
            assert (ahead > SQUARE * np.linalg.norm(steps, axis=1)).all()  # never back


RADII = {"pipe bend": "section", "tube with one end": "radius", "hemisphere": "radius"}


@pytest.mark.parametrize("deviation", TOLERANCES)
@pytest.mark.parametrize("height", [0.1, 2.0])
@pytest.mark.parametrize("name", RADII)
def test_on_a_parallel_surface_the_rim_is_the_parallel_curve(tmp_path, name, height, deviation):
    """Walls stand upright at these rims: a ply's mid-surface meets the parting plane inside."""
    mould = BY_NAME[name]
    region = lower_half(mould, deviation, tmp_path)
    size = mould.sizes[RADII[name]]
    inner = ("circle", size[1] - height) if name == "pipe bend" else size - height
    smaller = replace(mould, sizes={**mould.sizes, RADII[name]: inner})
    surface = region.surface.offset(height)
    assert "parting" in {e.kind for e in region.edges}
    for edge in region.edges:
        if edge.kind == "parting":
            ((index, closed),) = smooth_parts(region, surface, edge)
            curve = edge_curve(region, surface, edge, index, closed, 0.5)
            assert off_rim(smaller, mould.own_frame(curve.points)).max() < LIMITS[deviation]


def test_arms_that_meet_in_creases_meet_in_kinks_of_the_rim(tmp_path):
    region = lower_half(BY_NAME["sharp fork"], 0.02, tmp_path)
    edges = [e for e in region.edges if e.kind == "parting"]
    assert len(edges) == 3
    for edge in edges:
        assert len(smooth_parts(region, region.surface, edge)) == 2
