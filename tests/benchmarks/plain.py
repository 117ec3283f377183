"""A plain net for comparison: fourth nodes by closest-point queries of trimesh.

What one writes in an afternoon: the fourth corner of each cell is the tangent-plane
intersection of two circles, dropped on the mesh by ``trimesh.proximity.closest_point``.
"""

import numpy as np
import trimesh


def plain_quadrant(surface, start, along, across, spacing, count):
    """Lay count × count nodes over one quadrant; returns (count, count, 3)."""
    mesh = trimesh.Trimesh(surface.vertices, surface.faces, process=False)
    out = np.full((count, count, 3), np.nan)
    out[0, 0] = start
    for k in range(1, count):
        out[k, 0] = _drop(mesh, out[k - 1, 0] + spacing * _ahead(out, k, 0, along))
        out[0, k] = _drop(mesh, out[0, k - 1] + spacing * _ahead(out, 0, k, across))
    for i in range(1, count):
        for j in range(1, count):
            a, b = out[i - 1, j], out[i, j - 1]
            point = a + b - out[i - 1, j - 1]
            for _ in range(4):
                ga, gb = point - a, point - b
                la, lb = np.linalg.norm(ga), np.linalg.norm(gb)
                jacobian = np.stack([ga / la, gb / lb])
                step = np.linalg.lstsq(jacobian, [spacing - la, spacing - lb], rcond=None)[0]
                point = _drop(mesh, point + step)
            out[i, j] = point
    return out


def _drop(mesh, point):
    return trimesh.proximity.closest_point(mesh, [point])[0][0]


def _ahead(out, i, j, direction):
    back = (i - 2, j) if j == 0 else (i, j - 2)
    if max(i, j) < 2:
        return direction
    before = (i - 1, j) if j == 0 else (i, j - 1)
    step = out[before] - out[back]
    return step / np.linalg.norm(step)
