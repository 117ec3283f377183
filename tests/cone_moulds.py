"""Halves of a cone, which unrolls to an annular sector."""

import numpy as np


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
