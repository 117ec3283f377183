"""Moulds for tests, as (vertices, faces) by half: troughs, elbows, channels, cones. mm.

Hollows with three arms stand in ``hollows``.
"""

import numpy as np
from exact import shapes


def troughs(radius=25.0, length=60.0, around=64, along=12, turned=False):
    """Half cylinders along x; the lower one below, or above if ``turned``."""
    vertices, faces = shapes.trough(radius, length, around, along)
    other = vertices * [1.0, -1.0, -1.0]
    both = (other, vertices) if turned else (vertices, other)
    return {half: (v, faces) for half, v in zip(("lower", "upper"), both, strict=True)}


def elbows(bend=80.0, section=25.0, angle=np.pi / 2, around=72, along=60):
    """Halves of a torus, mirror images of each other in z = 0."""
    vertices, faces = shapes.elbow(bend, section, angle, around, along)
    return {"lower": (vertices, faces), "upper": (vertices * [1.0, 1.0, -1.0], faces[:, ::-1])}


def leaning(draft_deg, radius=12.0, wall=25.0, length=60.0, width=40.0, fine=20):
    """A round lower trough below an upper channel with plane walls that lean by the draft.

    Positive draft: the upper walls come together towards their floor; negative: they are
    undercut. The floor is joined by fillets.
    """
    lean = np.radians(draft_deg)
    top = np.array([0.5 * width, 0.0])
    # from the edge up the wall, round a fillet that turns it level, to the middle
    along = np.linspace(0.0, wall, fine)[:, None]
    side = top + along * [-np.sin(lean), np.cos(lean)]
    turn = np.linspace(0.0, 0.5 * np.pi - lean, fine)[1:]
    out = np.array([np.cos(lean), np.sin(lean)])  # square to the wall, outward
    centre = side[-1] - radius * out
    round_ = centre + radius * np.stack([np.cos(lean + turn), np.sin(lean + turn)], 1)
    flat = np.linspace(round_[-1], [0.0, round_[-1, 1]], 6)[1:]
    right = np.concatenate([side, round_, flat])
    whole = np.concatenate([right, (right * [-1.0, 1.0])[::-1][1:]])
    t = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 65)
    low = 0.5 * width * np.stack([np.sin(t), -np.cos(t)], 1)
    return {"lower": swept(low, length), "upper": swept(whole, length)}


def swept(line, length, along=12):
    """A channel with section ``line`` (k, 2), (y, z), along x; normals to its left."""
    x = np.linspace(-0.5 * length, 0.5 * length, along + 1)
    k = len(line)
    points = np.concatenate([np.c_[np.full(k, at), line] for at in x])
    i = (np.arange(along)[:, None] * k + np.arange(k - 1)).ravel()
    faces = np.concatenate([np.c_[i, i + k, i + k + 1], np.c_[i, i + k + 1, i + 1]])
    return points, faces


def cones(lean, radius=25.0, long=80.0, around=96, along=24):
    """Lower and upper half of a cone along x whose wall leans by ``lean`` radians from it.

    ``radius`` in the middle; ``around`` facets all round.
    """
    t = np.linspace(-np.pi, 0.0, around // 2 + 1)
    x = np.linspace(-0.5 * long, 0.5 * long, along + 1)
    r = radius + np.tan(lean) * x
    k = len(t)
    points = np.stack(
        [np.repeat(x, k), np.outer(r, np.cos(t)).ravel(), np.outer(r, np.sin(t)).ravel()], 1
    )
    i = (np.arange(along)[:, None] * k + np.arange(k - 1)).ravel()
    faces = np.concatenate([np.c_[i, i + k, i + k + 1], np.c_[i, i + k + 1, i + 1]])
    return {"lower": (points, faces), "upper": (points * [1, -1, -1], faces)}
