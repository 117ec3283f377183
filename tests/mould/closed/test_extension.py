"""A surface carried on past its rims: straight, tangent, as far as asked.

Source: the tangent developable of a cylinder's or plane's edge is a plane (key
``docarmo1976``); the rest is elementary geometry.

Tries out ``closed/caps`` as well.
"""

import numpy as np
import pytest
from exact import shapes

from drape.geometry.rims import rims
from drape.geometry.surface import build
from drape.mould.closed.extension import extend, rulings
from drape.mould.region import plain_region

NEEDED, MARGIN = 6.0, 10.0


def extended(mesh):
    region = plain_region(build(*mesh))
    return region, extend(region, region.surface, NEEDED, MARGIN)


@pytest.fixture(scope="module")
def plate():
    return extended(shapes.heightfield(lambda x, y: 0 * x, 60.0, 40.0, 24, 16))


@pytest.fixture(scope="module")
def trough():
    return extended(shapes.trough(25.0, 60.0, 64, 30))


def test_base_vertices_and_faces_keep_their_ids(trough):
    region, out = trough
    n, m = len(region.surface.vertices), len(region.surface.faces)
    assert (out.surface.vertices[:n] == region.surface.vertices).all()
    assert (out.surface.faces[:m] == region.surface.faces).all()
    assert (out.level[:m] == 0).all()
    assert (out.level[m:] >= 1).all()
    assert len(out.level) == len(out.surface.faces)


def test_a_plate_becomes_a_larger_plate_with_mitred_corners(plate):
    _, out = plate
    v = out.surface.vertices
    assert np.abs(v[:, 2]).max() == 0.0
    assert np.abs(v).max(axis=0)[:2] == pytest.approx([46.0, 36.0])
    area = 92.0 * 72.0
    assert out.surface.face_areas.sum() == pytest.approx(area)
    assert (out.surface.face_vectors[:, 2] > 0.0).all()  # nothing folds over


def test_levels_tell_the_needed_width_from_the_margin(plate):
    _, out = plate
    middle = np.abs(out.surface.vertices[out.surface.faces].mean(axis=1)[:, :2])
    past = np.maximum(middle[:, 0] - 30.0, middle[:, 1] - 20.0)
    assert (past[out.level == 0] < 0.0).all()
    assert (past[out.level == 1] < NEEDED).all()
    assert (past[out.level == 2] > NEEDED).all()
    needed = out.surface.face_areas[out.level == 1].sum()
    assert needed == pytest.approx(72.0 * 52.0 - 60.0 * 40.0)


def test_a_trough_goes_on_straight_up_and_along(trough):
    _, out = trough
    v = out.surface.vertices
    above = v[:, 2] > 1e-6
    # no wider than the trough: up past the parting line, tangent there is vertical
    inner = above & (np.abs(v[:, 0]) < 29.0)
    assert np.abs(v[inner, 1]) == pytest.approx(25.0, abs=0.01)
    assert v[:, 2].max() == pytest.approx(NEEDED + MARGIN, abs=0.01)
    ends = (np.abs(v[:, 0]) > 30.0 + 1e-6) & ~above
    assert np.linalg.norm(v[ends, 1:], axis=1) == pytest.approx(25.0, abs=0.02)
    assert np.abs(v[:, 0]).max() == pytest.approx(30.0 + NEEDED + MARGIN, abs=0.01)


def test_the_surface_stays_smooth_across_the_rim(trough):
    region, out = trough
    n = len(region.surface.vertices)
    assert not out.surface.crease.any()
    normals = np.zeros_like(out.surface.vertices)
    normals[out.surface.faces] = out.surface.corner_normals
    base = np.zeros_like(region.surface.vertices)
    base[region.surface.faces] = region.surface.corner_normals
    assert np.allclose(normals[:n], base, atol=1e-6)


def test_a_bowl_goes_on_as_a_cylinder():
    _, out = extended(shapes.hemisphere(60.0, 40))
    v = out.surface.vertices
    above = v[:, 2] > 1e-6
    assert np.hypot(v[above, 0], v[above, 1]) == pytest.approx(60.0, abs=0.02)
    assert v[:, 2].max() == pytest.approx(NEEDED + MARGIN, abs=0.01)


def test_rulings_of_a_square_by_hand():
    square = np.array([[0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0]], float)
    owner, ray, corner = rulings(square, np.tile([0.0, 0.0, 1.0], (4, 1)), 1.0)
    assert owner.tolist() == np.repeat(np.arange(4), 3).tolist()
    assert corner.all()
    assert np.allclose(ray[0:3], [[-1, 0, 0], [-1, -1, 0], [0, -1, 0]])
    assert np.allclose(ray[6:9], [[1, 0, 0], [1, 1, 0], [0, 1, 0]])


@pytest.mark.parametrize("jitter", [0.0, 0.3])
def test_where_the_rim_turns_inward_nothing_folds_over(jitter):
    """A step in the parting line: rulings that would cross are spread."""

    def point(x, y):
        return np.stack([x, y * (1.0 + 0.35 * np.tanh(x / 4.0)), 0.0 * x], -1)

    mesh = shapes.grid(point, np.linspace(-40, 40, 61), np.linspace(-20, 20, 31), jitter=jitter)
    region, out = extended(mesh)
    new = out.level > 0
    assert (out.surface.face_vectors[new][:, 2] > 0.0).all()
    assert len(rims(out.surface)) == 1
    assert out.surface.face_areas[new].sum() > 0.8 * (NEEDED + MARGIN) * 200.0
    assert region.inside.all()


def ring(bend):
    """Plane ring, radii 10 and 30, rolled to a cylinder of radius ``bend`` about x."""

    def point(a, b):
        x, t = a * np.cos(b), a * np.sin(b) / bend
        return np.stack([x, bend * np.sin(t), bend * (1.0 - np.cos(t))], -1)

    vertices, faces = shapes.grid(
        point, np.linspace(10.0, 30.0, 21), np.linspace(0.0, 2.0 * np.pi, 81)
    )
    same = np.arange(len(vertices))
    same[80::81] = same[0::81]
    return vertices, same[faces]


@pytest.mark.parametrize(("bend", "off"), [(1e6, 1e-6), (100.0, 0.0005), (50.0, 0.002)])
def test_a_hole_is_capped_by_the_surface_gone_on(bend, off):
    """The cap over a round hole in a rolled sheet lies on the cylinder, and closes it."""
    region, out = extended(ring(bend))
    v = out.surface.vertices
    new = np.arange(len(region.surface.vertices), len(v))
    cap = new[np.hypot(v[new, 0], v[new, 1]) < 10.0]
    assert len(cap) > 20
    radius = np.hypot(v[cap, 1], bend - v[cap, 2])
    assert np.abs(radius - bend).max() <= off
    assert len(rims(out.surface)) == 1  # the hole is no rim any more
    assert not out.surface.crease.any()
    assert (out.level[np.isin(out.surface.faces, cap).any(axis=1)] >= 1).all()
