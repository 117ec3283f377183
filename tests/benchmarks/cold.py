"""Rows of docs/speed.md about the first run on a machine: nothing compiled, empty cache.

Everything runs in processes of its own, from a copy of the packages without their .pyc files.
"""

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
MAKE = "import sys; from drape import kernels; sys.exit(kernels.main(['make', {!r}, sys.argv[1]]))"
ORDINARY = "from drape import selftest; selftest.check()"
DEMO = "import sys; from drape.cli import main; sys.exit(main(['demo', '-o', sys.argv[1]]))"
HELP = "import sys; from drape.cli import main; sys.exit(main(['--help']))"
INSPECT = (
    "import sys; from drape.cli import main; "
    "sys.exit(main(['inspect', *(f'{sys.argv[1]}/rigger_{h}.stl' for h in ('lower', 'upper'))]))"
)


def timed(tree, cache, code, *arguments, **more):
    """Seconds of wall clock and of processor time of a fresh process and its children."""
    environment = {
        **os.environ, "PYTHONPATH": str(tree), "XDG_CACHE_HOME": str(cache),
        "PLYWRIGHT_KERNELS": "", **more,
    }  # fmt: skip
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    command = [sys.executable, "-c", code, *map(str, arguments)]
    subprocess.run(command, env=environment, check=True, capture_output=True, cwd=cache)
    wall, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    return wall, cpu


def rows():
    """What, measured, target."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        tree = folder / "tree"
        for package in ("drape", "viewers", "meshes"):
            skip = shutil.ignore_patterns("__pycache__", "node_modules")
            shutil.copytree(ROOT / package, tree / package, ignore=skip)
        wall, cpu = timed(tree, folder, DEMO, folder / "demo")
        yield (
            "`plywright demo` after install: no .pyc, empty cache",
            f"{wall:.1f} s ({cpu:.1f} s CPU)", "25 s",
        )  # fmt: skip
        wall, cpu = timed(tree, folder, DEMO, folder / "demo")
        yield "`plywright demo` again", f"{wall:.1f} s ({cpu:.1f} s CPU)", "8 s (16 s CPU)"
        wall, _ = timed(tree, folder, HELP)
        yield "`plywright --help`", f"{wall:.2f} s", "0.4 s"
        wall, _ = timed(tree, folder, INSPECT, folder / "demo" / "job")
        yield "`plywright inspect` of the demo's halves", f"{wall:.1f} s", "2.5 s"
        for what, kind, target in (
            ("compiling all kernels from the joined code that ships", "joined", "10 s CPU"),
            ("the same from their sources, numba's front end first", "sources", "45 s CPU"),
        ):
            place = folder / kind
            place.mkdir(mode=0o700)
            _, cpu = timed(tree, folder, MAKE.format(kind), place)
            yield what, f"{cpu:.1f} s CPU", target
        (folder / "o").mkdir()
        _, cpu = timed(tree, folder / "o", ORDINARY, PLYWRIGHT_KERNELS="ordinary")
        yield "numba's ordinary way, those that the self-test calls", f"{cpu:.1f} s CPU", ""
