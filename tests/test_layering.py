"""Imports point down: geometry → mould → fabric → net → job → layup → …

The check parses the files rather than importing them, so that it sees imports inside
functions too.
"""

from __future__ import annotations

import ast
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("drape", "viewers")
# The rooms, the lowest first. A module may import its own room and what is below.
LEVELS = (
    "drape.errors", "drape.compiling", "drape.geometry", "drape.mould", "drape.fabric",
    "drape.net", "drape.job", "drape.layup", "drape.joint", "drape.bag", "drape.advice",
    "drape.output", "drape.results", "drape.pipeline", "viewers", "drape.bench",
    "drape.publish", "drape.selftest", "drape.kernels", "drape.commands", "drape.cli",
)  # fmt: skip
LEVEL = {"drape": 0} | {name: level for level, name in enumerate(LEVELS)}


def level_of(module: str) -> int | None:
    """Level of a module by its longest known prefix; None if it has no place."""
    parts = module.split(".")
    for n in range(len(parts), 0, -1):
        name = ".".join(parts[:n])
        # 'drape' itself is a level, but a new drape.x has to be given its place
        if name in LEVEL and (name != "drape" or n == len(parts)):
            return LEVEL[name]
    return None


def modules(root: Path) -> dict[str, Path]:
    """Dotted name → file of every module of the packages."""
    out = {}
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            parts = path.relative_to(root).with_suffix("").parts
            out[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return out


def imports(name: str, path: Path, known: dict[str, Path]) -> set[str]:
    """Modules of the packages that a file imports, anywhere in it."""
    found = set()
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                above = package.split(".")[: len(package.split(".")) - node.level + 1]
                base = ".".join([*above, base]).strip(".")
            inner = {f"{base}.{alias.name}" for alias in node.names}
            found |= {i if i in known else base for i in inner}
    return {f for f in found if f.split(".")[0] in PACKAGES}


def complaints(root: Path) -> list[str]:
    """What breaks the layering below ``root``."""
    known = modules(root)
    out = [f"{name} has no place in LEVELS" for name in known if level_of(name) is None]
    graph = nx.DiGraph()
    for name, path in known.items():
        for target in imports(name, path, known):
            graph.add_edge(name, target)
            here, there = level_of(name), level_of(target)
            if target not in known:
                out.append(f"{name} imports {target}, which isn't there")
            elif here is not None and there is not None and there > here:
                out.append(f"{name} imports {target}, which is above it")
    out += [f"imports in a ring: {' → '.join(ring)}" for ring in nx.simple_cycles(graph)]
    return out


def test_imports_point_down():
    assert len(modules(ROOT)) > 15  # the check looks at something
    assert complaints(ROOT) == []


@pytest.mark.parametrize(
    ("file", "line", "expected"),
    [
        ("drape/geometry/a.py", "import drape.mould.region", "above"),
        ("drape/geometry/a.py", "from drape.mould import region", "above"),
        ("drape/geometry/a.py", "from ..mould import region", "above"),
        ("drape/geometry/a.py", "def f():\n    from drape import mould", "above"),
        ("drape/job.py", "from drape.output import drawing", "above"),
        ("drape/job.py", "from drape import pipeline", "above"),
        ("drape/pipeline.py", "import viewers", "above"),
        ("viewers/a.py", "from drape import publish", "above"),
        ("drape/newcomer.py", "", "no place"),
        ("drape/geometry/a.py", "import drape.geometry.none", "isn't there"),
        ("drape/mould/region.py", "from drape.mould.other import y", "ring"),
    ],
)
def test_the_check_sees_what_breaks_the_rule(tmp_path, file, line, expected):
    for name in ("job", "pipeline", "publish", "mould/region", "mould/other", "geometry/a"):
        path = tmp_path / "drape" / f"{name}.py"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("from drape.mould.region import x\n" if name == "mould/other" else "")
    for package in ("drape", "drape/mould", "drape/geometry", "drape/output", "viewers"):
        (tmp_path / package).mkdir(exist_ok=True)
        (tmp_path / package / "__init__.py").write_text("")
    assert complaints(tmp_path) == []
    (tmp_path / file).write_text(line)
    found = complaints(tmp_path)
    assert len(found) == 1
    assert expected in found[0]
