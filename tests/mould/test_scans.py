"""Scanned halves: the noise is measured, told, and taken out.

Noise of known size is added to exact shapes (normal deviates, seeded); what comes out is
compared with the clean shape. Tolerances are what was measured, rounded up; each is a
small part of what the same noise does unsmoothed, which is measured beside it.

Tries out ``geometry/noise`` as well.
"""

from dataclasses import replace

import numpy as np
import pytest
from draped import drape_piece, place, sheet
from exact import shapes
from helpers import gap

from drape.geometry.noise import Noise, measure_noise, smoothed
from drape.geometry.surface import build
from drape.layup.piece import PieceOptions, make_piece
from drape.mould.region import Edge
from drape.mould.scans import fitted_line, without_noise

SIGMA = 0.02  # mm
H = np.sqrt(0.5)
SHAPES = {
    "trough": (shapes.trough(25.0, 120.0, 64, 60), [0.0, 0.0, -25.0], [1.0, 0.5, 0.0]),
    "elbow": (
        shapes.elbow(80.0, 25.0, np.pi / 2, 48, 96),
        [80 * H, 80 - 80 * H, -25.0],
        [1.0, 1.0, 0.0],
    ),
    "hemisphere": (shapes.hemisphere(60.0, 40), [0.0, 0.0, -60.0], [1.0, 0.0, 0.0]),
}


def noisy(mesh, sigma=SIGMA, seed=1):
    vertices, faces = mesh
    shake = np.random.default_rng(seed).normal(size=vertices.shape)
    return build(vertices + sigma * shake, faces)


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("sigma", [0.01, 0.02, 0.05])
def test_the_noise_is_measured(name, sigma):
    measured = measure_noise(noisy(SHAPES[name][0], sigma))
    assert measured.sigma == pytest.approx(sigma, rel=0.15)
    assert measured.radius > 2.0 * measured.spacing


@pytest.mark.parametrize("name", SHAPES)
def test_an_exact_mesh_stays_as_it_is(name):
    region = sheet(SHAPES[name][0])
    assert measure_noise(region.surface).sigma < 1e-3
    assert without_noise(region, "half") == (region, ())


def wavy(x, y):
    return 2.0 * np.sin(0.1 * np.pi * x) * np.cos(0.1 * np.pi * y)


COARSE = {
    "elbow of 12": lambda j, r: shapes.elbow(80.0, 25.0, np.pi / 2, 12, 24),
    "trough of 12": lambda j, r: shapes.trough(25.0, 100.0, 12, 20, jitter=j, rng=r),
    "trough of 24": lambda j, r: shapes.trough(25.0, 100.0, 24, 20, jitter=j, rng=r),
    "waves of 7 facets": lambda j, r: shapes.heightfield(wavy, 90, 90, 30, 30, jitter=j, rng=r),
}


@pytest.mark.parametrize("jitter", [0.0, 0.2, 0.3])
@pytest.mark.parametrize("name", COARSE)
def test_a_coarse_exact_mesh_is_no_scan(name, jitter):
    """Regression: quadrics miss coarse facets by as much as a scan's noise."""
    region = sheet(COARSE[name](jitter, np.random.default_rng(3)))
    assert without_noise(region, "half") == (region, ())


@pytest.mark.parametrize("seed", [1, 2])
def test_corners_of_the_rim_stay(seed):
    """Regression: the fit went round the corners of a rim that is one edge."""
    mesh = shapes.heightfield(lambda x, y: 0.0006 * (x * x + y * y), 80.0, 60.0, 80, 60)
    region = sheet(noisy(mesh, seed=seed))
    rim = np.concatenate([e.vertices[:-1] for e in region.edges])
    whole = replace(region, edges=(Edge("rim.1", "parting", rim, True),), loops=((0,),))
    for before in (region, whole):
        after, _ = without_noise(before, "half")
        off = after.surface.vertices - mesh[0]
        assert np.linalg.norm(off[rim], axis=1).max() < 5.0 * SIGMA
        across = off[rim][np.abs(np.abs(mesh[0][rim, 0]) - 40.0) < 1e-9, 0]
        assert across.std() < 0.75 * SIGMA


def test_a_small_holes_rim_stays_round():
    turn = 2.0 * np.pi * np.arange(48) / 48
    circle = 2.0 * np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], -1)
    line, _ = fitted_line(circle, True, Noise(SIGMA, 1.0, 8.0))
    assert np.linalg.norm(line - circle, axis=1).max() < 2.0 * SIGMA


def test_a_flat_sheets_vertices_move_to_the_plane():
    """Least squares over N vertices leave σ/√N or so of it (key ``cazals2005`` for the fit)."""
    mesh = shapes.heightfield(lambda x, y: 0.0 * x, 60.0, 60.0, 50, 50)
    surface = noisy(mesh)
    noise = measure_noise(surface)
    inner = np.abs(mesh[0][:, :2]).max(axis=1) < 24.0
    before, after = surface.vertices[inner, 2], smoothed(surface, noise).vertices[inner, 2]
    count = 3.6 * (noise.radius / noise.spacing) ** 2
    assert after.std() < 4.0 * before.std() / np.sqrt(count)


def test_a_tight_fillet_is_left_alone():
    """Radius 2 over 12 facets beside flats: the noise-sized fit doesn't round it further."""
    t = np.linspace(0.0, np.pi / 2, 13)
    legs = np.linspace(1.0, 20.0, 20)
    y = np.concatenate([-legs[::-1], 2.0 * np.sin(t), np.full(20, 2.0)])
    z = np.concatenate([np.zeros(20), 2.0 * (1.0 - np.cos(t)), 2.0 + legs])
    x = np.linspace(-15.0, 15.0, 31)
    i, j = np.meshgrid(np.arange(len(x)), np.arange(len(y)), indexing="ij")
    vertices = np.stack([x[i], y[j], z[j]], -1).reshape(-1, 3)
    a = (i * len(y) + j)[:-1, :-1].ravel()
    b, c, d = a + len(y), a + len(y) + 1, a + 1
    mesh = (vertices, np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)]))
    surface = noisy(mesh, 0.005)
    noise = replace(measure_noise(surface), sigma=0.005, radius=6.0)
    off = smoothed(surface, noise).vertices - vertices
    assert np.abs(off).max() < 0.06


def drape(region, name, allowance=5.0):
    _, start, warp = SHAPES[name]
    allowances = {e.name: allowance for e in region.edges}
    options = PieceOptions(place(region, start), np.array(warp), allowances, 0.0, 2.0)
    return make_piece(region, options)


@pytest.mark.parametrize("name", SHAPES)
def test_a_scan_drapes_like_the_clean_shape(name):
    """Measured: outlines with laps of 5 mm off by 0.03 to 0.24 mm, shear by 0.03 to 0.2°.

    Unsmoothed the trough is off by 2.2 mm and the elbow by 4.8 mm, and both are refused.
    """
    mesh, start, warp = SHAPES[name]
    clean = drape_piece(mesh, start, warp, allowances=5.0, spacing=2.0)
    rough = replace(clean.region, surface=noisy(mesh))
    region, findings = without_noise(rough, "half")
    assert "noisy, like a scan (0.02" in findings[0].text
    assert findings[0].level == "warning"
    piece = drape(region, name)
    assert piece.valid
    assert gap(piece.outlines[0].points, clean.outlines[0].points) < 0.3
    shear = np.degrees(piece.assessment.max_shear - clean.assessment.max_shear)
    assert abs(shear) < 0.35
    without = drape(rough, name)
    assert abs(without.assessment.max_shear - clean.assessment.max_shear) > np.radians(abs(shear))


def test_an_edge_is_fitted_along_its_arc_length():
    """Local quadratics of a circle's arc length: noise falls with the root of the count."""
    turn = 2.0 * np.pi * np.arange(600) / 600
    circle = 100.0 * np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], -1)
    line, along = fitted_line(circle, True, Noise(SIGMA, 1.0, 5.0))
    assert np.abs(line - circle).max() < 2e-3
    assert np.allclose(along, np.stack([-np.sin(turn), np.cos(turn), 0.0 * turn], -1), atol=1e-3)
    shaken = circle + SIGMA * np.random.default_rng(0).normal(size=circle.shape)
    near, far = (fitted_line(shaken, True, Noise(SIGMA, 1.0, r))[0][:, 2] for r in (8.0, 16.0))
    assert far.std() < 0.4 * SIGMA
    assert near.std() / far.std() == pytest.approx(np.sqrt(2.0), rel=0.15)
    short = circle[:4]
    assert fitted_line(short, False, Noise(SIGMA, 1.0, 5.0))[0] is short


@pytest.mark.parametrize("count", [10, 40])
def test_a_coarse_export_is_no_scan(count):
    """222 vertices of an exact elbow with rounded rims scattered by 0.04 mm, and were moved."""
    mesh = shapes.elbow(80.0, 25.0, 1.2, count, 2 * count)
    noise = 0.04 * np.random.default_rng(1).normal(size=mesh[0].shape)
    region = sheet(build(mesh[0] + noise, mesh[1]))
    smoothed, findings = without_noise(region, "lower")
    assert (smoothed is region) == (len(mesh[0]) < 400)
    assert bool(findings) == (len(mesh[0]) >= 400)
