"""Machine code in caches of tests' own."""

import os
import random
import shutil
import subprocess
import sys

import numpy as np
import pytest

from drape import selftest
from drape.compiling import store
from drape.compiling.sources import ROOT

RUN = (
    "import sys; import numpy as np; from drape import selftest\n"
    "np.save(sys.argv[1], selftest.numbers())"
)
SAID = "compiled the slow way"


def fresh(code, env):
    """A fresh process that runs code; what it printed and said."""
    return subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True)


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


@pytest.fixture(scope="session")
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


@pytest.fixture(scope="session")
def made(tmp_path_factory):
    """A cache folder with machine code, and the numbers that it gives."""
    cache = tmp_path_factory.mktemp("cache")
    numbers, said = run(cache)
    assert SAID not in said
    return cache, numbers


def code_files(cache):
    return sorted((cache / "plywright").glob("kernels-*.bin"))
