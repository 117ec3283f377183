"""Where the demo's time goes: ``python tests/benchmarks/profile_run.py [JOB] [--jobs N]``.

CPU seconds with everything compiled, by stage, by ply and by written file. Functions are
wrapped where their callers look them up; a wrapped one's seconds include those that it calls.
Each thread counts its own, so that waiting for another counts nowhere.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable
from contextlib import ExitStack
from importlib import import_module
from pathlib import Path
from typing import Any
from unittest.mock import patch

# module: functions as it knows them; indented are those that belong to the one before
STAGES = (
    ("drape.pipeline", "read_surface file_faces find_mould check_edge_names _without_noise"),
    ("drape.pipeline", "_trimmed closed_mould _inspections hollow_fields drape_all"),
    ("drape.layup.draping", "  make_beds ground_of _options _drape"),
    (
        "drape.pipeline",
        "joints_of suggested _closing _with_search with_pattern hollow_of summarise _file_grounds",
    ),
    ("drape.publish", "make_scene pictures page pattern_drawing to_svg to_dxf _pdf net_file"),
    ("drape.publish", "tables field_table bench_sheets write_folder to_json"),
    ("drape.bench.sheets", "  flat_map to_sheets"),
)
# of one ply: function and the module that calls it
PIECES = (
    ("make_ply", "drape.layup.draping"),
    ("make_piece", "drape.layup.attempts"),
    ("_extended", "drape.layup.piece"),
    ("_net", "drape.layup.piece"),
    ("_moved", "drape.layup.piece"),
    ("_checks", "drape.layup.piece"),
    ("coverage", "drape.layup.piece"),
    ("assess", "drape.layup.piece"),
    ("cloth_risks", "drape.layup.draping"),
    ("pattern_of", "drape.layup.draping"),
)


class Clock:
    """CPU seconds and calls of wrapped functions, by name; by ply too where one is draped."""

    def __init__(self) -> None:
        self.seconds: dict[Any, float] = defaultdict(float)
        self.calls: dict[Any, int] = defaultdict(int)
        self._lock, self._own = threading.Lock(), threading.local()

    def add(self, key: Any, seconds: float) -> None:
        with self._lock:
            self.seconds[key] += seconds
            self.calls[key] += 1

    def wrapped(self, function: Callable[..., Any], key: Any) -> Callable[..., Any]:
        def timed(*args: Any, **given: Any) -> Any:
            before = time.thread_time()
            try:
                return function(*args, **given)
            finally:
                spent = time.thread_time() - before
                self.add(key, spent)
                if getattr(self._own, "ply", None):
                    self.add((self._own.ply, key), spent)

        return timed

    def of_ply(self, function: Callable[..., Any], at: int) -> Callable[..., Any]:
        """As ``wrapped``, for a function whose argument ``at`` is a ply or has one."""

        def timed(*args: Any) -> Any:
            self._own.ply = getattr(args[at], "ply", args[at]).name
            try:
                return self.wrapped(function, "whole")(*args)
            finally:
                self._own.ply = None

        return timed

    def of_file(self, function: Callable[..., Any], name: Callable[..., str]) -> Callable[..., Any]:
        """As ``wrapped``, under the name of the file that is made of the arguments."""

        def timed(*args: Any, **given: Any) -> Any:
            return self.wrapped(function, ("file", name(*args)))(*args, **given)

        return timed


def watched(clock: Clock, stack: ExitStack) -> None:
    """Wrap all that is looked at until ``stack`` closes."""

    def swap(module: str, name: str, make: Callable[[Callable[..., Any]], Any]) -> None:
        there = import_module(module)
        stack.enter_context(patch.object(there, name, make(getattr(there, name))))

    for module, names in STAGES:
        for name in names.split():
            swap(module, name, lambda f, name=name: clock.wrapped(f, name))
    for name, module in PIECES:
        swap(module, name, lambda f, name=name: clock.wrapped(f, name))
    swap("drape.layup.draping", "_drape", lambda f: clock.of_ply(f, 2))
    files: tuple[tuple[str, Callable[..., str]], ...] = (
        ("pattern_drawing", lambda p: f"patterns/{p.piece}.svg"),
        ("to_svg", lambda d: f"patterns/{d.name}.svg"),
        ("net_file", lambda net, fabric: "nets/*.vtp"),
        ("tables", lambda plies, half, ground: f"fields/{half.name}.csv"),
        ("field_table", lambda plies: "fields/*.csv"),
        ("to_dxf", lambda *_: "patterns.dxf"),
        ("_pdf", lambda *_: "patterns.pdf"),
        ("page", lambda *_: "view.html"),
        ("bench_sheets", lambda *_: "layup-sheets.pdf"),
        ("to_json", lambda *_: "summary.json"),
    )
    for name, of in files:
        swap("drape.publish", name, lambda f, of=of: clock.of_file(f, of))


def stage_rows(clock: Clock, imports: float, child: float) -> list[str]:
    out = [f"{'imports':28}{imports:8.2f}{1:7}"]
    for _, names in STAGES:
        for name in names.split():
            shown = ("  " if names.startswith("  ") else "") + name
            out.append(f"{shown:28}{clock.seconds[name]:8.2f}{clock.calls[name]:7}")
    return [*out, f"{'pictures, their process':28}{child:8.2f}{1:7}"]


def ply_rows(clock: Clock) -> list[str]:
    names = [name for name, _ in PIECES]
    plies = [key[0] for key in clock.seconds if isinstance(key, tuple) and key[1] == "whole"]
    out = [f"{'ply':12}{'whole':>8}" + "".join(f"{n.strip('_')[:11]:>12}" for n in names)]
    for ply in sorted(plies):
        cells = [
            f"{clock.seconds[ply, n]:8.2f} x{clock.calls[ply, n]:<2}" if n in clock.seconds else ""
            for n in names
        ]
        out.append(f"{ply:12}{clock.seconds[ply, 'whole']:8.2f}" + "".join(cells))
    return out


def file_rows(clock: Clock) -> list[str]:
    files = {k[1]: s for k, s in clock.seconds.items() if isinstance(k, tuple) and k[0] == "file"}
    return [f"{name:28}{seconds:8.2f}" for name, seconds in sorted(files.items())]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("job", nargs="?", type=Path, help="job file; the demo without it")
    parser.add_argument("--jobs", type=int, default=None)
    args = parser.parse_args()
    before = time.process_time()
    from drape import pipeline, publish  # the imports are timed too
    from drape.job.job import load_job

    imports = time.process_time() - before
    clock = Clock()
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        job = load_job(args.job or publish.copy_demo(Path(folder) / "job"))
        pipeline.run(job, jobs=args.jobs)  # compiles what isn't, and reads what is
        watched(clock, stack)
        wall, cpu = time.perf_counter(), time.process_time()
        publish.publish(pipeline.run(job, jobs=args.jobs), Path(folder) / "patterns")
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    child = used.ru_utime + used.ru_stime
    print(f"wall {wall:.1f} s, CPU {cpu:.1f} s and {child:.1f} s of the pictures' process\n")
    print(f"{'stage':28}{'CPU s':>8}{'calls':>7}", *stage_rows(clock, imports, child), sep="\n")
    print("", *ply_rows(clock), "", f"{'file':28}{'CPU s':>8}", *file_rows(clock), sep="\n")


if __name__ == "__main__":
    sys.exit(main())
