"""Write docs/speed.md: ``python tests/benchmarks/speed.py``."""

import os
import platform
import sys
import tempfile
import time
from pathlib import Path

import cases
import numpy as np
import plain

from drape import pipeline, publish
from drape.job import load_job

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
    yield "nodes a second, hemisphere, one thread", f"{rate / 1e6:.2f} M", "1 M"
    seconds, net = best_of(lambda: elbow.net(0.5), 5)
    bend = net.known.sum() / seconds
    yield "nodes a second, elbow (with grown columns), one thread", f"{bend / 1e6:.2f} M", ""
    seconds, net = best_of(lambda: hemisphere.net(1.73), 9)
    yield f"a drape of {net.known.sum()} nodes", f"{seconds * 1e3:.1f} ms", "15 ms"
    x, y = np.eye(3)[:2]
    start = np.array([0.0, 0.0, -60.0])
    seconds, _ = best_of(lambda: plain.plain_quadrant(hemisphere.surface, start, x, y, 2.0, 20), 1)
    yield (
        "plain closest-point net with trimesh, nodes a second",
        f"{400 / seconds:.0f} ({rate * seconds / 400:.0f} times slower)",
        "",
    )
    with tempfile.TemporaryDirectory() as folder:
        job = load_job(publish.copy_demo(Path(folder) / "job"))
        pipeline.run(job)
        target = Path(folder) / "patterns"
        seconds, _ = best_of(lambda: publish.publish(pipeline.run(job), target), 2)
    yield "the whole demo, kernels compiled", f"{seconds:.1f} s", "10 s"


def main():
    lines = [
        "# Speed",
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
