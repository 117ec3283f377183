"""Patterns made from formulas, with what the tests of all writers share."""

from __future__ import annotations

import numpy as np

from drape.layup.pattern import Pattern, PatternEdge


def strip(
    length: float = 420.0,
    width: float = 98.0,
    start: float = 180.0,
    turned_deg: float = 0.0,
    hole: float | None = 260.0,
    **names: object,
) -> Pattern:
    """A curved strip with four edges and lap lines 10 mm inside its long sides.

    ``start`` and ``hole`` are distances in mm from the left end; the whole is turned
    about the start point.
    """
    count = 30
    x = np.linspace(0.0, length, count)
    lower = np.stack([x - start, -width / 2 + 0.06 * width * np.sin(np.pi * x / length)], 1)
    upper = np.stack([x - start, width / 2 + 0.1 * width * np.sin(np.pi * x / length)], 1)[::-1]
    t = -np.linspace(0.0, 2 * np.pi, 24, endpoint=False)
    circle = np.stack([np.cos(t), np.sin(t)], 1) * 0.12 * width
    holes = () if hole is None else (circle + np.array([hole - start, 0.0]),)
    last = 2 * count - 1
    edges = (
        PatternEdge("A-B.1", "parting", 0, count - 1, 10.0),
        PatternEdge("B", "mouth", count - 1, count, 12.5),
        PatternEdge("A-B.2", "parting", count, last, 0.0),
        PatternEdge("A", "mouth", last, 0, -5.0),
    )
    a = np.radians(turned_deg)
    turning = np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    given = {
        "piece": "lower-2",
        "ply": "lower-2",
        "half": "lower",
        "fabric": "twill-200",
        "order": 2,
        "of": 3,
        "angle_deg": 30.0,
        "seen_from": "inside",
        **names,
    }
    return Pattern(
        **given,
        outline=np.concatenate([lower, upper]) @ turning,
        holes=tuple(h @ turning for h in holes),
        edges=edges,
        edge_lines=(("A-B.1", (lower + np.array([0.0, 10.0])) @ turning),),
    )


def large() -> Pattern:
    """Larger than any office paper in both directions."""
    return strip(900.0, 500.0, 300.0, hole=650.0, piece="lower-1", order=1)


NASTY = 'a%%u <script>alert("1")</script> & ^J \\U+0041 \n0\nSECTION ☠ \x00\x1b\u2028ąß漢'
