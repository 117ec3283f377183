"""The house keeps its measures: every module is tried out somewhere, files and functions are short.

Where today's code breaks a rule it is named below, in a set that may only shrink: a new
offender fails, and so does a name that no longer offends.
"""

from __future__ import annotations

import ast
import re
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("drape", "viewers")
MOST_LINES, MOST_FUNCTION_LINES, MOST_PARAMETERS, MOST_LOOSE = 400, 60, 8, 7
COMPILED = {"kernel", "entry", "njit", "jit", "intrinsic", "overload"}

# It opens a browser or a window of the user's own.
UNTRIED = {"viewers/looking.py"}
LONG_FILES: set[str] = set()
LONG_FUNCTIONS = {
    "drape/mould/closed/band.py:cut_band",
    "drape/mould/closed/extension.py:extend",
    "drape/mould/closed/tube.py:cut_wrap",
    "drape/net/solver.py:solve_net",
}
MANY_PARAMETERS = {
    "drape/net/growing.py:grow",
}
# Most are a part's result and its record in the summary.
SAME_NAMES = {
    "Bag", "Band", "BridgingZone", "Checks", "Envelope", "Half", "HollowSection", "Joint",
    "Mould", "Mouth", "Overlap", "Patches", "Run", "Tuck", "WrinkleZone",
}  # fmt: skip


@cache
def modules():
    """Path from the root → parsed source, of all modules but ``__init__``."""
    return read(ROOT, PACKAGES)


def read(root, packages):
    return {
        str(path.relative_to(root)): ast.parse(path.read_text(encoding="utf-8"))
        for package in packages
        for path in sorted((root / package).rglob("*.py"))
        if path.name != "__init__.py" and "node_modules" not in path.parts
    }


# --- what breaks a rule ---------------------------------------------------------------------


def tried(module, test_files):
    """Does a test file of its room bear the module's name, or a docstring name it?

    ``test_files`` are pairs of a path from ``tests/`` and the docstring there. In a docstring
    a module is ``room/module``, with or without what comes before, or its dotted path.
    """
    parts = Path(module).with_suffix("").parts
    package, *rooms, name = parts
    room = rooms[0] if package == "drape" and rooms else package
    ways = [parts[k:] for k in range(len(parts) - 1)]  # a name alone says too little
    words = "|".join(re.escape(s.join(way)) for way in ways for s in "/.")
    named = re.compile(rf"(?<![\w/.])(?:{words})(?![\w/])")
    return any(
        (Path(path).name == f"test_{name}.py" and (not rooms or room in Path(path).parts))
        or named.search(docstring)
        for path, docstring in test_files
    )


def functions(sources):
    """(module:function, node) of all functions that no kernel compiler reads."""
    for module, tree in sources.items():
        yield from ((f"{module}:{name}", node) for name, node in _functions(tree, ""))


def _functions(tree, inside):
    for node in ast.iter_child_nodes(tree):
        name = f"{inside}{getattr(node, 'name', '')}"
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            if not COMPILED & {decorator(d) for d in node.decorator_list}:
                yield name, node
                yield from _functions(node, f"{name}.")
        elif isinstance(node, ast.ClassDef):
            yield from _functions(node, f"{name}.")
        else:
            yield from _functions(node, inside)


def decorator(node):
    """Its last name: ``entry`` of ``@kernels.entry(writes=…)``."""
    node = node.func if isinstance(node, ast.Call) else node
    return node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")


def parameters(node):
    """How many a caller may give: ``self`` and ``cls`` are none."""
    a = node.args
    names = [x.arg for x in (*a.posonlyargs, *a.args, *a.kwonlyargs, a.vararg, a.kwarg) if x]
    return len(names) - (names[:1] in (["self"], ["cls"]))


def long_functions(sources):
    return {
        name
        for name, node in functions(sources)
        if node.end_lineno - node.lineno + 1 > MOST_FUNCTION_LINES
    }


def with_many_parameters(sources):
    return {name for name, node in functions(sources) if parameters(node) > MOST_PARAMETERS}


def names_of_several_classes(sources):
    counted = Counter(
        node.name
        for tree in sources.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef)
    )
    return {name for name, count in counted.items() if count > 1}


def long_files(root, names):
    texts = {name: (root / name).read_text(encoding="utf-8") for name in names}
    return {name for name, text in texts.items() if len(text.splitlines()) > MOST_LINES}


# --- the house ------------------------------------------------------------------------------


def test_every_module_is_tried_out_somewhere():
    folder = ROOT / "tests"
    files = [
        (str(p.relative_to(folder)), ast.get_docstring(ast.parse(p.read_text("utf-8"))) or "")
        for p in folder.rglob("test_*.py")
    ]
    assert {m for m in modules() if not tried(m, files)} == UNTRIED


def test_no_file_is_long():
    assert long_files(ROOT, modules()) == LONG_FILES


def test_no_function_is_long():
    assert long_functions(modules()) == LONG_FUNCTIONS


def test_no_function_has_many_parameters():
    assert with_many_parameters(modules()) == MANY_PARAMETERS


def test_few_files_lie_loose():
    loose = [m for m in modules() if Path(m).parent == Path("drape")]
    assert 0 < len(loose) <= MOST_LOOSE, loose


def test_no_two_classes_have_one_name():
    assert names_of_several_classes(modules()) == SAME_NAMES


# --- the rules themselves -------------------------------------------------------------------

SOURCE = """
class Twice:
    def method(self, a, b, c, d, e, f, *, g, h): ...

def wide(a, b, c, d, e, f, *rest, g, **more): ...

@entry(writes=("a",))
def compiled(a, b, c, d, e, f, g, h, i): ...

def long():
    def Twice(): ...
    class Twice: ...
{lines}
"""


@pytest.fixture
def sources(tmp_path):
    text = SOURCE.format(lines="    pass\n" * (MOST_FUNCTION_LINES - 3))
    (tmp_path / "drape").mkdir()
    (tmp_path / "drape" / "some.py").write_text(text)
    (tmp_path / "drape" / "__init__.py").write_text(text)
    return read(tmp_path, ["drape"])


def test_offenders_are_seen(sources, tmp_path):
    assert set(sources) == {"drape/some.py"}
    assert with_many_parameters(sources) == {"drape/some.py:wide"}
    assert names_of_several_classes(sources) == {"Twice"}
    assert long_functions(sources) == set()
    (tmp_path / "drape" / "some.py").write_text(SOURCE.format(lines="    pass\n" * 400))
    assert long_functions(read(tmp_path, ["drape"])) == {"drape/some.py:long"}
    assert long_files(tmp_path, sources) == {"drape/some.py"}


@pytest.mark.parametrize(
    ("path", "docstring", "expected"),
    [
        ("mould/test_band.py", "", True),
        ("mould/closed/test_band.py", "", True),
        ("net/test_band.py", "", False),  # another room's
        ("mould/test_bands.py", "", False),
        ("runs/test_all.py", "Widths (``mould/closed/band``).", True),
        ("runs/test_all.py", "Widths: drape.mould.closed.band.", True),
        ("runs/test_all.py", "Widths (``closed/band``).", True),
        ("runs/test_all.py", "Widths (``mould/closed/bands``).", False),
        ("runs/test_all.py", "Widths (``other/closed/band``).", False),
        ("runs/test_all.py", "Widths of a band.", False),
    ],
)
def test_a_module_is_tried_by_name_or_docstring(path, docstring, expected):
    assert tried("drape/mould/closed/band.py", [(path, docstring)]) is expected
    assert tried("drape/errors.py", [("test_errors.py", "")])
    assert not tried("drape/errors.py", [("test_all.py", "Of errors.")])
