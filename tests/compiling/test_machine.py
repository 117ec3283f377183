"""Machine code: made once, tried out first, and never wrong, whatever happens to its file."""

import os
import random
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import drape
from drape import kernels, selftest
from drape.compiling import llvm, machine, store
from drape.compiling.kernel import KERNELS
from drape.compiling.sources import ROOT, import_kernels, kernel_files

RUN = (
    "import numpy as np, sys; from drape import selftest; np.save(sys.argv[1], selftest.numbers())"
)
SAID = "compiled the slow way"


def environment(cache, **more):
    return {**os.environ, "XDG_CACHE_HOME": str(cache), "PYTHONPATH": str(ROOT.parent), **more}


def run(cache, code=RUN, timeout=300, **more):
    """A fresh process that lays the self-test's nets: (numbers, what it said)."""
    cache.mkdir(exist_ok=True)
    out = cache / f"numbers-{random.getrandbits(60)}.npy"
    command = [sys.executable, "-c", code, str(out)]
    done = subprocess.run(
        command, env=environment(cache, **more), capture_output=True, text=True, timeout=timeout
    )
    assert done.returncode == 0, done.stderr
    return np.load(out), done.stderr


def same(found):
    return np.allclose(found, np.loadtxt(selftest.STORED), rtol=0, atol=1e-9, equal_nan=True)


@pytest.fixture(scope="module")
def translated(tmp_path_factory):
    """A folder with the front end's code of all kernels, and the joined code made of it."""
    place = tmp_path_factory.mktemp("front")
    folder = store.private_folder(place)
    code = (
        "import sys; from pathlib import Path; from drape import kernels\n"
        "Path(sys.argv[2]).write_bytes(kernels.joined_data(Path(sys.argv[1])))"
    )
    joined = place / "joined"
    command = [sys.executable, "-c", code, str(folder), str(joined)]
    subprocess.run(command, env=environment(place), check=True)
    return folder, joined.read_bytes()


def lay_out(translated, cache):
    """Give a new cache the front end's code, so that a test needn't wait for it."""
    folder = store.private_folder(cache)
    for file in translated[0].glob("front-*.bin"):
        shutil.copy2(file, folder)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A cache folder with machine code, and the numbers that it gives."""
    cache = tmp_path_factory.mktemp("cache")
    numbers, said = run(cache)
    assert SAID not in said
    return cache, numbers


def code_files(cache):
    return sorted((cache / "plywright").glob("kernels-*.bin"))


def test_the_first_run_makes_one_file_that_the_second_uses(made):
    cache, numbers = made
    (file,) = code_files(cache)
    before = file.stat().st_mtime_ns
    again, _ = run(cache)
    assert file.stat().st_mtime_ns == before
    assert np.array_equal(again, numbers, equal_nan=True)
    assert same(numbers)


def test_uncompiled_kernels_give_the_same_numbers_and_make_no_file(tmp_path, made):
    numbers, _ = run(tmp_path / "c", PLYWRIGHT_KERNELS="python")
    assert np.allclose(numbers, made[1], rtol=0, atol=1e-9, equal_nan=True)
    assert not code_files(tmp_path / "c")


@pytest.mark.parametrize("fault", ["cut short", "empty", "one bit", "another machine's"])
def test_a_spoilt_file_is_made_again(made, tmp_path, fault):
    cache, numbers = tmp_path / "c", made[1]
    (good,) = code_files(made[0])
    folder = store.private_folder(cache)
    data = bytearray(good.read_bytes())
    if fault == "cut short":
        del data[-1000:]
    elif fault == "empty":
        data.clear()
    elif fault == "one bit":
        data[len(data) // 2] ^= 8
    else:
        data[len(store.MAGIC)] ^= 1  # its key
    (folder / good.name).write_bytes(data)
    again, said = run(cache)
    assert np.array_equal(again, numbers, equal_nan=True)
    assert SAID not in said
    assert store.read(folder / good.name, machine.key()) is not None


def test_the_key_knows_processor_versions_and_sources(monkeypatch):
    keys = {machine.key()}
    monkeypatch.setattr(llvm, "host", lambda: ("another", "+feature"))
    keys.add(machine.key())
    monkeypatch.setattr(llvm.llvmlite, "__version__", "0.0")
    keys.add(machine.key())
    monkeypatch.setattr(machine, "sources_digest", lambda: "changed")
    keys.add(machine.key())
    monkeypatch.setattr(machine, "FORMAT", machine.FORMAT + 1)
    keys.add(machine.key())
    assert len(keys) == 5


def test_where_nothing_can_be_kept_it_still_runs(tmp_path, made):
    """Also as a user who may write everywhere: the cache's place is a file."""
    place = tmp_path / "file"
    place.write_text("")
    out = tmp_path / "n.npy"
    subprocess.run([sys.executable, "-c", RUN, str(out)], env=environment(place), check=True)
    assert np.array_equal(np.load(out), made[1], equal_nan=True)


def test_two_first_runs_at_once(tmp_path, made):
    out = [tmp_path / f"{k}.npy" for k in range(2)]
    started = [
        subprocess.Popen([sys.executable, "-c", RUN, str(path)], env=environment(tmp_path / "c"))
        for path in out
    ]
    assert [process.wait(300) for process in started] == [0, 0]
    for path in out:
        assert np.array_equal(np.load(path), made[1], equal_nan=True)
    assert len(code_files(tmp_path / "c")) == 1


def test_killed_while_compiling_twenty_times(tmp_path, made):
    """Each time nothing is there, or a whole file; a run after that is right."""
    folder = store.private_folder(tmp_path / "c")
    (good,) = code_files(made[0])
    command = [sys.executable, "-m", "drape.kernels", "make", "joined", str(folder)]
    whole = 0
    for delay in np.linspace(0.05, 2.2, 20):
        process = subprocess.Popen(
            command, env=environment(tmp_path / "c"), stdout=subprocess.DEVNULL
        )
        time.sleep(delay)
        process.kill()
        process.wait()
        there = (folder / good.name).exists()
        assert not there or store.read(folder / good.name, machine.key()) is not None
        whole += there
        (folder / good.name).unlink(missing_ok=True)
    assert whole < 20
    numbers, said = run(tmp_path / "c")
    assert np.array_equal(numbers, made[1], equal_nan=True)
    assert SAID not in said


@pytest.mark.parametrize(
    "spoil",
    [
        # what isn't there in another version of numba or llvmlite
        "import drape.compiling.llvm as m; del m.llvm.create_pass_builder",
        "import drape.compiling.llvm as m; m.emitted = lambda module: b'no object file'",
        "import os, drape.compiling.llvm as m; m.emitted = lambda module: os.abort()",
        "import drape.selftest as s; s.NEAR = -1.0",
    ],
    ids=["a part is missing", "rubbish", "a crash", "wrong numbers"],
)
def test_what_goes_wrong_is_said_once_and_the_ordinary_way_taken(tmp_path, translated, spoil):
    """In the process that makes it; nothing of it reaches the one that waits."""
    lay_out(translated, tmp_path / "c")
    (tmp_path / "sitecustomize.py").write_text(
        f"import sys\nif sys.argv[:1] == ['-m']:\n    import atexit\n    {spoil}\n"
    )
    path = os.pathsep.join([str(tmp_path), str(ROOT.parent)])
    code = (
        "import logging, sys; from drape.compiling import machine\n"
        "print(machine.address('geometry.kernels.walk'), machine.address('geometry.kernels.walk'))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**environment(tmp_path / "c"), "PYTHONPATH": path},
        capture_output=True,
        text=True,
    )
    assert done.stdout.split() == ["None", "None"], done.stderr
    assert done.stderr.count(SAID) == 1
    assert not code_files(tmp_path / "c")


def test_where_what_ships_is_spoilt_the_sources_are_taken(tmp_path, made, translated):
    lay_out(translated, tmp_path / "c")
    spoil = "import drape.kernels as k; k.joined_file = lambda: b'no bitcode'"
    (tmp_path / "sitecustomize.py").write_text(
        f"import sys\nif sys.argv[:1] == ['-m']:\n    import runpy\n    {spoil}\n"
        "    sys.modules['drape.kernels'] = k\n"
    )
    path = os.pathsep.join([str(tmp_path), str(ROOT.parent)])
    numbers, said = run(tmp_path / "c", PYTHONPATH=path)
    assert SAID not in said
    assert np.array_equal(numbers, made[1], equal_nan=True)


def test_the_ordinary_way_gives_the_same_bits(tmp_path, made):
    """numba's own linking and optimising against ours: not the last bit differs."""
    code = RUN + (
        "\nfrom drape.compiling import ordinary; from drape.compiling.kernel import KERNELS\n"
        "seen = [len(ordinary.dispatcher(k).signatures) for k in KERNELS.values()]\n"
        "assert max(seen) == 1, seen"
    )
    numbers, _ = run(tmp_path / "c", code, PLYWRIGHT_KERNELS="ordinary")
    assert np.array_equal(numbers, made[1], equal_nan=True)


def test_every_kernel_is_known_and_has_one_signature():
    import_kernels()
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
    file = tree / "drape" / "cloth" / "cells.py"
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
