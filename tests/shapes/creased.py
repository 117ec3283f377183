"""Sharp-edged shapes with exact unfoldings: an open channel and an open box."""

import numpy as np

from drape.geometry.surface import build


def sheet(xs, ys):
    """Triangles over a grid: the (k, 2) parameters and the faces.

    Diagonals point away from the centre, as the mitre lines of a box's corners do.
    """
    a, b = np.meshgrid(xs, ys, indexing="ij")
    m = len(ys)
    i, j = np.meshgrid(np.arange(len(xs) - 1), np.arange(m - 1), indexing="ij")
    p = (i * m + j).ravel()
    q, r, s = p + m, p + m + 1, p + 1
    middle = (xs[1:] + xs[:-1])[:, None] * (ys[1:] + ys[:-1])[None, :]
    rising = (middle > 0.0).ravel()[:, None]
    one = np.where(rising, np.stack([p, q, r], 1), np.stack([p, q, s], 1))
    two = np.where(rising, np.stack([p, r, s], 1), np.stack([q, r, s], 1))
    return np.stack([a.ravel(), b.ravel()], 1), np.concatenate([one, two])


class Channel:
    """Floor 40, walls 20 along their slope, leaning out by ``draft``, length 120 along x.

    Flat: x along it, y across; the walls begin at |y| = 20.
    """

    half, width, length = 20.0, 80.0, 120.0

    def __init__(self, draft):
        self.draft = draft
        flat, faces = sheet(np.linspace(-60, 60, 25), np.linspace(-40, 40, 17))
        self.surface = build(self.fold(flat), faces)

    def fold(self, flat):
        """(k, 3) places of (k, 2) flat coordinates."""
        y = flat[:, 1]
        up = np.maximum(np.abs(y) - self.half, 0.0)
        across = np.sign(y) * (np.minimum(np.abs(y), self.half) + up * np.sin(self.draft))
        return np.stack([flat[:, 0], across, up * np.cos(self.draft)], 1)


class Box:
    """Floor 60 × 40, walls 20 high, leaning out by ``draft``: the corners have curvature.

    Flat: the cross of the floor and the walls unfolded about its sides.
    """

    half = np.array([30.0, 20.0])
    height = 20.0

    def __init__(self, draft):
        self.draft = draft
        flat, faces = sheet(np.linspace(-50, 50, 41), np.linspace(-40, 40, 33))
        up = np.maximum(np.abs(flat) - self.half, 0.0).max(axis=1)[:, None]
        square = np.clip(flat, -self.half - up, self.half + up)
        leaning = self.half + up * np.tan(draft)
        across = square * leaning / (self.half + up)
        self.surface = build(np.hstack([across, up]), faces)

    def fold(self, flat):
        """(k, 3) places of (k, 2) flat coordinates on the cross."""
        up = np.maximum(np.abs(flat) - self.half, 0.0)
        across = np.sign(flat) * (np.minimum(np.abs(flat), self.half) + up * np.sin(self.draft))
        return np.column_stack([across, up.max(axis=1) * np.cos(self.draft)])
