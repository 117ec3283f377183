"""The figures of the golden jobs as committed, and what a run has against them.

``python tests/golden/figures.py`` runs all jobs and writes ``figures.json`` again; the diff
then says what has changed. Pictures are left out of the lay-up sheets: they hold no figures,
and take half of the time. Figures are rounded to 1e-6, since processors differ in the last
bits, and are never compared as text.

With the meshes' vertices moved by 1e-13 mm nets differ by 1e-10 mm and degrees at most. The
summary rounds most lengths to 0.001 mm: one that lies that near to where the rounding jumps
would be 0.001 off on another machine. Then writing the figures again doesn't help: turn that
job a little.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

from golden_jobs import JOBS
from reading import figures_of, net_arrays, net_digest, numbers, numeric, summary_of

from drape import pipeline, publish
from drape.job.job import load_job

FILE = Path(__file__).with_name("figures.json")
DIGITS, TOLERANCE = 6, 1e-6  # mm, degrees and the like; relative for areas larger than 1 mm²


def no_pictures(scene):
    """In the place of the pictures of the lay-up sheets."""
    return {}, ()


def run(name, folder, jobs=1):
    """Run a job as ``plywright run`` does, but for the pictures; its output folder."""
    path = JOBS[name].write(folder / "job")
    out = folder / "patterns"
    drawn, publish.pictures = publish.pictures, no_pictures
    try:
        publish.publish(pipeline.run(load_job(path), jobs=jobs), out)
    finally:
        publish.pictures = drawn
    return out


def found(out):
    """Path → value of all figures in an output folder, digests of its nets among them."""
    figures = figures_of(summary_of(out))
    for path in sorted((out / "nets").glob("*.vtp")):
        for key, value in net_digest(net_arrays(path.read_bytes())).items():
            figures[f"nets/{path.name}/{key}"] = value
    return figures


def differences(committed, new):
    """One line for each figure that isn't what was committed."""
    lines = []
    for path in [*committed, *(p for p in new if p not in committed)]:
        if path not in new or path not in committed:
            lines.append(f"{path}: {'gone' if path in committed else 'not committed'}")
        elif wrong := _difference(path, committed[path], new[path]):
            lines.append(f"{path}: {wrong}")
    return lines


def _difference(path, old, new):
    if not (numeric(old) and numeric(new)):
        return "" if old == new and type(old) is type(new) else f"{old!r} became {new!r}"
    (before, old_shape), (after, new_shape) = numbers(old), numbers(new)
    if old_shape != new_shape:
        return f"{len(before)} numbers became {len(after)}, or they are arranged otherwise"
    relative = path.endswith("mm2")
    off = [
        abs(b - a) / (max(1.0, abs(a)) if relative else 1.0)
        for a, b in zip(before, after, strict=True)
    ]
    worst = max(range(len(off)), key=off.__getitem__)
    if off[worst] <= TOLERANCE * (1.0 + 1e-6):  # one unit of a rounded figure isn't too much
        return ""
    return f"{before[worst]:.9g} became {after[worst]:.9g}"


def _rounded(value):
    if isinstance(value, list):
        return [_rounded(item) for item in value]
    return round(value, DIGITS) + 0.0 if isinstance(value, float) else value


def text_of(all_figures):
    """``figures.json``: one figure a line, so that a diff can be read."""
    jobs = []
    for name, figures in all_figures.items():
        rows = [
            f"  {json.dumps(path)}: {json.dumps(_rounded(value), ensure_ascii=False)}"
            for path, value in figures.items()
        ]
        jobs.append(f"{json.dumps(name)}: {{\n" + ",\n".join(rows) + "\n}")
    return "{\n" + ",\n".join(jobs) + "\n}\n"


def main():
    """Write ``figures.json`` again."""
    all_figures = {}
    with tempfile.TemporaryDirectory() as folder:
        for name in JOBS:
            print(name, file=sys.stderr)
            all_figures[name] = found(run(name, Path(folder) / name))
    FILE.write_text(text_of(all_figures), encoding="utf-8")


if __name__ == "__main__":
    main()
