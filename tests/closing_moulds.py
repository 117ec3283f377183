"""Jobs of split moulds whose sections are half circles or leaning walls, for closing."""

import numpy as np
import trimesh
from exact import shapes

HEAD = """format = 1
title = "Closing (invented)"
{top}
[mould]
closing = [0, 0, 1]
[mould.halves.lower]
mesh = "lower.stl"
[mould.halves.upper]
mesh = "upper.stl"
[fabrics.cloth]
weave = "{weave}"
areal_mass = {mass}
thickness = {thickness}
locking_angle = 45
{tables}
"""
BARE = "[bench]\nbulk = 1\ntack_clearance = 0\n"


def job_file(folder, meshes, tables, plies, thickness=0.22, weave="2x2 twill", top="", spacing=2.0):
    """Path of a job; ``meshes`` by half, ``plies`` (half, further keys as TOML)."""
    for half, (vertices, faces) in meshes.items():
        trimesh.Trimesh(vertices, faces, process=False).export(folder / f"{half}.stl")
    mass = 1000.0 * thickness  # g/m²: at 1.78 g/cm³ 56 % of fibre by volume
    text = HEAD.format(thickness=thickness, mass=mass, weave=weave, tables=tables, top=top)
    for half, keys in plies:
        text += f'[[plies]]\nhalf = "{half}"\nfabric = "cloth"\nspacing = {spacing}\n{keys}\n'
    path = folder / "job.toml"
    path.write_text(text)
    return path


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
