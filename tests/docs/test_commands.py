"""Every command and every example of the README and the pages is tried.

Commands are run page by page, in the order of the page, in a folder with small meshes: they
end with exit code 0. A few are parsed alone; why stands in ``ONLY_PARSED`` and ``NOT_OURS``.
"""

from __future__ import annotations

import math
import shlex
import tomllib
from functools import cache

import numpy as np
import pytest
import tomlkit
import trimesh
from doc_pages import PAGES, blocks
from exact.split_tubes import Oval, SplitTube, bend

from drape import cli, publish
from drape.job.job import load_job

NAMES = [path.name for path in PAGES]
PROGRAM = ".venv/bin/plywright", "plywright"
# command → why it is not run here
ONLY_PARSED = {
    "demo": "takes 20 s, and .ci/run does it on a fresh machine",
    "view": "opens a window or serves a page until it is stopped",
}
# other programs' commands → why they are not run here
NOT_OURS = {
    "python3 -m venv .venv": ".ci/run does it",
    ".venv/bin/pip install .": "installs from the network; .ci/run does it",
    ".venv/bin/pip install '.[test]'": "installs from the network; .ci/run does it",
    ".venv/bin/pytest": "these tests are among those it runs; .ci/run does it",
}
# What fragments are completed with; what they say themselves replaces it.
WHOLE = """
format = 1
[mould.halves.lower]
mesh = "lower.stl"
[mould.halves.upper]
mesh = "upper.stl"
[fabrics.twill]
take = "twill-200"
[joint]
lap_half = "lower"
laps = [10, 15, 20]
set_backs = [0, 5, 10]
[[plies]]
half = "lower"
fabric = "twill"
angle = 45
[[plies]]
half = "upper"
fabric = "twill"
angle = 45
"""


def lines_of(page):
    """(place, words) of each command of a page."""
    out = []
    for block in blocks("sh", page):
        for line in block.text.splitlines():
            words = shlex.split(line, comments=True)
            if words:
                out.append((block.place, words))
    return out


@cache
def meshes():
    """Both halves of a small tube with a gentle bend."""
    tube = SplitTube(bend(90.0, 0.3), Oval(), half_width=20.0, depth=15.0, flange=20.0)
    halves = {half: tube.mesh(half, "sheet", along=40, around=40) for half in ("lower", "upper")}
    return {half: trimesh.Trimesh(m.vertices, m.faces, process=False) for half, m in halves.items()}


def frame_pull(knee, side=200.0):
    """Rows of displacement, mm, and force, N, of a picture frame: two lines of force per length."""
    shear = np.radians(np.linspace(0.0, 60.0, 200))
    per_length = 0.02 + 0.03 * shear + 0.9 * np.maximum(shear - np.radians(knee), 0.0)
    displacement = math.sqrt(2) * side * (np.sqrt(1 + np.sin(shear)) - 1)
    return np.column_stack([displacement, per_length * 2 * side * np.cos(math.pi / 4 - shear / 2)])


def bias_pull(length=300.0, width=100.0):
    """The same of a bias strip; its force is of no test, it only has a knee."""
    shear = np.radians(np.linspace(0.0, 55.0, 200))
    diagonal = length - width
    displacement = diagonal * (math.sqrt(2) * np.cos(math.pi / 4 - shear / 2) - 1)
    return np.column_stack([displacement, 5 + 8 * shear + 300 * np.maximum(shear - 0.7, 0)])


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder with what the pages name, the current one."""
    monkeypatch.chdir(tmp_path)
    for half, mesh in meshes().items():
        mesh.export(tmp_path / f"{half}.stl")
    heading = "displacement [mm],force [N]"
    pulls = {"pull1": frame_pull(40), "pull2": frame_pull(42), "strip": bias_pull()}
    for name, rows in pulls.items():
        np.savetxt(f"{name}.csv", rows, delimiter=",", header=heading, comments="", fmt="%.5f")
    for block in blocks("csv"):
        name = block.before.rpartition("`:")[0].rpartition("`")[2]
        (tmp_path / name).write_text(block.text, encoding="utf-8")
    (tmp_path / "other-line.csv").write_bytes((tmp_path / "line.csv").read_bytes())
    return tmp_path


def starter(folder):
    """The job that a page takes for there, unless it makes it itself."""
    assert cli.main(["new", "lower.stl", "upper.stl", "-o", "part.toml", "--quiet"]) == 0


def parsed(words):
    """Parse a command of ours; raises where it can't be."""
    return cli._parser().parse_args(words)


@pytest.mark.parametrize("page", [name for name in NAMES if lines_of(name)])
def test_commands_work(page, folder, capsys, monkeypatch):
    tried = lines_of(page)
    if page != "README.md":  # the sheets' pictures take half of the time, and are tried there
        monkeypatch.setattr(publish, "pictures", lambda scene: ({}, ()))
    if not any(words[1] == "new" for _, words in tried):
        starter(folder)
    for place, (program, *words) in tried:
        if program not in PROGRAM:
            assert shlex.join([program, *words]) in NOT_OURS, place
            continue
        parsed(words)
        if words[0] not in ONLY_PARSED:
            code = cli.main(words)
            assert code == 0, f"{place}: {words} ended with {code}: {capsys.readouterr().err}"


def test_every_exception_is_one():
    """What is excused stands on a page; else the excuse would wait for another command."""
    commands = [words for name in NAMES for _, words in lines_of(name)]
    assert set(NOT_OURS) == {shlex.join(w) for w in commands if w[0] not in PROGRAM}
    assert set(ONLY_PARSED) <= {words[1] for words in commands if words[0] in PROGRAM}
    with pytest.raises(Exception, match="unrecognized"):
        parsed(["view", "part.toml", "--pages"])


def completed(text):
    """A fragment as a whole job: what it lacks comes from ``WHOLE``."""
    given, whole = tomllib.loads(text), tomllib.loads(WHOLE)
    if "format" in given:
        return text
    return tomlkit.dumps(merged(whole, given))


def merged(whole, given):
    """``given`` over ``whole``, table by table; a fabric replaces all of its namesake."""
    out = {**whole}
    for key, value in given.items():
        both = isinstance(value, dict) and isinstance(out.get(key), dict)
        if key == "fabrics":
            out[key] = {**out[key], **value}
        else:
            out[key] = merged(out[key], value) if both else value
    return out


@pytest.mark.parametrize("block", blocks("toml"), ids=lambda block: block.place)
def test_examples_are_jobs(block, folder):
    path = folder / "job.toml"
    path.write_text(completed(block.text), encoding="utf-8")
    load_job(path)
    # alternatives stand in blocks of their own, where they are tried too
    assert not [line for line in block.text.splitlines() if line.lstrip().startswith("#")]


def test_an_example_that_is_no_job_is_seen(folder):
    path = folder / "job.toml"
    for text in ("[joint]\nlapps = [3]\n", '[[plies]]\nhalf = "lower"\nfabric = "twill"\n'):
        path.write_text(completed(text), encoding="utf-8")
        with pytest.raises(Exception, match=r"unknown key|missing"):
            load_job(path)


@pytest.mark.parametrize("block", blocks("python"), ids=lambda block: block.place)
def test_python_examples_run(block, folder):
    starter(folder)
    exec(compile(block.text, block.place, "exec"), {})
