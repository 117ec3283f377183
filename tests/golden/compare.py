"""Compare this tree's output with another commit's, on one machine.

``python tests/golden/compare.py BASE`` checks BASE out into a temporary folder, writes the golden
jobs and the demo once, runs them from both trees on one thread and on two, and compares all
files byte by byte. Where they differ it says by how much; what is left out stands in
``comparing.py``. BASE's kernels are compiled first where the cache has none for its folder;
``--work DIR`` keeps folder, tree and output for the next time. Needs pypdf.

Exit codes: 0 nothing differs, 1 something does, 2 a run ended in bad input or a fault.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from comparing import SAME, Differs, compared, figures_off

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent
DEMO = "demo"
THREADS = (1, 2)
NO_OUTPUT = (2, 70)  # exit codes of bad input and of a fault
WHERE = "import pathlib, drape; print(pathlib.Path(drape.__file__).resolve().parents[1])"


@dataclass(frozen=True)
class Pair:
    """Two runs of a job to compare."""

    job: str
    what: str
    old: Path
    new: Path


def python(tree, *arguments, cwd):
    """Run Python on a tree's packages; its exit code and what it said."""
    environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    done = subprocess.run(
        [sys.executable, *map(str, arguments)],
        env=environment, cwd=cwd, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout, done.stderr


def stop(*lines):
    """End with exit code 2."""
    print(*lines, sep="\n", file=sys.stderr)
    raise SystemExit(2)


@contextmanager
def folder_and_tree(base, work):
    """A folder to work in and BASE's tree in it; both are removed unless ``work`` names them."""
    folder = Path(work or tempfile.mkdtemp(prefix="golden-")).resolve()
    folder.mkdir(parents=True, exist_ok=True)
    tree = folder / "base"
    base = git("-C", ROOT, "rev-parse", "--verify", f"{base}^{{commit}}")  # HEAD is this tree's
    if tree.exists():
        git("-C", tree, "checkout", "--quiet", "--detach", base)
    else:
        git("-C", ROOT, "worktree", "add", "--quiet", "--detach", tree, base)
    try:
        yield folder, tree
    finally:
        if not work:
            git("-C", ROOT, "worktree", "remove", "--force", tree)
            shutil.rmtree(folder)


def git(*arguments):
    """Run git, or stop."""
    done = subprocess.run(["git", *map(str, arguments)], capture_output=True, text=True)
    if done.returncode:
        stop(done.stderr.strip())
    return done.stdout.strip()


def write_jobs(folder, names, demo):
    """Name → job file of the jobs, written by this tree."""
    shutil.rmtree(folder, ignore_errors=True)
    code, _, said = python(ROOT, HERE / "golden_jobs.py", folder, *names, cwd=HERE)
    if code:
        stop(said)
    out = {path.stem: path for path in sorted(folder.glob("*/*.toml"))}
    if demo:
        (folder / DEMO).mkdir()
        for path in sorted((ROOT / "meshes").glob("rigger*")):
            shutil.copy(path, folder / DEMO)
        out[DEMO] = folder / DEMO / "rigger.toml"
    return out


def run(tree, job, out, threads):
    """Run a job from a tree; its exit code, and what it says beside its files."""
    shutil.rmtree(out, ignore_errors=True)
    code, _, said = python(
        tree, "-m", "drape.cli", "run", job, "-o", out, "--jobs", threads, "--quiet",
        cwd=job.parent,
    )  # fmt: skip
    if code in NO_OUTPUT or not (out / "summary.json").is_file():
        stop(f"{job.stem} from {tree}: exit code {code}", said)
    (out / "exit code and risks").write_text(f"{code}\n{said}")


def run_all(folder, trees, jobs):
    """Run every job from both trees; pairs of output folders."""
    folder.mkdir(exist_ok=True)
    for name, tree in trees.items():
        _, where, _ = python(tree, "-c", WHERE, cwd=folder)
        if Path(where.strip()) != tree:
            stop(f"{name}: Python finds the package in {where.strip()}, not in {tree}")
    pairs = []
    for name, job in jobs.items():
        print(f"running {name}", file=sys.stderr)
        at = {(t, n): folder / t / name / str(n) for t in ("old", "new") for n in THREADS}
        for (t, n), out in at.items():
            run(trees[t], job, out, n)
        pairs += [Pair(name, f"{n} thread(s)", at["old", n], at["new", n]) for n in THREADS]
        pairs.append(Pair(name, "this tree, 1 against 2", at["new", 1], at["new", 2]))
    return pairs


def told(pair):
    """Print a pair's rows of the table; whether anything differs that counts."""
    found: dict[str, Differs] = compared(pair.old, pair.new)
    for name, differs in found.items():
        print(f"{pair.job:14}{pair.what:24}{name:28}{differs.what}")
    if found["summary.json"].what != SAME:
        for key, off in figures_off(pair.old, pair.new).items():
            print(f"{'':38}  {key}: {off}")
    return any(d.counts for d in found.values())


def main():
    """Run, compare, print the table."""
    parser = argparse.ArgumentParser(description="Compare this tree's output with a commit's.")
    parser.add_argument("base", metavar="BASE", help="commit to compare with")
    parser.add_argument("--no-demo", action="store_true", help="leave the demo out")
    parser.add_argument("--only", nargs="+", default=[], metavar="JOB", help="these golden jobs")
    parser.add_argument("--work", metavar="DIR", help="folder to work in, kept")
    args = parser.parse_args()
    with folder_and_tree(args.base, args.work) as (folder, base):
        jobs = write_jobs(folder / "jobs", args.only, not args.no_demo)
        pairs = run_all(folder / "out", {"old": base, "new": ROOT}, jobs)
        differ = [pair for pair in pairs if told(pair)]
    print(f"{len(differ)} of {len(pairs)} pairs of runs differ")
    print("left out: the program's version, pictures in PDFs, the order of classes in DXF files")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
