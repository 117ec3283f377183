"""Write docs/speed.md: ``python tests/benchmarks/speed.py``."""

import json
import os
import platform
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cases
import cold
import numpy as np
import plain
import views

from drape.geometry.surface import SurfacePoint
from drape.net.solver import NetOptions, solve_net

CANDIDATES = 360
HERE = Path(__file__).resolve().parent
OUT = Path(__file__).resolve().parents[2] / "docs" / "speed.md"


def best_of(function, rounds):
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        result = function()
        times.append(time.perf_counter() - start)
    return min(times), result


def rows():
    hemisphere, elbow = cases.hemisphere(), cases.elbow()
    hemisphere.net(4.0), elbow.net(4.0)
    seconds, net = best_of(lambda: hemisphere.net(0.5), 5)
    rate = net.known.sum() / seconds
    yield "nodes a second, hemisphere, one thread", f"{rate / 1e6:.2f} M", "1.2 M"
    seconds, net = best_of(lambda: elbow.net(0.5), 5)
    bend = net.known.sum() / seconds
    yield "nodes a second, elbow (with grown columns), one thread", f"{bend / 1e6:.2f} M", "0.8 M"
    seconds, net = best_of(lambda: hemisphere.net(1.73), 9)
    yield f"a drape of {net.known.sum()} nodes", f"{seconds * 1e3:.1f} ms", "12 ms"
    x, y = np.eye(3)[:2]
    start = np.array([0.0, 0.0, -60.0])
    seconds, _ = best_of(lambda: plain.plain_quadrant(hemisphere.surface, start, x, y, 2.0, 20), 1)
    yield (
        "plain closest-point net with trimesh, nodes a second",
        f"{400 / seconds:.0f} ({rate * seconds / 400:.0f} times slower)",
        "",
    )
    yield from cold.rows()
    yield from views.rows()
    yield from candidate_rows(elbow)
    for name in ("first", "million", "scan"):
        yield from apart(name)


def candidate_rows(case):
    """Starts and angles all over the elbow, coarse, as a search would try them."""
    rng = np.random.default_rng(0)
    inside = np.flatnonzero(np.asarray(case.extended.level) == 0)
    faces, angles = rng.choice(inside, CANDIDATES), rng.uniform(0.0, np.pi, CANDIDATES)
    options = NetOptions(5.0, fine=False)

    def lay(face, angle):
        place, warp = SurfacePoint(int(face), 0.3, 0.3), [np.cos(angle), np.sin(angle), 0.3]
        return solve_net(
            case.extended.surface, place, np.array(warp), options, level=case.extended.level
        )

    def lay_all(threads):
        with ThreadPoolExecutor(threads) as pool:
            return list(pool.map(lay, faces, angles))

    rounds = [[best_of(lambda n=n: lay_all(n), 1)[0] for n in (1, 2)] for _ in range(6)]
    seconds = np.min(rounds, axis=0)  # in turns, so that a busy moment hits both
    yield f"{CANDIDATES} candidates on the elbow at 5 mm, one thread", f"{seconds[0]:.2f} s", ""
    yield "the same on two threads", f"{seconds[1]:.2f} s", "0.6 s"
    yield "two threads against one", f"{seconds[0] / seconds[1]:.2f} times", "1.8 times"


def apart(name):
    """Rows that need a process of their own: cold code, or the greatest memory."""
    command = [sys.executable, str(HERE / "scale.py"), name]
    out = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    return [tuple(row) for row in json.loads(out.splitlines()[-1])]


def main():
    lines = [
        "# Speed",
        "",
        "[README](../README.md) · [glossary](glossary.md) · [how far to trust it](trust.md)",
        "",
        "Written by `python tests/benchmarks/speed.py` on a machine with "
        f"{os.cpu_count()} cores, Python {platform.python_version()}.",
        "",
        "| what | measured | target |",
        "|---|---|---|",
    ]
    lines += [f"| {a} | {b} | {c} |" for a, b, c in rows()]
    OUT.write_text("\n".join(lines) + "\n", encoding="utf-8")
    sys.stdout.write(OUT.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
