"""Six small jobs of what the demo doesn't have, written into folders. All data are invented.

They stand turned by odd angles and away from the origin, so that nothing is decided by a tie,
and are rounded to 1e-5 mm, so that the files are the same on every machine. Meshes are coarse
and nets wide: the set is there to be run often, not to be accurate.

``python tests/golden/golden_jobs.py FOLDER [NAME ...]`` writes them, each in a folder of its own.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import trimesh
from scipy.spatial.transform import Rotation

sys.path.append(str(Path(__file__).resolve().parents[2] / "meshes"))
from exact.split_tubes import Oval, SplitTube, bend, straight
from y_mould import YMould

TURN = Rotation.from_euler("xyz", [17.0, -29.0, 41.0], degrees=True).as_matrix()
SHIFT = np.array([12.3, -45.6, 7.8])
UP = [round(float(x), 9) for x in TURN[:, 2]]
CLOTH = """[fabrics.twill]
weave = "2x2 twill"
areal_mass = 200
thickness = 0.22
locking_angle = 45
"""


@dataclass(frozen=True)
class GoldenJob:
    """A job's tables and its meshes: file name → (vertices, faces), in the mould's own frame."""

    name: str
    meshes: Callable[[], dict]
    tables: str

    def write(self, folder):
        """Write job and meshes into ``folder``; returns the job's path."""
        folder.mkdir(parents=True)
        for file, (vertices, faces) in self.meshes().items():
            mesh = trimesh.Trimesh(placed(vertices), faces, process=False)
            mesh.export(folder / file)
        path = folder / f"{self.name}.toml"
        path.write_text(f'format = 1\ntitle = "{self.name} (invented)"\n{self.tables}')
        return path


def placed(points):
    """Points of the mould's own frame as they stand in the files, mm."""
    return np.round(np.asarray(points) @ TURN.T + SHIFT, 5)


def plies(*rows, spacing):
    """``[[plies]]`` tables from (half, further keys as TOML)."""
    keys = f'fabric = "twill"\nspacing = {spacing}\n'
    return "".join(f'[[plies]]\nhalf = "{half}"\n{keys}{more}\n' for half, more in rows)


def mould(lower, upper=None, more=""):
    """The ``[mould]`` tables."""
    text = f'[mould]\n{more}[mould.halves.lower]\nmesh = "{lower}"\n'
    return text + (f'[mould.halves.upper]\nmesh = "{upper}"\n' if upper else "") + CLOTH


def both(tube, files, form="sheet", **count):
    """Both halves of a tube, irregular, by file name."""
    made = {}
    for seed, (half, file) in enumerate(zip(("lower", "upper"), files, strict=True)):
        mesh = tube.mesh(half, form, seed=seed + 5, **count)
        made[file] = (mesh.vertices, mesh.faces)
    return made


def strip_before():
    """A joint strip laid before closing, over one run of a gentle bend; names with a blank."""
    files = ("lower half.stl", "upper half.stl")
    tube = SplitTube(bend(90.0, 0.4), Oval(), half_width=20.0, depth=15.0, flange=22.0)
    joint = """[joint]
lap_half = { "A-B.1" = "upper", "A-B.2" = "lower" }
laps = [8]
set_backs = [3]
run_off = 6
[[joint.strips]]
name = "seam tape"
run = "A-B.1"
width = 22
angle = 45
fabric = "twill"
laid = "before"
half = "upper"
spacing = 2
"""
    rows = plies(("lower", "angle = 20"), ("upper", "angle = -20"), spacing=3)
    return GoldenJob(
        "strip before",
        lambda: both(tube, files, along=60, around=64),
        mould(*files) + joint + rows,
    )


def wrapped():
    """A wrapped ply without a strip, round a tapered tube; angles seen from the mould; a bag."""
    files = ("lower.ply", "upper.ply")
    tube = SplitTube(
        straight(90.0), Oval(), half_width=lambda s: 19.0 - 0.04 * s, depth=14.0, flange=20.0
    )
    joint = """[joint]
lap_half = "lower"
laps = [8]
set_backs = [2]
run_off = 5
[[joint.wraps]]
seam = "A-B.2"
overlap = 10
angle = 30
fabric = "twill"
spacing = 2
[bag]
kind = "stretch"
stock = [30, 40]
"""
    rows = plies(("lower", "angle = 45"), ("upper", "angle = 0"), spacing=3)
    return GoldenJob(
        "wrapped",
        lambda: both(tube, files, along=50, around=48),
        'seen_from = "mould"\n' + mould(*files) + joint + rows,
    )


def one_half():
    """One half alone, a solid block; allowances that change along a run.

    Without a trim line, which the demo has: its figures are unsure by 1e-8, a thousand times more
    than others, enough for rounded lengths to jump on another machine.
    """
    tube = SplitTube(bend(110.0, 0.5), Oval(2.5), half_width=22.0, depth=14.0, flange=18.0)
    more = "[plies.allowances]\n" + '"A-B.2" = [[0, 4], [60, -3]]\nA = 7\n'
    rows = plies(("lower", "angle = 45"), ("lower", f"angle = 10\n{more}"), spacing=3)

    def meshes():
        mesh = tube.mesh("lower", "solid", along=50, around=48, seed=3)
        return {"block.obj": (mesh.vertices, mesh.faces)}

    return GoldenJob("one half", meshes, mould("block.obj") + rows)


def three_mouths():
    """A Y without flanges, its closing direction told."""
    tables = '[joint]\nlap_half = "upper"\nlaps = [6]\nset_backs = [2]\nrun_off = 5\n'
    rows = plies(("lower", "angle = 10"), spacing=3) + plies(("upper", "angle = 35"), spacing=4)
    files = {"lower": "lower.stl", "upper": "upper.stl"}
    return GoldenJob(
        "three mouths",
        lambda: {file: YMould().mesh(half, 24, 14) for half, file in files.items()},
        mould(*files.values(), more=f"closing = {UP}\n") + tables + rows,
    )


def renamed():
    """Mouths with names of the user's own, in edges too; squarish sections."""
    files = ("lower.stl", "upper.stl")
    tube = SplitTube(bend(100.0, 0.25), Oval(2.6), half_width=24.0, depth=14.0, flange=22.0)
    joint = """[joint]
lap_half = { "stern-bow.1" = "lower", "stern-bow.2" = "upper" }
laps = [7]
set_backs = [0]
run_off = 4
"""
    more = 'angle = 30\n[plies.allowances]\nbow = 9\n"stern-bow.1" = 5\n'
    rows = plies(("lower", more), ("upper", "angle = -15"), spacing=2.5)
    names = '[mould.mouths]\nA = "stern"\nB = "bow"\n'
    return GoldenJob(
        "renamed",
        lambda: both(tube, files, along=50, around=48),
        mould(*files, more=names) + joint + rows,
    )


def yarn_search():
    """The search for starts and angles that bring the yarns together across the line."""
    files = ("lower.stl", "upper.stl")
    tube = SplitTube(bend(70.0, 0.3), Oval(), half_width=16.0, depth=13.0, flange=16.0)
    joint = """[joint]
lap_half = "lower"
laps = [5]
set_backs = [0]
yarns = "running-through"
yarns_search = true
"""
    rows = plies(("lower", "angle = 25"), ("upper", "angle = -10"), spacing=3.5)
    return GoldenJob(
        "yarn search",
        lambda: both(tube, files, along=36, around=40),
        mould(*files) + joint + rows,
    )


JOBS = {
    job.name: job
    for job in (strip_before(), wrapped(), one_half(), three_mouths(), renamed(), yarn_search())
}


def main(folder, *names):
    """Write the named jobs, or all."""
    unknown = set(names) - set(JOBS)
    if unknown:
        sys.exit(f"no such jobs: {', '.join(sorted(unknown))}; there are {', '.join(JOBS)}")
    for name in names or JOBS:
        JOBS[name].write(Path(folder) / name)


if __name__ == "__main__":
    main(*sys.argv[1:])
