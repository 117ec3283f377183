"""Cells cut column by column are those cut from the whole polygon."""

import numpy as np
import pytest
import shapely

from drape.net.assessment import _cut


@pytest.mark.parametrize("seed", range(4))
def test_columns_change_no_cell(seed):
    rng = np.random.default_rng(seed)
    angle = np.linspace(0.0, 2.0 * np.pi, 400, endpoint=False)
    radius = 40.0 + 8.0 * np.sin(5.0 * angle) + rng.normal(0.0, 0.3, 400)
    ring = radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    hole = 0.3 * ring[::-1]
    polygon = shapely.Polygon(ring, [hole]).buffer(0.0)
    u = np.cumsum(rng.uniform(0.8, 1.2, 110)) - 55.0
    i, j = (k.ravel() for k in np.indices((109, 109)))
    cells = shapely.box(u[i], u[j], u[i + 1], u[j + 1])
    crossed = shapely.intersects(polygon.boundary, cells)
    assert crossed.sum() > 300
    parts = _cut(cells[crossed], i[crossed], u, polygon)
    whole = shapely.intersection(cells[crossed], polygon)
    assert shapely.area(parts) == pytest.approx(shapely.area(whole), abs=1e-12)
    some = shapely.area(whole) > 1e-6
    middle = [shapely.get_coordinates(shapely.centroid(p[some])) for p in (parts, whole)]
    assert middle[0] == pytest.approx(middle[1], abs=1e-9)


def test_where_the_polygon_only_touches_its_columns():
    """A column of which it has a line or a point only holds no area."""
    polygon = shapely.union_all([shapely.box(0, 0, 2, 5), shapely.box(3.5, 2, 5, 3)])
    u = np.arange(0.0, 8.0)
    column = np.arange(5)
    cells = shapely.box(u[column], 2.0, u[column + 1], 3.0)
    parts = _cut(cells, column, u, polygon)
    assert shapely.area(parts).tolist() == [1.0, 1.0, 0.0, 0.5, 1.0]


def test_no_cells():
    none = np.empty(0, object)
    assert len(_cut(none, np.empty(0, int), np.arange(4.0), shapely.MultiPolygon())) == 0
