"""Machine code: made once, tried out first, and never wrong, whatever happens to its file.

Tries out compiling/machine and the way taken without it, compiling/ordinary.
"""

import os
import subprocess
import sys
import time

import numpy as np
import pytest
from making import RUN, SAID, code_files, environment, fresh, lay_out, run, same

from drape.compiling import llvm, machine, store
from drape.compiling.kernel import KERNELS
from drape.compiling.sources import ROOT


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
    monkeypatch.setattr(machine, "_version", lambda package: "0.0")
    keys.add(machine.key())
    assert len(keys) == 6


def test_where_nothing_can_be_kept_it_still_runs(tmp_path, made):
    """The cache's place is a file: nobody can make a folder in it."""
    place = tmp_path / "file"
    place.write_text("")
    out = tmp_path / "n.npy"
    command = [sys.executable, "-c", RUN, str(out)]
    done = subprocess.run(command, env=environment(place), capture_output=True, text=True)
    assert done.returncode == 0
    assert SAID not in done.stderr
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
    """Whatever it was doing, to the end of its work: nothing is there, or a whole file, and a run
    after that is right."""
    folder = store.private_folder(tmp_path / "c")
    (good,) = code_files(made[0])
    command = [sys.executable, "-m", "drape.kernels", "make", "joined", str(folder)]
    whole = 0
    for k in range(20):
        process = subprocess.Popen(
            command, env=environment(tmp_path / "c"), stdout=subprocess.PIPE, text=True
        )
        for line in process.stdout:  # 0 of 3 things done, then 1, 2 and 3
            if int(line.split()[0]) >= k % 4:
                break
        time.sleep(0.02 * (k // 4) if k % 4 < 3 else 0.0)
        process.kill()
        process.communicate()
        there = (folder / good.name).exists()
        assert not there or store.read(folder / good.name, machine.key()) is not None
        assert there or k % 4 < 3  # the last thing that is told is that it's in its place
        whole += there
        (folder / good.name).unlink(missing_ok=True)
    assert 5 <= whole < 20
    numbers, said = run(tmp_path / "c")
    assert np.array_equal(numbers, made[1], equal_nan=True)
    assert SAID not in said


def test_two_threads_that_call_first(tmp_path, made):
    code = (
        "import sys, threading; import numpy as np; from drape import selftest\n"
        "out = []\n"
        "work = lambda: out.append(selftest.numbers())\n"
        "threads = [threading.Thread(target=work) for _ in range(2)]\n"
        "[t.start() for t in threads]; [t.join() for t in threads]\n"
        "assert np.array_equal(*out, equal_nan=True)\n"
        "np.save(sys.argv[1], out[0])"
    )
    numbers, _ = run(tmp_path / "c", code)
    assert np.array_equal(numbers, made[1], equal_nan=True)
    assert len(code_files(tmp_path / "c")) == 1


def spoilt(tmp_path, code):
    """PYTHONPATH with code that runs first of all in the process that makes machine code."""
    (tmp_path / "sitecustomize.py").write_text(
        f"import os\nif {machine.MAKING!r} in os.environ:\n    {code}\n"
    )
    return os.pathsep.join([str(tmp_path), str(ROOT.parent)])


@pytest.mark.parametrize(
    "spoil",
    [
        # what isn't there in another version of numba or llvmlite
        "import drape.compiling.llvm as m; del m.llvm.create_pass_builder",
        "import drape.compiling.llvm as m; m.emitted = lambda module: b'no object file'",
        "import os, drape.compiling.llvm as m; m.emitted = lambda module: os.abort()",
        "import drape.selftest as s; s.NEAR = -1.0",
        "import drape.compiling.llvm as m; m.EXTERNALS = m.EXTERNALS - {'asin'}",
    ],
    ids=["a part is missing", "rubbish", "a crash", "wrong numbers", "a call of nowhere"],
)
def test_what_goes_wrong_is_said_once_and_nothing_is_kept(tmp_path, translated, spoil):
    """In the process that makes it; nothing of it reaches the one that waits."""
    lay_out(translated, tmp_path / "c")
    symbol = KERNELS["geometry.walk.walk"].symbol
    code = f"from drape.compiling import machine as m; print(*[m.address({symbol!r})] * 2)"
    path = spoilt(tmp_path, spoil)
    done = fresh(code, environment(tmp_path / "c", PYTHONPATH=path))
    assert done.stdout.split() == ["None", "None"], done.stderr
    assert done.stderr.count(SAID) == 1
    assert not code_files(tmp_path / "c")


def test_a_child_that_talks_a_lot_is_heard_to_the_end(tmp_path, made):
    """More on both streams than a pipe holds; lines that aren't ours."""
    talk = "import sys; sys.stderr.write('e' * 300000); print('o' * 300000); print('a\\tb\\tc')"
    numbers, said = run(tmp_path / "c", PYTHONPATH=spoilt(tmp_path, talk))
    assert SAID not in said
    assert np.array_equal(numbers, made[1], equal_nan=True)


def test_one_that_takes_too_long_is_stopped_and_said(tmp_path):
    code = (
        "import time; from drape.compiling import machine as m; m.LIMIT = 0.3\n"
        "start = time.monotonic(); print(m.address('x'), time.monotonic() - start < 20)"
    )
    path = spoilt(tmp_path, "import time; time.sleep(60)")
    done = fresh(code, environment(tmp_path / "c", PYTHONPATH=path))
    assert done.stdout.split() == ["None", "True"]
    assert "longer than" in done.stderr


def test_machine_code_for_another_signature_isnt_called(tmp_path):
    """Sources that change under a process that runs: the ordinary way, said once."""
    code = (
        "from drape.compiling import machine as m; from drape import selftest\n"
        "from drape.compiling.kernel import KERNELS\n"
        "kernel = KERNELS['geometry.walk.evaluate']\n"
        "print(m.address(kernel.symbol) is not None)\n"
        "print(m.address(kernel.name + '.000000000000'), m.address(kernel.symbol))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment(tmp_path / "c"),
        capture_output=True,
        text=True,
    )
    assert done.stdout.split() == ["True", "None", "None"], done.stderr
    assert done.stderr.count(SAID) == 1


def test_progress_is_told(tmp_path):
    code = (
        "from drape.compiling import machine as m; told = []\n"
        "m.listener = lambda *what: told.append(what)\n"
        "m.address('x'); print([t[1:] for t in told], all('kernels' in t[0] for t in told))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment(tmp_path / "c"),
        capture_output=True,
        text=True,
    )
    assert done.stdout.strip() == "[(0, 3), (1, 3), (2, 3), (3, 3)] True", done.stderr


def test_where_what_ships_is_spoilt_the_sources_are_taken(tmp_path, made, translated):
    lay_out(translated, tmp_path / "c")
    path = spoilt(tmp_path, "import drape.kernels as k; k.joined_file = lambda: b'no bitcode'")
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
