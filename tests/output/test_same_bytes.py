"""Same input, same bytes: in other processes, at other times, with other hash seeds."""

import os
import subprocess
import sys
import time
from pathlib import Path

WRITE_ALL = """
import hashlib
from output_examples import large, strip
from test_summary import example
from test_vtk import net
from drape.output.drawing import pattern_drawing
from drape.output.dxf import to_dxf
from drape.output.pdf import to_pdf
from drape.output.summary.models import to_json
from drape.output.svg import to_svg
from drape.output.vtk import to_vtp

drawings = [pattern_drawing(p) for p in (strip(turned_deg=35.0), large())]
files = {
    "svg": to_svg(drawings[0]), "dxf": to_dxf(drawings), "a4": to_pdf(drawings),
    "roll": to_pdf(drawings, roll_width=914.0), "vtp": to_vtp(*net()),
    "json": to_json(example()).encode(),
}
for name, data in files.items():
    print(name, len(data), hashlib.sha256(data).hexdigest())
"""


def run(seed, zone):
    here = str(Path(__file__).parent)
    where = os.pathsep.join([here, os.environ.get("PYTHONPATH", "")])
    env = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone, "PYTHONPATH": where}
    command = [sys.executable, "-c", WRITE_ALL]
    done = subprocess.run(command, check=True, capture_output=True, text=True, env=env)
    return done.stdout


def test_all_writers_give_the_same_bytes_on_two_runs():
    first = run("1", "UTC")
    time.sleep(1.1)  # dates in files count seconds
    assert first == run("2", "Asia/Tokyo")
    assert first.count("\n") == 6
