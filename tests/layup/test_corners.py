"""Corners and holes of the cut outline on flat plates, against outlines drawn by hand.

Source: elementary geometry; mitre, bevel and chamfer rules are the project's own. The
mitre's limit is 2 × the larger allowance, which is passed where a corner is below 60°.

Tries out ``layup/edges``, ``layup/outline``, ``layup/piece`` as well.
"""

from dataclasses import replace

import numpy as np
import pytest
import shapely
from draped import place, sheet
from exact import shapes
from helpers import corner_gap, gap

from drape.geometry.polyline import signed_area
from drape.layup.piece import PieceOptions, make_piece

CLOSE = 1e-3  # mm


def plate(lean=0.0):
    """60 × 40 about the origin, sheared by ``lean``; edges: below, right, above, left."""
    x, y = np.linspace(-30.0, 30.0, 25), np.linspace(-20.0, 20.0, 17)
    return sheet(shapes.grid(lambda a, b: np.stack([a + lean * b, b, 0.0 * a], -1), x, y))


def cut(region, allowances, kinds=None, start=(0.0, 0.0, 0.0)):
    """The piece with ``allowances`` in order round the region; ``kinds`` likewise."""
    if kinds:
        pairs = zip(region.edges, kinds, strict=True)
        region = replace(region, edges=tuple(replace(e, kind=k) for e, k in pairs))
    named = dict(zip((e.name for e in region.edges), allowances, strict=True))
    options = PieceOptions(place(region, start), np.array([1.0, 0.0, 0.0]), named, 0.0, 1.0)
    return make_piece(region, options)


def order(region):
    """Rotate [below, right, above, left] to the order of the region's edges."""
    v = region.surface.vertices
    middles = [v[e.vertices].mean(axis=0)[:2] for e in region.edges]
    sides = np.array([[0.0, -20.0], [30.0, 0.0], [0.0, 20.0], [-30.0, 0.0]])
    return [int(np.argmin(np.linalg.norm(sides - m, axis=1))) for m in middles]


def cut_by_side(region, allowances, kinds=None):
    at = order(region)
    return cut(region, [allowances[i] for i in at], kinds and [kinds[i] for i in at])


@pytest.mark.parametrize(
    ("below", "right", "above", "left"),
    [(0, 0, 0, 0), (10, 5, 10, 5), (15, -4, 3, 0), (-5, -5, -5, -5), (10, 0, -6, 0)],
)
def test_mitres_laps_against_set_backs(below, right, above, left):
    got = cut_by_side(plate(), (below, right, above, left)).outlines[0]
    exact = np.array(
        [
            [-30.0 - left, -20.0 - below],
            [30.0 + right, -20.0 - below],
            [30.0 + right, 20.0 + above],
            [-30.0 - left, 20.0 + above],
        ]
    )
    assert gap(got.points, exact) <= CLOSE
    assert corner_gap(got, exact) <= CLOSE


def test_outline_starts_at_the_first_corner_from_plus_x_and_turns_left():
    got = cut_by_side(plate(), (0, 0, 0, 0)).outlines[0]
    assert np.allclose(got.points[0], [30.0, 20.0], atol=CLOSE)
    assert signed_area(got.points) == pytest.approx(2400.0, abs=0.01)
    assert np.linalg.norm(got.points[0] - got.points[-1]) > 0.1
    for one, two in zip(got.edges, got.edges[1:] + got.edges[:1], strict=True):
        assert one.last == two.first


def test_edges_carry_their_names_kinds_and_allowances():
    region = plate()
    got = cut(region, [4.0, 3.0, 2.0, 1.0], ["parting", "mouth", "parting", "trim"])
    told = {e.name: (e.kind, e.allowance_mm) for e in got.outlines[0].edges}
    assert told == {
        "edge.1": ("parting", 4.0),
        "edge.2": ("mouth", 3.0),
        "edge.3": ("parting", 2.0),
        "edge.4": ("trim", 1.0),
    }


def test_an_edge_with_a_kink_stands_once_in_the_list():
    """Right and above are one edge here; its kink is the first corner from +x."""
    region = plate()
    below, right, above, left = (region.edges[i] for i in order(region))
    along = np.concatenate([right.vertices, above.vertices[1:]])
    edges = (below, replace(right, vertices=along), left)
    region = replace(region, edges=edges, loops=((0, 1, 2),))
    got = cut(region, [4.0, 3.0, 2.0]).outlines[0]
    assert [e.name for e in got.edges] == [left.name, below.name, right.name]
    for one, two in zip(got.edges, got.edges[1:] + got.edges[:1], strict=True):
        assert one.last == two.first
    exact = np.array([[33.0, 23.0], [-32.0, 23.0], [-32.0, -24.0], [33.0, -24.0]])
    assert gap(got.points, exact) <= CLOSE


@pytest.mark.parametrize("kind", ["mouth", "trim"])
def test_a_lap_is_chamfered_where_it_meets_a_run_off(kind):
    """Both lines are cut back from the mitre by the smaller allowance: 45°."""
    got = cut_by_side(plate(), (10.0, 6.0, 10.0, 6.0), ("parting", kind, "parting", kind))
    x, y = 36.0, 30.0
    quarter = np.array([[x, y - 6.0], [x - 6.0, y]])
    exact = np.concatenate([quarter, quarter[::-1] * [-1, 1], -quarter, quarter[::-1] * [1, -1]])
    assert gap(got.outlines[0].points, exact) <= CLOSE
    lap = [e for e in got.outlines[0].edges if e.kind == "parting"]
    for e in lap:  # the cut belongs to the run-off's edge: a lap's own line stays straight
        ends = got.outlines[0].points[[e.first, e.last]]
        assert np.ptp(ends[:, 1]) <= CLOSE


@pytest.mark.parametrize("allowances", [(10, 0, 10, 0), (-4, 6, -4, 6), (10, -3, 10, -3)])
def test_no_chamfer_unless_a_lap_meets_a_run_off(allowances):
    kinds = ("parting", "mouth", "parting", "mouth")
    with_kinds = cut_by_side(plate(), allowances, kinds).outlines[0]
    without = cut_by_side(plate(), allowances).outlines[0]
    assert gap(with_kinds.points, without.points) <= CLOSE


def test_a_mitre_longer_than_twice_the_allowance_is_bevelled():
    """Parallelogram with 45° and 135° corners, lap 5 all round: mitre 5/sin 22.5° = 13.07."""
    lap = 5.0
    got = cut(plate(lean=1.0), [lap] * 4).outlines[0]
    below, right = np.array([0.0, -1.0]), np.array([1.0, -1.0]) / np.sqrt(2.0)
    sharp = np.array([-50.0, -20.0])  # 45° inside, between the left side and the one below
    blunt = np.array([10.0, -20.0])  # 135°: mitre 5/sin 67.5° = 5.41, kept
    mitre = blunt + lap * (below + right) / (1.0 + below @ right)
    bevel = np.array([sharp - lap * right, sharp + lap * below])
    half = np.concatenate([bevel, mitre[None]])
    assert gap(got.points, np.concatenate([half, -half])) <= CLOSE


def test_set_backs_mitre_at_any_angle():
    back, start = -5.0, (0.3, 0.2, 0.0)
    got = cut(plate(lean=1.0), [back] * 4, start=start).outlines[0]
    plain = np.array([[-50.0, -20.0], [10.0, -20.0], [50.0, 20.0], [-10.0, 20.0]]) - start[:2]
    exact = shapely.Polygon(plain).buffer(back, join_style="mitre")
    assert gap(got.points, shapely.get_coordinates(exact.exterior)) <= CLOSE


# --- holes -----------------------------------------------------------------------------

HOLE, SIDES = 12.0, 96


def holed(bend=None):
    """Square 80 × 80 with a round hole of radius 12; rolled to radius ``bend``, if given."""
    turn = 2.0 * np.pi * np.arange(SIDES) / SIDES
    ring = np.stack([np.cos(turn), np.sin(turn)], -1)
    square = 40.0 * ring / np.abs(ring).max(axis=1, keepdims=True)
    rows = np.linspace(0.0, 1.0, 21)[:, None, None]
    flat = ((1.0 - rows) * HOLE * ring + rows * square).reshape(-1, 2)
    a = np.arange(20 * SIDES)
    b = a - a % SIDES + (a + 1) % SIDES
    faces = np.concatenate([np.stack([a, a + SIDES, b + SIDES], 1), np.stack([a, b + SIDES, b], 1)])
    x, y = flat.T
    if bend is None:
        return np.stack([x, y, 0.0 * x], -1), faces
    t = y / bend
    return np.stack([x, bend * np.sin(t), bend * (1.0 - np.cos(t))], -1), faces


ROLLED = pytest.param(40.0, id="rolled")


@pytest.mark.parametrize("bend", [pytest.param(None, id="flat"), ROLLED])
@pytest.mark.parametrize("allowance", [0.0, 3.0, -3.0])
@pytest.mark.parametrize("start", [(24.0, 24.0), (26.0, 2.0)], ids=["beside", "in line"])
def test_a_hole_becomes_a_hole(bend, allowance, start):
    """Clockwise; an allowance past its rim makes it smaller. A rolled sheet stays isometric."""
    x, y = start
    if bend is None:
        at = (x, y, 0.0)
    else:
        at = (x, bend * np.sin(y / bend), bend * (1.0 - np.cos(y / bend)))
    region = sheet(holed(bend))
    hole = next(e.name for e in region.edges if e.kind == "hole")
    allowances = [allowance if e.name == hole else 0.0 for e in region.edges]
    got = cut(region, allowances, start=at)
    assert len(got.outlines) == 2
    outer, inner = got.outlines
    assert signed_area(outer.points) > 0.0 > signed_area(inner.points)
    assert [e.kind for e in inner.edges] == ["hole"]
    turn = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    exact = (HOLE - allowance) * np.stack([np.cos(turn), np.sin(turn)], -1) - start
    assert gap(inner.points, exact) <= 0.03
    square = np.array([[-40.0, -40.0], [40.0, -40.0], [40.0, 40.0], [-40.0, 40.0]])
    assert gap(outer.points, square - np.array(start)) <= 0.03
    assert got.valid
    assert got.unreached_area == 0.0
    area = 6400.0 - np.pi * (HOLE - allowance) ** 2
    assert got.assessment.cloth_area == pytest.approx(area, rel=1e-3)
