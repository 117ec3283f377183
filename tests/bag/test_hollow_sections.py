"""Girths of hollows against closed forms.

Perimeter of an ellipse with half-axes a > b: 4 a E(1 − b²/a²), E the complete elliptic
integral of the second kind (NIST Digital Library of Mathematical Functions, 19.30.5).

Tries out ``geometry/plane_section`` as well.
"""

import numpy as np
import pytest
import trimesh
from exact.split_tubes import Oval, SplitTube, bend, straight
from hollows import tube_hollow, y_hollow
from ovals import oval_perimeter
from scipy.spatial.transform import Rotation
from scipy.special import ellipe
from trimesh.intersections import mesh_plane

from drape.bag.hollow_sections import hollow_sections
from drape.errors import InputError
from drape.geometry.plane_section import plane_section

TUBES = {
    "circle": (SplitTube(straight(200), Oval(), 25, 25, flange=0), 2 * np.pi * 25),
    "ellipse": (SplitTube(straight(200), Oval(), 30, 18, flange=0), 120 * ellipe(1 - 0.36)),
    "oval": (SplitTube(straight(200), Oval(3.0), 30, 20, flange=0), oval_perimeter(3, 30, 20)),
    "bend": (
        SplitTube(bend(80 * np.pi / 2, np.pi / 2), Oval(), 30, 18, flange=0),
        120 * ellipe(1 - 0.36),
    ),
}


def test_the_quadrature_gives_the_elliptic_integral():
    assert oval_perimeter(2.0, 30, 18) == pytest.approx(120 * ellipe(1 - 0.36), rel=1e-9)
    assert oval_perimeter(2.0001, 30, 18) == pytest.approx(120 * ellipe(1 - 0.36), rel=1e-4)


@pytest.mark.parametrize("name", TUBES)
@pytest.mark.parametrize("seed", [None, 5])
def test_girths(name, seed):
    """±0.1 % at every section; any position in space."""
    tube, exact = TUBES[name]
    vertices, faces, field = tube_hollow(tube)
    if seed is not None:
        vertices = vertices @ Rotation.random(rng=seed).as_matrix().T + [40.0, -7.0, 300.0]
    sections = hollow_sections(vertices, faces, field, 10.0)
    assert len(sections) >= tube.centreline.length / 10.0
    assert {s.branch for s in sections} == {0}
    assert all(s.closed for s in sections)
    assert [s.girth for s in sections] == pytest.approx([exact] * len(sections), rel=1e-3)


def test_sections_of_a_bend_stand_square_to_its_centre_line():
    """Centre at bend radius 80 and normal along the circle, at the angle of the place.

    Facets are chords: their gradient is off by up to half of what one turns.
    """
    half_facet = np.pi / 2 / 60 / 2
    tube, _ = TUBES["bend"]
    sections = hollow_sections(*tube_hollow(tube), 10.0)
    assert len(sections) >= 12
    for s in sections:
        angle = np.arctan2(s.normal[1], s.normal[0])
        assert s.normal[2] == pytest.approx(0.0, abs=1e-3)
        out = np.array([0.0, 80.0, 0.0]) - s.centre
        assert abs(out @ s.normal) / 80.0 < half_facet
        assert np.linalg.norm(out) == pytest.approx(80.0, rel=0.01)
        assert s.place / 80.0 == pytest.approx(angle, abs=1.5 * half_facet)


def test_tapered_tube():
    """Radius 30 to 15 over 200 mm: a plane section is nearly a circle of the local radius."""
    tube = SplitTube(straight(200), Oval(), *[lambda s: 30 - 0.075 * s] * 2, flange=0)
    sections = hollow_sections(*tube_hollow(tube), 20.0)
    assert len(sections) >= 10
    for s in sections:
        local = 30 - 0.075 * s.centre[0]
        assert s.girth == pytest.approx(2 * np.pi * local, rel=1e-3)


def test_branching_hollow():
    """Arms 40 wide, 25 high: girth 130 a quarter of a width from the fork; two at one place."""
    vertices, faces, field, arms = y_hollow(40.0, 25.0, 150.0)
    sections = hollow_sections(vertices, faces, field, 10.0)
    reach = np.array([[s.centre @ d for d in arms] for s in sections])
    fork = 40 / (2 * np.sqrt(3))
    clear = reach.max(axis=1) > fork + 10.0
    seen = {int(np.argmax(r)) for r in reach[clear]}
    assert seen == {0, 1, 2}
    assert [s.girth for s, c in zip(sections, clear, strict=True) if c] == pytest.approx(
        [130.0] * clear.sum(), rel=1e-3
    )
    beyond = [s for s, r in zip(sections, reach, strict=True) if max(r[1:]) > fork + 40.0]
    places = {s.place for s in beyond}
    assert len(beyond) == 2 * len(places) > 10
    for branch in (0, 1):  # a branch stays in its arm
        mine = [s.centre for s in beyond if s.branch == branch]
        assert len({int(np.argmax([c @ d for d in arms])) for c in mine}) == 1


def test_a_plane_that_meets_the_hollow_twice():
    """A bend through 270°: the section is the one round the middle, not the one opposite."""
    tube = SplitTube(bend(80 * 1.5 * np.pi, 1.5 * np.pi), Oval(), 20, 15, flange=0)
    sections = hollow_sections(*tube_hollow(tube, 120), 20.0)
    assert len(sections) > 15
    for s in sections:
        assert np.linalg.norm(s.chain - s.centre, axis=1).max() < 21.0


def test_open_section():
    """A half tube's cut is open: half the girth."""
    mesh = TUBES["circle"][0].mesh("lower", around=64)
    x = np.array([1.0, 0.0, 0.0])
    ((chain, closed),) = plane_section(mesh.vertices, mesh.faces, np.array([50.3, 0, 0]), x)
    assert not closed
    length = np.linalg.norm(np.diff(chain, axis=0), axis=1).sum()
    assert length == pytest.approx(np.pi * 25, rel=1e-3)
    assert plane_section(mesh.vertices, mesh.faces, np.array([900.0, 0, 0]), x) == []


def test_plane_through_vertices():
    """A plane through a ring of vertices: one closed chain, whatever the rounding."""
    vertices, faces, _ = tube_hollow(TUBES["circle"][0], 20, 32)
    for x in np.unique(np.round(vertices[:, 0], 6))[1:-1]:
        ((chain, closed),) = plane_section(
            vertices, faces, np.array([x, 0, 0]), np.array([1.0, 0, 0])
        )
        assert closed
        assert np.linalg.norm(chain[:, 1:], axis=1) == pytest.approx(
            np.full(len(chain), 25), rel=0.01
        )


def test_against_the_mesh_library():
    """Irregular triangles, a leaning plane: as long as trimesh's section (key ``trimesh``)."""
    tube = SplitTube(bend(150, 1.0), Oval(2.5), 30, 20, flange=0)
    mesh = tube.mesh("lower", along=40, around=40, seed=3)
    origin, normal = tube.centreline.frame(70.0)[0], np.array([0.9, 0.5, 0.2])
    ((chain, _),) = plane_section(mesh.vertices, mesh.faces, origin, normal)
    lines = mesh_plane(trimesh.Trimesh(mesh.vertices, mesh.faces, process=False), normal, origin)
    total = np.linalg.norm(lines[:, 1] - lines[:, 0], axis=1).sum()
    assert np.linalg.norm(np.diff(chain, axis=0), axis=1).sum() == pytest.approx(total)


def test_refused():
    vertices, faces, field = tube_hollow(TUBES["circle"][0], 6, 16)
    with pytest.raises(InputError, match="step"):
        hollow_sections(vertices, faces, field, 0.0)
    with pytest.raises(InputError, match="same everywhere"):
        hollow_sections(vertices, faces, 0 * field, 5.0)
