"""Job files for tests, written from dictionaries, and the meshes beside them. Invented data.

What a test varies it may add as TOML: ``more`` is text with tables of its own.
"""

from __future__ import annotations

import numpy as np
import tomlkit
import trimesh
from moulds import troughs

RADIUS, LENGTH, PLY = 25.0, 80.0, 0.22
TWILL = {"weave": "2x2 twill", "areal_mass": 200, "thickness": PLY, "locking_angle": 45}
ONE_EACH = [("lower", "angle = 0"), ("upper", "angle = 0")]
JOINT = '[joint]\nlap_half = "lower"\nlaps = [{lap}]\nset_backs = [0]\nrun_off = {run_off}\n'
BARE = "[bench]\nbulk = 1\ntack_clearance = 0\n"


def write_job(folder, job, meshes=None, more=""):
    """Path of a job: the dictionary ``job``, after it the TOML ``more``.

    ``meshes`` are (vertices, faces) by half; they are written as ``<half>.stl`` and entered.
    """
    mould = dict(job.get("mould", {}))
    halves = {half: dict(keys) for half, keys in mould.get("halves", {}).items()}
    for half, (vertices, faces) in (meshes or {}).items():
        trimesh.Trimesh(vertices, faces, process=False).export(folder / f"{half}.stl")
        halves.setdefault(half, {}).setdefault("mesh", f"{half}.stl")
    whole = {"format": 1, "title": "Test part (invented)", **job}
    whole["mould"] = {**mould, "halves": halves}
    path = folder / "job.toml"
    path.write_text(tomlkit.dumps(whole) + "\n" + more)
    return path


def split_job(folder, meshes, fabrics, plies, *, more="", spacing=2.0, **top):
    """Path of a job of two halves that close along z, with plies of the one fabric.

    ``plies`` are (half, further keys as TOML); ``top`` are keys of the job itself.
    """
    (fabric,) = fabrics
    for half, keys in plies:
        more += f'\n[[plies]]\nhalf = "{half}"\nfabric = "{fabric}"\nspacing = {spacing}\n{keys}\n'
    job = {**top, "mould": {"closing": [0, 0, 1]}, "fabrics": fabrics}
    return write_job(folder, job, meshes, more)


def job_file(folder, meshes, tables, plies, thickness=PLY, weave="2x2 twill", **keys):
    """Path of a job of two halves, its cloth of any thickness; ``tables`` are TOML."""
    mass = 1000.0 * thickness  # g/m²: at 1.78 g/cm³ 56 % of fibre by volume
    cloth = {**TWILL, "weave": weave, "areal_mass": mass, "thickness": thickness}
    return split_job(folder, meshes, {"cloth": cloth}, plies, more=tables, **keys)


def two_troughs(folder, tables, plies):
    """Path of a job of two half-round troughs: flat patterns are exact rectangles."""
    return split_job(folder, troughs(RADIUS, LENGTH, 32, 20), {"twill": TWILL}, plies, more=tables)


def width(order=1):
    """Of the order-th ply between the parting lines, flush: half the mid-surface's girth."""
    return np.pi * (RADIUS - (order - 0.5) * PLY)
