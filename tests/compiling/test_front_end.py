"""What ships, and what the front end makes anew: for changed kernels alone.

Tries out compiling/frontend, compiling/frontend_types, compiling/llvm, compiling/sources,
compiling/kernel, drape/kernels and drape/selftest.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from making import environment, lay_out

import drape
from drape import kernels
from drape.compiling import llvm, store
from drape.compiling.kernel import KERNELS
from drape.compiling.sources import ROOT, import_kernels, kernel_files


def test_every_kernel_is_known_and_has_one_signature():
    import_kernels()
    assert {kernel.function.__module__ for kernel in KERNELS.values()} == {
        ".".join(path.relative_to(ROOT.parent).with_suffix("").parts) for path in kernel_files()
    }
    marked = sum(
        1 for path in kernel_files() for line in path.read_text().splitlines()
        if line == "@kernel" or line.startswith("@entry(")
    )  # fmt: skip
    assert len(KERNELS) == marked > 100
    assert all(kernel.signature.names for kernel in KERNELS.values())


def test_what_ships_was_made_from_these_sources():
    """`python -m drape.kernels join` makes it again."""
    assert kernels.joined_file() is not None
    assert Path(drape.__file__).parent.joinpath("kernels.joined") == kernels.JOINED


def test_what_ships_is_what_the_front_end_makes(translated):
    """Byte for byte with the llvmlite it was made with; with another one it can't be."""
    version = kernels.JOINED.read_bytes()[len(kernels.HEAD) :].split(b"\n")[0].split()[2]
    if version.decode() != llvm.llvmlite.__version__:
        pytest.skip(f"it was made with llvmlite {version.decode()}")
    assert translated[1] == kernels.JOINED.read_bytes()


def test_the_front_end_runs_for_changed_kernels_alone(translated, tmp_path):
    """A changed constant: the kernels that name it are translated again, no others."""
    tree, cache = tmp_path / "tree", tmp_path / "c"
    shutil.copytree(ROOT, tree / "drape", ignore=shutil.ignore_patterns("__pycache__"))
    file = tree / "drape" / "net" / "cells.py"
    file.write_text(file.read_text().replace("SMALLEST_ANGLE = np.radians(4.0)",
                                             "SMALLEST_ANGLE = np.radians(3.0)"))  # fmt: skip
    lay_out(translated, cache)
    folder = store.private_folder(cache)
    before = {path.name for path in folder.iterdir()}
    code = (
        "import sys; from pathlib import Path; from drape import kernels\n"
        "kernels.front_end(Path(sys.argv[1]))"
    )
    command = [sys.executable, "-c", code, str(folder)]
    tree_alone = {**environment(cache), "PYTHONPATH": str(tree)}
    subprocess.run(command, env=tree_alone, cwd=cache, check=True)
    new = {path.name for path in folder.iterdir()} - before
    assert len(before) == len(KERNELS)
    assert len(new) == 2  # solve_on_facets and solve_smooth


def test_field_names_of_arguments_are_part_of_a_kernels_key(translated, tmp_path):
    """Two fields of one kind exchanged: no kernel's own source changes, their meaning does."""
    tree, cache = tmp_path / "tree", tmp_path / "c"
    shutil.copytree(ROOT, tree / "drape", ignore=shutil.ignore_patterns("__pycache__"))
    file = tree / "drape" / "net" / "grid.py"
    text = file.read_text()
    changed = text.replace(
        "    along_u: int\n    along_v: int\n", "    along_v: int\n    along_u: int\n"
    )
    assert changed != text
    file.write_text(changed)
    lay_out(translated, cache)
    folder = store.private_folder(cache)
    before = {path.name for path in folder.iterdir()}
    code = (
        "import sys; from pathlib import Path; from drape import kernels\n"
        "kernels.front_end(Path(sys.argv[1]))"
    )
    command = [sys.executable, "-c", code, str(folder)]
    tree_alone = {**environment(cache), "PYTHONPATH": str(tree)}
    subprocess.run(command, env=tree_alone, cwd=cache, check=True)
    assert len({path.name for path in folder.iterdir()} - before) > 30


def test_a_kernel_that_moves_to_another_file_is_translated_again(translated, tmp_path):
    """Its text stays, its name in the machine code doesn't."""
    tree, cache = tmp_path / "tree", tmp_path / "c"
    shutil.copytree(ROOT, tree / "drape", ignore=shutil.ignore_patterns("__pycache__"))
    windows = tree / "drape" / "geometry" / "fans.py"
    windows.rename(windows.with_name("rounds.py"))
    for path in (tree / "drape" / "geometry").glob("*.py"):
        path.write_text(path.read_text().replace("geometry.fans", "geometry.rounds"))
    lay_out(translated, cache)
    code = "import sys; from pathlib import Path; from drape import kernels\n" + (
        "kernels.joined_data(Path(sys.argv[1]), preset=0)"
    )
    command = [sys.executable, "-c", code, str(store.private_folder(cache))]
    tree_alone = {**environment(cache), "PYTHONPATH": str(tree)}
    subprocess.run(command, env=tree_alone, cwd=cache, check=True)


# Reached only where facets fold or cloth comes back to itself; other tests call them.
NOT_REACHED = {
    "net.facets.crease_in_fan",
    "net.facets.facets_agree",
    "net.facets.unfold_about",
    "net.occupancy.holds_other",
    "net.occupancy.on_one_sheet",
}


def test_the_self_test_reaches_all_kernels_but_a_few():
    code = (
        "from drape.compiling.kernel import KERNELS, Kernel\n"
        "called, old = set(), Kernel.__call__\n"
        "Kernel.__call__ = lambda self, *a: (called.add(self.name), old(self, *a))[1]\n"
        "from drape import selftest; selftest.numbers()\n"
        "print(*sorted(set(KERNELS) - called))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PLYWRIGHT_KERNELS": "python", "PYTHONPATH": str(ROOT.parent)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert set(done.stdout.split()) == NOT_REACHED
