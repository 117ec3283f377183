"""What the strokes of a smoothing order must hold, whatever the piece."""

import numpy as np
import shapely
from helpers import polygon


def cells_inside(piece):
    u, v = piece.net.centres
    x, y = np.meshgrid(u, v, indexing="ij")
    return np.isfinite(piece.net.shear) & shapely.contains_xy(polygon(piece.outlines[0]), x, y)


def hold(net, inside, strokes):
    """The invariants: each cell once, starts on what lies already, worst sector last."""
    pressed = np.zeros(net.shear.shape, dtype=bool)
    size = max(np.diff(net.u).max(), np.diff(net.v).max())
    for stroke in strokes:
        i, j = stroke.cells.T
        assert not pressed[i, j].any()
        if pressed.any():
            u, v = net.centres
            a, b = np.nonzero(pressed)
            gap = np.hypot(u[a] - stroke.flat[0, 0], v[b] - stroke.flat[0, 1])
            assert gap.min() <= 0.75 * size
        pressed[i, j] = True
        a, b = (
            np.searchsorted(net.u, stroke.flat[-1, 0]),
            np.searchsorted(net.v, stroke.flat[-1, 1]),
        )
        assert pressed[max(a - 2, 0) : a + 1, max(b - 2, 0) : b + 1].any()
    np.testing.assert_array_equal(pressed, inside)
    by_sector = {}
    for s in strokes:
        by_sector[s.sector] = max(by_sector.get(s.sector, 0.0), s.greatest_shear)
    between = {k: x for k, x in by_sector.items() if k > 0}
    assert strokes[-1].sector == max(between, key=between.get)
    assert list(between) == sorted(between)
