"""Jobs of two half-round troughs closed on each other: flat patterns are exact rectangles."""

import numpy as np
import trimesh
from exact import shapes

RADIUS, LENGTH, PLY = 25.0, 80.0, 0.22
JOB = """format = 1
title = "Troughs (invented)"
[mould]
closing = [0, 0, 1]
[mould.halves.lower]
mesh = "lower.stl"
[mould.halves.upper]
mesh = "upper.stl"
[fabrics.twill]
weave = "2x2 twill"
areal_mass = 200
thickness = {thickness}
locking_angle = 45
{tables}
"""


def two_troughs(folder, tables, plies):
    """Path of a job; ``tables`` are TOML, ``plies`` (half, further keys as TOML)."""
    vertices, faces = shapes.trough(RADIUS, LENGTH, 32, 20)
    for half, turn in (("lower", [1.0, 1.0, 1.0]), ("upper", [1.0, -1.0, -1.0])):
        trimesh.Trimesh(vertices * turn, faces, process=False).export(folder / f"{half}.stl")
    text = JOB.format(thickness=PLY, tables=tables)
    for half, keys in plies:
        text += f'[[plies]]\nhalf = "{half}"\nfabric = "twill"\nspacing = 2.0\n{keys}\n'
    path = folder / "job.toml"
    path.write_text(text)
    return path


def width(order=1):
    """Of the order-th ply between the parting lines, flush: half the mid-surface's girth."""
    return np.pi * (RADIUS - (order - 0.5) * PLY)
