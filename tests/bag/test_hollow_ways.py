"""Ways through hollows against the lengths of their centre lines."""

import numpy as np
import pytest
from exact.split_tubes import Oval, SplitTube, bend, straight
from hollows import tube_hollow

from drape.bag.hollow_sections import Section, hollow_sections
from drape.bag.hollow_ways import _forks, _parents, ways
from drape.errors import InputError


def rims(vertices, field):
    """Rims at either end, in order round them (the tubes here lie in x, y)."""
    out = {}
    for name, value in (("A", 0.0), ("B", 1.0)):
        ids = np.flatnonzero(np.abs(field - value) < 1e-9)
        r = vertices[ids] - vertices[ids].mean(axis=0)
        across = np.linalg.svd(r[:, :2], full_matrices=False)[2][0]
        out[name] = ids[np.argsort(np.arctan2(r[:, 2], r[:, :2] @ across))]
    return out


@pytest.mark.parametrize("step", [5.0, 25.0])
def test_a_bend_is_radius_times_angle(step):
    """80 × 135°, coarse sections as fine ones: arcs between them, not chords."""
    angle = 0.75 * np.pi
    tube = SplitTube(bend(80 * angle, angle), Oval(), 20, 20, flange=0)
    vertices, faces, field = tube_hollow(tube, along=90)
    sections = hollow_sections(vertices, faces, field, step)
    found = ways(vertices, faces, field, sections, rims(vertices, field))
    assert found.lengths == {("A", "B"): pytest.approx(80 * angle, rel=2e-3)}
    assert found.longest == found.lengths["A", "B"]
    along = np.array([s.along for s in found.stations])
    assert (np.diff(along) > 0).all()
    turned = [
        np.arctan2(s.section.centre[0], 80 - s.section.centre[1]) * 80 for s in found.stations
    ]
    assert along == pytest.approx(np.array(turned), abs=0.5)
    assert {s.towards for s in found.stations} == {("B",)}
    assert not any(s.fork for s in found.stations)


def test_square_mouths_are_sections_and_askew_ones_are_not():
    tube = SplitTube(straight(100), Oval(), 20, 20, flange=0)
    vertices, faces, field = tube_hollow(tube, along=40)
    mouths = rims(vertices, field)
    sections = hollow_sections(vertices, faces, field, 10.0)
    found = ways(vertices, faces, field, sections, mouths)
    assert len(found.stations) == len(sections) + 2
    assert [found.stations[0].along, found.stations[-1].along] == pytest.approx([0.0, 100.0])
    sheared = vertices + np.outer(vertices[:, 2] * (vertices[:, 0] > 99.0), [0.5, 0.0, 0.0])
    askew = ways(sheared, faces, field, sections, mouths)
    assert len(askew.stations) == len(sections) + 1
    with pytest.raises(InputError, match="no section"):
        ways(vertices, faces, field, (), mouths)


def ring(x, y, level, size, way):
    """A square section of side ``size`` round (x, y)."""
    way = np.array([*way, 0.0])
    side = np.cross([0.0, 0.0, 1.0], way)
    corners = [(1, 1), (-1, 1), (-1, -1), (1, -1)]
    centre = np.array([x, y, 0.0])
    chain = [centre + 0.5 * size * (a * side + b * np.array([0.0, 0.0, 1.0])) for a, b in corners]
    return Section(0.0, 0, centre, way, np.array(chain), True, level)


def test_only_what_widens_before_it_divides_is_a_fork():
    """Trunk girths 40, 40, 60, 80, branches 40: the last two are the fork's.

    A trunk of 100 that narrows to 80 has none: the bag has to be that wide anyhow.
    """
    sizes, towards = [10, 10, 15, 20, 10, 10], [("B", "C")] * 4 + [("B",), ("C",)]
    levels = [0.1, 0.2, 0.3, 0.4, 0.5, 0.5]
    places = [(0, 0), (10, 0), (20, 0), (30, 0), (40, 10), (40, -10)]
    made = [ring(*p, v, s, (1, 0)) for p, v, s in zip(places, levels, sizes, strict=True)]
    parents = _parents(made, towards)
    assert parents == [None, 0, 1, 2, 3, 3]
    assert _forks(made, parents) == {2, 3}
    narrowing = [
        ring(*p, v, s, (1, 0))
        for p, v, s in zip(places, levels, [25, 24, 22, 20, 10, 10], strict=True)
    ]
    assert _forks(narrowing, parents) == set()
