"""How far outlines are off because of the mesh: nothing on exact ones, enough elsewhere."""

import numpy as np
import pytest
from draped import drape_piece, place, sheet
from exact import shapes

from drape.errors import AccuracyError
from drape.geometry.surface import build, unit
from drape.layup import outline_error as module
from drape.layup.outline_error import _edges, _gap, outline_error
from drape.mould.surface_error import surface_error

SPACING = 1.5


def torus(count, jitter=0.0):
    return shapes.elbow(80.0, 25.0, 1.2, count, 2 * count, jitter=jitter)


def start_on(region):
    return place(region, [80.0 * np.sin(0.6), 80.0 - 80.0 * np.cos(0.6), -25.0])


def along(angle_deg=0.0):
    turn = 0.6 + np.radians(angle_deg)
    return np.array([np.cos(turn), np.sin(turn), 0.0])


def between(one, other, angle_deg):
    """Largest distance between the edges of a piece on two meshes of a surface, mm."""
    made = [_edges(r, start_on(r), along(angle_deg), SPACING) for r in (one, other)]
    return max(_gap(a, b) for a, b in zip(*made, strict=True))


@pytest.mark.parametrize(
    "mesh",
    [
        shapes.heightfield(lambda x, y: 0.1 * x, 90.0, 70.0, 14, 11),
        shapes.trough(25.0, 90.0, 24, 9),
    ],
    ids=["plane", "half cylinder"],
)
def test_nothing_on_developables(mesh):
    region = sheet(mesh)
    middle = region.surface.vertices[region.surface.faces].mean(axis=(0, 1))
    middle[2] = 0.0 if np.ptp(region.surface.vertices[:, 2]) < 15.0 else -25.0
    middle[2] += 0.1 * middle[0] if middle[2] == 0.0 else 0.0
    start = place(region, middle)
    assert outline_error(region, start, np.array([1.0, 0.3, 0.0]), SPACING) < 0.02


@pytest.mark.parametrize("angle_deg", [0.0, 45.0])
@pytest.mark.parametrize("jitter", [0.0, 0.2])
def test_as_large_as_the_distance_from_a_fine_mesh(jitter, angle_deg):
    """That of 96 facets round stands for the exact one: its own error is 1/16 at most."""
    fine = sheet(torus(96))
    for count in (10, 14, 24):
        region = sheet(torus(count, jitter))
        stated = outline_error(region, start_on(region), along(angle_deg), SPACING)
        assert between(fine, region, angle_deg) <= stated
        assert stated < 80.0 / count**2


def test_it_falls_with_the_square_of_the_facets_at_least():
    stated = [
        outline_error(r, start_on(r), along(), SPACING) for r in (sheet(torus(n)) for n in (12, 48))
    ]
    assert stated[1] < stated[0] / 16.0


@pytest.mark.parametrize("wave", [20.0, 45.0])
def test_normals_that_are_wrong_by_a_degree_show(wave):
    """Waves of 1° in the normals alone: the surface through the same vertices bulges and shears."""
    region = sheet(torus(24))
    surface = region.surface
    phase = surface.vertices[surface.faces] @ np.array([0.6, 0.8, 0.0]) * 2.0 * np.pi / wave
    lean = np.radians(1.0) * np.sin(phase)[:, :, None] * np.array([0.8, -0.6, 0.0])
    wrong = sheet(build(*torus(24), corner_normals=unit(surface.corner_normals + lean)))
    clean = outline_error(region, start_on(region), along(45.0), SPACING)
    assert outline_error(wrong, start_on(wrong), along(45.0), SPACING) > 5.0 * clean


def test_no_figure_where_no_vertex_can_be_left_out():
    square = build([[0.0, 0, 0], [40, 0, 0], [40, 30, 0], [0, 30, 0]], [[0, 1, 2], [0, 2, 3]])
    region = sheet(square)
    assert surface_error(region).coarse is None
    found = outline_error(region, place(region, [20.0, 10.0, 0.0]), np.array([1.0, 0, 0]), SPACING)
    assert np.isnan(found)


def test_what_cannot_be_measured_is_told(monkeypatch):
    """A piece that passes all else is cut, with the word that its outline's error isn't known."""

    def fails(*args, **kwargs):
        raise AccuracyError("the net can't be laid", where="test")

    monkeypatch.setattr(module, "solve_net", fails)
    mesh = shapes.heightfield(lambda x, y: 0.002 * x * x, 80.0, 60.0, 20, 15)
    piece = drape_piece(mesh, [3.0, 2.0, 0.0], [1.0, 0.3, 0.0], spacing=2.0)
    assert np.isnan(piece.checks.outline)
    assert piece.valid
    assert any("is unknown" in f.text for f in piece.findings)
