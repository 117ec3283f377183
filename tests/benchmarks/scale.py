"""Rows of docs/speed.md that need a process of their own: ``python scale.py NAME``.

first    the first net in a fresh process, machine code cached
million  nodes a second on a sheet of 1 M triangles
scan     a whole run on an STL of 1 M triangles, a part of 1 m, net of 1 mm
"""

import json
import resource
import sys
import tempfile
import time
from pathlib import Path

import cases
import numpy as np
import trimesh

from drape import cli

sys.path.append(str(Path(__file__).resolve().parents[2] / "meshes"))
from exact import shapes

JOB = """format = 1
title = "A long half shell, invented"
units = "mm"

[mould.halves.shell]
mesh = "shell.stl"

[fabrics.twill]
take = "twill-200"

[[plies]]
half = "shell"
fabric = "twill"
angle = 30
spacing = 1.0
"""


def first():
    case = cases.hemisphere()
    start = time.perf_counter()
    case.net(2.0)
    yield (
        "first net in a fresh process, machine code cached",
        f"{time.perf_counter() - start:.2f} s",
        "0.5 s",
    )


def million():
    mesh = shapes.heightfield(
        lambda x, y: 60.0 * (y / 150.0) ** 2 + 20.0 * np.sin(x / 200.0), 1000.0, 300.0, 1290, 387
    )
    case = cases.Case(mesh, [0.0, 0.0, 0.0], [1.0, 0.3, 0.0])
    times = []
    for _ in range(3):
        start = time.perf_counter()
        net = case.net(1.0)
        times.append(time.perf_counter() - start)
    rate = net.known.sum() / min(times) / 1e6
    name = f"nodes a second, sheet of {len(mesh[1]) / 1e6:.1f} M triangles, one thread"
    yield name, f"{rate:.2f} M", "0.7 M"


def scan():
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        mesh = shapes.half_cone(110.0, 90.0, 1000.0, 400, 1250)
        trimesh.Trimesh(*mesh, process=False).export(folder / "shell.stl")
        (folder / "job.toml").write_text(JOB, encoding="utf-8")
        del mesh
        start = time.perf_counter()
        code = cli.main(["run", str(folder / "job.toml"), "-o", str(folder / "out"), "--quiet"])
        seconds = time.perf_counter() - start
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    what = "`run` on an STL of 1.0 M triangles, 1 m long, net of 1 mm"
    yield f"{what} (exit {code})", f"{seconds:.0f} s", "45 s"
    yield "its greatest memory", f"{memory:.1f} GiB", "2.5 GiB"


if __name__ == "__main__":
    rows = {"first": first, "million": million, "scan": scan}[sys.argv[1]]()
    sys.stdout.write(json.dumps(list(rows)) + "\n")
