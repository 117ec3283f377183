"""Surfaces with exact Gauss curvature, for the identity that ties a net's shear to it.

Source of the formulas: key ``docarmo1976``. Graph z = f(x, y):
K = (f_xx f_yy − f_xy²)/(1 + f_x² + f_y²)². Torus: K = cos θ/(r(R + r cos θ)).
"""

import numpy as np
from helpers import cell_areas


def graph_curvature(fx, fy, fxx, fxy, fyy):
    return (fxx * fyy - fxy**2) / (1.0 + fx**2 + fy**2) ** 2


def quadric(a, b):
    """z = (a x² + b y²)/2: height and curvature as functions of (x, y)."""

    def height(x, y):
        return 0.5 * (a * x * x + b * y * y)

    def curvature(p):
        zero = np.zeros_like(p[..., 0])
        return graph_curvature(a * p[..., 0], b * p[..., 1], a + zero, zero, b + zero)

    return height, curvature


def waves_and_bumps(waves, bumps):
    """Sum of a·sin(p x + q y + c) and a·exp(−((x − x₀)² + (y − y₀)²)/2w²), with curvature.

    ``waves``: rows (a, p, q, c); ``bumps``: rows (a, x0, y0, w).
    """

    def derivatives(x, y):
        out = [np.zeros_like(x) for _ in range(6)]  # f, fx, fy, fxx, fxy, fyy
        for a, p, q, c in waves:
            s, t = a * np.sin(p * x + q * y + c), a * np.cos(p * x + q * y + c)
            terms = (s, p * t, q * t, -p * p * s, -p * q * s, -q * q * s)
            out = [o + v for o, v in zip(out, terms, strict=True)]
        for a, x0, y0, w in bumps:
            u, v = (x - x0) / w, (y - y0) / w
            g = a * np.exp(-0.5 * (u * u + v * v))
            first = (g, -u * g / w, -v * g / w)
            second = ((u * u - 1) * g / w**2, u * v * g / w**2, (v * v - 1) * g / w**2)
            out = [o + v for o, v in zip(out, (*first, *second), strict=True)]
        return out

    def height(x, y):
        return derivatives(x, y)[0]

    def curvature(p):
        return graph_curvature(*derivatives(p[..., 0], p[..., 1])[1:])

    return height, curvature


def torus_curvature(bend, section):
    """Curvature of ``shapes.elbow`` at its points: axis through (0, bend, ·) along z."""

    def curvature(p):
        ring = np.hypot(p[..., 0], p[..., 1] - bend)
        cosine = (ring - bend) / section
        return cosine / (section * ring)

    return curvature


def mixed_differences(net, inside, curvature):
    """(p, q) alternating sum of the shears round each node less its ∬K dA; NaN elsewhere."""
    good = inside[1:, 1:] & inside[:-1, 1:] & inside[1:, :-1] & inside[:-1, :-1]
    shear = np.where(good, net.shear, np.nan)
    out = np.full(net.known.shape, np.nan)
    around = shear[1:, 1:], shear[:-1, 1:], shear[1:, :-1], shear[:-1, :-1]
    area = 0.25 * sum(np.cos(s) for s in around)
    area = area * np.gradient(net.u)[1:-1, None] * np.gradient(net.v)[None, 1:-1]
    total = curvature(net.points[1:-1, 1:-1]) * area
    out[1:-1, 1:-1] = around[0] - around[1] - around[2] + around[3] - total
    return out


def curvature_from_origin(net, curvature):
    """(p−1, q−1) ∬K dA from the first yarns to each cell's centre, radians; NaN elsewhere.

    Per cell K at its middle times du·dv·cos γ; summed outwards from the origin, and the
    four corners' sums averaged.
    """
    u, v = net.centres
    middle = net.to_surface(np.stack(np.meshgrid(u, v, indexing="ij"), -1).reshape(-1, 2))
    cell = curvature(middle).reshape(len(u), len(v)) * cell_areas(net)
    i, j = net.origin
    total = np.full(net.known.shape, np.nan)
    for di in (1, -1):
        for dj in (1, -1):
            a = cell[i:] if di > 0 else cell[:i][::-1]
            a = a[:, j:] if dj > 0 else a[:, :j][:, ::-1]
            s = di * dj * np.pad(a.cumsum(0).cumsum(1), ((1, 0), (1, 0)))
            rows = np.arange(len(s)) * di + i
            columns = np.arange(s.shape[1]) * dj + j
            total[np.ix_(rows, columns)] = s
    return 0.25 * (total[1:, 1:] + total[:-1, 1:] + total[1:, :-1] + total[:-1, :-1])


def on_base(net, extended):
    """(p, q) nodes that are known and lie on the sheet itself."""
    out = np.zeros(net.known.shape, bool)
    out[net.known] = extended.level[net.faces[net.known]] == 0
    return out
