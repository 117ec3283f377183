"""Every CAD mould at both tolerances through the pipeline, as a table.

``python tests/cad/run_all.py [--auto] [--limit SECONDS] [NAME ...]``; ``--auto``: the start point
is left to the program. Each run is a process of its own that is ended at the limit.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from cad_mould import TOLERANCES
from cad_moulds import ALL
from cad_runs import Outcome, apart, first_words, run_mould

TREE = Path(__file__).resolve().parents[2]
HEAD = (
    "| mould | mm | expected | found | outline off, mm | shear off, ° | largest, ° |"
    " area off, % | from coarse, mm | CPU s |\n|---|---|---|---|---|---|---|---|---|---|"
)


def outcome_of(name: str, deviation: float, start: str, limit: float) -> Outcome:
    """A run in a process of its own."""
    inherited = os.environ.get("PYTHONPATH", "")
    own = {**os.environ, "PYTHONPATH": f"{TREE}{os.pathsep}{inherited}"}  # not an installed one
    call = [sys.executable, __file__, "--one", f"{deviation:g}", "--start", start, name]
    try:
        done = subprocess.run(
            call, capture_output=True, text=True, timeout=limit, check=False, env=own
        )
    except subprocess.TimeoutExpired:
        return Outcome(False, f"broke: not done after {limit:g} s")
    if done.returncode or not done.stdout.startswith("{"):
        last = (done.stderr.strip().splitlines() or ["no output"])[-1]
        return Outcome(False, f"broke: process ended with {done.returncode}: {last}")
    return Outcome(**json.loads(done.stdout))


def number(value: float, digits: int) -> str:
    return "" if math.isnan(value) else f"{value:.{digits}f}"


def row(mould, deviation: float, outcome: Outcome, gap: float) -> str:
    """A line of the table; ✗: not the expected result, ~: valid, but not accurate.

    ``gap``: mm between this outline and the coarse tessellation's.
    """
    exact = outcome.accurate(mould, deviation)
    mark = "✗ " if not outcome.as_expected(mould) else "" if exact else "~ "
    cells = [
        mould.name,
        f"{deviation:g}",
        mould.expected,
        mark + first_words(outcome.said.replace("|", "/")),
        number(outcome.outline_mm, 4),
        number(outcome.shear_deg, 3),
        number(outcome.largest_deg, 1),
        number(outcome.area_percent, 3),
        number(gap, 3),
        number(outcome.seconds, 1),
    ]
    return "| " + " | ".join(cells) + " |"


def table(moulds, start: str, limit: float) -> None:
    """Run and print them all, then the sums."""
    print(HEAD)
    pairs = []
    for mould in moulds:
        coarse = None
        for deviation in TOLERANCES:
            outcome = outcome_of(mould.name, deviation, start, limit)
            gap = math.nan if coarse is None else apart(coarse, outcome)
            coarse = coarse or outcome
            pairs.append((mould, deviation, outcome))
            print(row(mould, deviation, outcome, gap), flush=True)
    due = [(m, d, o) for m, d, o in pairs if m.expected == "valid"]
    valid = [(m, d, o) for m, d, o in due if o.valid]
    others = [(m, o) for m, _, o in pairs if m.expected != "valid"]
    seconds = sum(o.seconds for _, _, o in pairs if not math.isnan(o.seconds))
    print(f"\n{len(valid)} of {len(due)} valid as expected")
    print(f"{sum(o.accurate(m, d) for m, d, o in valid)} of these {len(valid)} meet exact answers")
    told = sum(o.as_expected(m) for m, o in others)
    print(f"{told} of {len(others)} others as expected; {seconds:.0f} CPU seconds in all")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*")
    parser.add_argument("--auto", action="store_true")
    parser.add_argument("--limit", type=float, default=300.0)
    parser.add_argument("--one", type=float, help=argparse.SUPPRESS)
    parser.add_argument("--start", default="given", help=argparse.SUPPRESS)
    given = parser.parse_args()
    moulds = [m for m in ALL if not given.names or m.name in given.names]
    if len(moulds) < len(set(given.names)):
        parser.error(f"there are: {', '.join(m.name for m in ALL)}")
    if given.one is None:
        table(moulds, "auto" if given.auto else "given", given.limit)
        return
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps(asdict(run_mould(moulds[0], given.one, Path(folder), given.start))))


if __name__ == "__main__":
    main()
