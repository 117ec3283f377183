"""Stations along runs against exact circles and straight lines."""

import numpy as np
import pytest
from exact import shapes

from drape.geometry.surface import build
from drape.mould.region import plain_region
from drape.mould.run_line import run_line


def test_closed_run():
    """A hemisphere's rim, R 30: 19 stations, evenly spread, square to their radius."""
    region = plain_region(build(*shapes.hemisphere(30.0, 12)), kind="parting")
    whole = run_line(region, region.edges[0])
    line = whole.spread()
    assert line.closed
    assert whole.length == pytest.approx(60 * np.pi, rel=1e-3)  # of the polygon
    assert len(line.places) == 19
    ring = np.vstack([line.points, line.points[:1]])
    assert np.linalg.norm(np.diff(ring, axis=0), axis=1) == pytest.approx(
        60 * np.sin(np.pi / 19), rel=2e-3
    )
    assert np.linalg.norm(line.points, axis=1) == pytest.approx(30.0, abs=0.02)
    assert np.einsum("ij,ij->i", line.points, line.tangents) / 30.0 == pytest.approx(0.0, abs=2e-3)


def test_open_run_has_both_ends():
    region = plain_region(build(*shapes.trough(25.0, 64.0, 16, 7)))
    sides = [run_line(region, e) for e in region.edges]
    straight = [s.spread() for s in sides if np.ptp(s.points[:, 1]) < 1e-9]
    assert len(straight) == 2
    for line in straight:
        assert line.places == pytest.approx(np.linspace(0, 64, 8))
        assert sorted(line.points[[0, -1], 0]) == pytest.approx([-32.0, 32.0])
        assert np.abs(line.tangents) == pytest.approx(np.tile([1.0, 0, 0], (8, 1)), abs=1e-9)
