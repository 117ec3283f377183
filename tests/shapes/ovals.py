"""Perimeters of superellipses."""

import numpy as np
from scipy.integrate import quad


def oval_perimeter(exponent, a, d):
    """By quadrature of |y/a|ᵉ + |z/d|ᵉ = 1 over an eighth of the turn from either axis."""

    def speed(t, one, other):
        y, z = one * np.cos(t) ** (2 / exponent), other * np.sin(t) ** (2 / exponent)
        dy = -(2 / exponent) * y * np.tan(t)
        dz = (2 / exponent) * z / np.tan(t) if t > 0 else 0.0
        return np.hypot(dy, dz)

    if exponent == 2.0:
        return 4 * quad(lambda t: np.hypot(a * np.sin(t), d * np.cos(t)), 0, np.pi / 2)[0]
    # substituting t = s³ takes away the root at the axes
    top = (np.pi / 4) ** (1 / 3)
    parts = [
        quad(lambda s, p=p: speed(s**3, *p) * 3 * s**2, 0, top, limit=200)[0]
        for p in ((a, d), (d, a))
    ]
    return 4 * sum(parts)
