"""The generator of mould meshes, against closed forms and another library's topology."""

import numpy as np
import pytest
import trimesh
from exact.split_tubes import HALVES, Box, Oval, SplitTube, Step, bend, straight
from scipy.special import ellipe

from drape.errors import InputError

BOX = Box(np.radians(5.0), 6.0)
TUBES = {
    "round": SplitTube(straight(200), Oval(), 25, 25),
    "superellipse bend": SplitTube(bend(260, 1.2), Oval(2.5), 30, 18),
    "box, sharp step": SplitTube(bend(260, 1.2), BOX, 26, 22, step=Step(12, 100, 20, True)),
    "box, level floor": SplitTube(
        bend(260, 1.2), BOX, 26, 22, step=Step(10, 110, 25), level_floor=True
    ),
    "sharp corners": SplitTube(straight(200), Box(np.radians(5.0)), 26, 22),
    "ledge": SplitTube(bend(260, 1.2), Oval(), 26, 26, ledge=15),
    "one end closed": SplitTube(straight(260), Oval(), 26, 20, caps=(0, 40)),
    "both ends closed": SplitTube(straight(260), Oval(), 26, 20, caps=(40, 60)),
}


@pytest.mark.parametrize("seed", [None, 3])
@pytest.mark.parametrize("half", HALVES)
@pytest.mark.parametrize("name", TUBES)
def test_solids_are_closed_and_turned_outward(name, half, seed):
    """Reference: trimesh's watertightness, winding and signed volume (key ``trimesh``)."""
    mesh = TUBES[name].mesh(half, "solid", along=50, around=40, seed=seed)
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert solid.is_watertight
    assert solid.is_winding_consistent
    assert solid.volume > 0


@pytest.mark.parametrize(
    ("tube", "area"),
    [
        # half a cylinder: π r l
        (SplitTube(straight(200), Oval(), 25, 25), np.pi * 25 * 200),
        # half an elliptic cylinder: 2 a E(e²) l
        (SplitTube(straight(200), Oval(), 30, 18), 2 * 30 * ellipe(1 - 0.36) * 200),
        # half a torus' lower side: π r × length of the centreline (Pappus–Guldin)
        (SplitTube(bend(250, 1.4), Oval(), 25, 25), np.pi * 25 * 250),
        # hemisphere
        (SplitTube(straight(200), Oval(), 100, 100, caps=(100, 100)), 2 * np.pi * 100**2),
        # two walls d / cos δ, a floor 2 (a − d tan δ)
        (
            SplitTube(straight(200), Box(0.1), 30, 20),
            200 * (2 * 20 / np.cos(0.1) + 2 * (30 - 20 * np.tan(0.1))),
        ),
    ],
)
def test_areas_agree_with_closed_forms(tube, area):
    assert tube.cavity_area("lower") == pytest.approx(area, rel=1e-7)


@pytest.mark.parametrize("half", HALVES)
@pytest.mark.parametrize("name", TUBES)
def test_mesh_area_converges_to_the_exact_area(name, half):
    """The facets' area error falls with the square of their size (common knowledge)."""
    tube = TUBES[name]
    exact = tube.cavity_area(half)
    errors = []
    for count in (60, 120):
        mesh = tube.mesh(half, along=2 * count, around=count)
        facets = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).area_faces
        errors.append(abs(facets[mesh.cavity].sum() / exact - 1.0))
    assert errors[1] < 5e-4
    assert errors[1] < 0.35 * errors[0] or errors[1] < 1e-8


def test_fillets_are_circles_tangent_to_wall_and_floor():
    """Points of the fillet lie on a circle; its ends have the wall's and the floor's slope."""
    t = np.linspace(0.3, 0.4, 21)
    y, z = BOX.curve(t, np.full(21, 26.0), np.full(21, 22.0))
    centre_z = -22.0 + 6.0
    centre_y = y[-1]
    assert np.allclose(np.hypot(y - centre_y, z - centre_z), 6.0, atol=1e-12)
    assert y[0] - centre_y == pytest.approx(-6.0 * np.cos(np.radians(5.0)), abs=1e-12)
    wall_y, wall_z = BOX.curve(np.array([0.3]), np.array([26.0]), np.array([22.0]))
    assert (wall_y[0] + 26.0) / -wall_z[0] == pytest.approx(np.tan(np.radians(5.0)), abs=1e-12)


def test_centreline_of_a_bend_is_a_circle():
    point, _, _ = bend(260, 1.2).frame(np.linspace(0, 260, 50))
    radius = 260 / 1.2
    assert np.allclose(np.hypot(point[:, 0], point[:, 1] - radius), radius, atol=1e-9)


def test_halves_share_their_parting_line_and_the_step_rises():
    tube = TUBES["box, sharp step"]
    v = np.linspace(*tube.range, 77)
    for t in (0.0, 1.0):
        lower, upper = (tube.cavity_point(h, v, t) for h in HALVES)
        assert np.abs(lower - upper).max() < 1e-12
        assert np.ptp(lower[:, 2]) == pytest.approx(12.0)


def test_a_seed_gives_the_same_irregular_mesh_again():
    meshes = [TUBES["round"].mesh("lower", seed=seed) for seed in (4, 4, 5)]
    assert np.array_equal(meshes[0].vertices, meshes[1].vertices)
    assert not np.array_equal(meshes[0].vertices, meshes[2].vertices)


def test_what_it_cannot_make_is_refused():
    with pytest.raises(InputError, match="needs a flange"):
        SplitTube(straight(200), Oval(), 25, 25, flange=0).mesh("lower", "solid")
    with pytest.raises(InputError, match="only oval"):
        SplitTube(straight(200), BOX, 25, 25, caps=(0, 20))
