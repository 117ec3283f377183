"""Exact rims of the CAD moulds, and how far others are from them. Own frame, mm.

Each is a curve in a plane, as lines and finely sampled arcs: z = 0, but y = ± radius of the
stepped mould. Sampling is off by less than 1e-5 mm.
"""

from __future__ import annotations

import numpy as np
import shapely
from cad_mould import CadMould
from cad_profiles import Arc, rounded

COUNT = 20000  # samples of a curve
FAR = 500.0  # mm: ends of straights that stop at a mould's ends


def _arc(centre, radius, first, last):
    t = np.linspace(first, last, COUNT)
    return centre + radius * np.stack([np.cos(t), np.sin(t)], axis=1)


def _ellipse(a, b, first=0.0, last=2.0 * np.pi):
    return _arc(np.zeros(2), 1.0, first, last) * [a, b]


def _straights(half_width, last=FAR, first=-FAR):
    return [np.array([[first, y], [last, y]]) for y in (half_width, -half_width)]


def _profile(points):
    """Lines and arcs of a parting surface's profile."""
    parts = []
    for part in rounded(points):
        if isinstance(part, Arc):
            x, z = part.first - part.centre
            start = np.arctan2(z, x)
            parts.append(_arc(part.centre, part.radius, start, start + part.turn))
        else:
            parts.append(np.array([part.first, part.last]))
    return [np.vstack(parts)]


def _beside(path, half_width):
    """Parallels of a tube's centreline, on both sides."""
    curves = []
    for side in (half_width, -half_width):
        at, way, points = 0.0 + 0.0j, 1.0 + 0.0j, []
        for row in path:
            if len(row) == 1:
                points += [at + 1j * side * way, at + (row[0] + 1j * side) * way]
                at += row[0] * way
                continue
            radius, turn = row
            centre = at + 1j * np.sign(turn) * radius * way
            turned = np.exp(1j * np.linspace(0.0, turn, COUNT))
            points += list(centre + (at + 1j * side * way - centre) * turned)
            at, way = centre + (at - centre) * turned[-1], way * turned[-1]
        curves.append(np.stack([np.real(points), np.imag(points)], axis=1))
    return curves


def _tray(length, width, draft, fillet):
    """Its drafted corners are filleted by cylinders that lean: a plane cuts them in ellipses.

    Semi-axes r √(1 + 2 tan²δ) along the corner's diagonal and r across; the centre lies
    r / cos δ inside both walls.
    """
    lean = np.radians(draft)
    a, b = fillet * np.sqrt(1.0 + 2.0 * np.tan(lean) ** 2), fillet
    inside = fillet / np.cos(lean)
    angle = np.arctan2(b, a)  # of the point with its tangent along a wall, off the diagonal
    corner = _ellipse(a, b, -angle, angle) @ (np.array([[1.0, 1.0], [-1.0, 1.0]]) / np.sqrt(2.0))
    corner += np.array([length, width]) / 2.0 - inside
    back = (corner * [-1.0, 1.0])[::-1]
    ring = np.vstack([corner, back, -corner, -back])
    return [np.vstack([ring, ring[:1]])]


def exact_rim(mould: CadMould) -> list[np.ndarray] | None:
    """Curves (n, 2) of its parting line; None where none is written down here."""
    s = mould.sizes
    if mould.kind in ("bar", "ball"):
        half = float(np.sqrt(s["radius"] ** 2 - s.get("centre", 0.0) ** 2))
        return _straights(half) if mould.kind == "bar" else [_ellipse(half, half)]
    if mould.kind == "capsule":
        radius, first = s["radius"], -s["length"] if s["closed"] == 2 else -FAR
        ends = [_arc(np.zeros(2), radius, -np.pi / 2, np.pi / 2)]
        ends += [-_arc(np.zeros(2), radius, -np.pi / 2, np.pi / 2) + [first, 0.0]]
        return _straights(radius, 0.0, first) + ends[: s["closed"]]
    if mould.kind == "nose":
        nose = _ellipse(s["nose"], s["radius"], -np.pi / 2, np.pi / 2)
        return [*_straights(s["radius"], 0.0), nose]
    if mould.kind == "spindle":
        half, rise = s["half_length"], s["radius"]
        radius = (half**2 + rise**2) / (2.0 * rise)
        turn = np.arcsin(half / radius)
        above = _arc([0.0, rise - radius], radius, np.pi / 2 - turn, np.pi / 2 + turn)
        return [above, above * [1.0, -1.0]]
    makers = {
        "ellipsoid": lambda: [_ellipse(s["a"], s["b"])],
        "tube": lambda: _beside(s["path"], s["section"][1]),
        "stepped": lambda: _profile(s["step"]),
        "tray": lambda: _tray(s["length"], s["width"], s["draft"], s["fillet"]),
    }
    return makers[mould.kind]() if mould.kind in makers else None


def off_rim(mould: CadMould, points) -> np.ndarray:
    """(n,) distances of points of the own frame from the exact rim."""
    x, y, z = np.asarray(points).T
    stepped = mould.kind == "stepped"
    across = np.abs(y) - mould.sizes["radius"] if stepped else z
    flat = shapely.points(np.stack([x, z if stepped else y], axis=1))
    curves = shapely.multilinestrings([shapely.linestrings(c) for c in exact_rim(mould)])
    return np.hypot(shapely.distance(flat, curves), across)
