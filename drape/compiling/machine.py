"""The machine code of all kernels: loaded from its file, or made first, once a machine.

It is made in a process of its own (``drape.kernels``), which lays small nets with it and compares
them with stored numbers before the file takes its place; so neither a crash nor a wrong result of
a compiler reaches whoever waits for it. Where it can't be made, kernels are compiled numba's
ordinary way, and that is said once.
"""

from __future__ import annotations

import hashlib
import logging
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from drape.compiling import store
from drape.compiling.sources import ROOT, sources_digest

MODE = "PLYWRIGHT_KERNELS"  # "python": uncompiled; "ordinary": numba's ordinary way
MAKING = "PLYWRIGHT_MAKING_KERNELS"  # set where machine code is made: nobody waits for itself
FORMAT = 1  # raised where files of an earlier version must not be used
LIMIT = 600.0  # s: a compiler that takes longer has gone astray
PATTERN = "kernels-*.bin"
log = logging.getLogger("plywright")

listener: Callable[[str, int, int], None] | None = None  # is told what is done, of how much
_lock = threading.RLock()
_state: dict[str, Any] = {}


def uncompiled() -> bool:
    """Whether kernels are to run as Python."""
    return os.environ.get(MODE, "") == "python"


def address(symbol: str) -> int | None:
    """Address of an entry's machine code; None where it has to be compiled the ordinary way."""
    with _lock:
        if "loaded" not in _state:
            _state["loaded"] = _loaded()
        loaded = _state["loaded"]
        if loaded is None:
            return None
        try:
            return loaded.address(symbol)
        except LookupError as error:  # sources that changed while this process runs
            _say_slow(error)
            _state["loaded"] = None
            return None


def adopt(contents: bytes) -> None:
    """Use this machine code in this process: for whoever has made it and tries it out."""
    # llvmlite is slow to import, and not needed where no kernel runs
    from drape.compiling import llvm

    with _lock:
        _state["loaded"] = llvm.Loaded(contents)


def key() -> bytes:
    """Hash of all that machine code depends on: 32 bytes."""
    from drape.compiling import llvm

    words = (str(FORMAT), sources_digest(), _version("numba"), _version("numpy"))
    return hashlib.sha256("\n".join([*words, *llvm.machine_words()]).encode()).digest()


def place(folder: Path, wanted: bytes) -> Path:
    """The file of machine code for a key."""
    return folder / f"kernels-{wanted.hex()[:16]}.bin"


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "none"


def _loaded() -> Any:
    """The machine code, made if need be; None where it can't be had or isn't wanted."""
    if os.environ.get(MODE, "") == "ordinary":
        return None
    try:
        from drape.compiling import llvm

        with store.some_folder() as folder:
            wanted = key()
            contents = store.read(place(folder, wanted), wanted)
            if contents is None:
                _make(folder)
                contents = store.read(place(folder, wanted), wanted)
        if contents is None:
            raise RuntimeError("no machine code was written")
        return llvm.Loaded(contents)
    except Exception as error:  # whatever it is: there is another way
        _say_slow(error)
        return None


def _say_slow(error: Exception) -> None:
    log.warning(
        "The kernels are compiled the slow way, which takes about a minute once: %s",
        str(error).strip() or type(error).__name__,
    )


def _make(folder: Path) -> None:
    """Have the machine code made, from what ships or, where that fails, from the sources."""
    if os.environ.get(MAKING):
        raise RuntimeError("machine code is being made")
    deadline = time.monotonic() + LIMIT
    try:
        run_kernels(["make", "joined", str(folder)], deadline)
    except RuntimeError:
        if time.monotonic() > deadline:
            raise
        run_kernels(["make", "sources", str(folder)], deadline)


def run_kernels(arguments: list[str], deadline: float) -> None:
    """Run a command of ``drape.kernels`` in a process of its own, and pass on how far it is.

    Raises
    ------
    RuntimeError
        It failed, with its last line, or went on past ``deadline`` (of ``time.monotonic``).
    """
    with tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace") as errors:
        command = [sys.executable, "-P", "-c", _beginning(), *arguments]
        with subprocess.Popen(
            command,
            env=_environment(),
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            encoding="utf-8",
            errors="replace",
        ) as process:
            timer = threading.Timer(max(0.0, deadline - time.monotonic()), process.kill)
            timer.start()
            try:
                for line in process.stdout or ():
                    _pass_on(line)
                status = process.wait()
            finally:
                timer.cancel()
                process.kill()
        if status == 0:
            return
        if time.monotonic() > deadline:
            raise RuntimeError(f"it took longer than {LIMIT:.0f} s")
        errors.seek(0)
        last = errors.read().strip().splitlines()[-1:]
        raise RuntimeError(last[0] if last else f"the compiler ended with {status}")


def _beginning() -> str:
    """What the process begins with: modules are looked for where this one finds them.

    The folder one stands in is left out, unless it is where this package lies.
    """
    here = str(Path.cwd().resolve())
    paths = [here if p == "" and here == str(ROOT.parent) else p for p in sys.path]
    paths = [p for p in paths if p]
    if str(ROOT.parent) not in paths:
        paths.insert(0, str(ROOT.parent))
    return (
        f"import sys; sys.path[:] = {paths!r}; from drape import kernels; "
        "sys.exit(kernels.main(sys.argv[1:]))"
    )


def _environment() -> dict[str, str]:
    """This process's, without what would change how kernels are translated or tried out."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA_") and k != MODE}
    return {**kept, MAKING: "1", "PYTHONIOENCODING": "utf-8"}


def _pass_on(line: str) -> None:
    """Tell the listener what a line says; lines of others are none of ours."""
    parts = line.strip().split("\t")
    if listener is not None and len(parts) == 3 and parts[0].isdigit() and parts[1].isdigit():
        listener(parts[2], int(parts[0]), int(parts[1]))
