"""The machine code of all kernels: loaded from its file, or made first, once a machine.

It is made in a process of its own (``python -m drape.kernels``), which lays a small net with it
and compares that with stored numbers before the file takes its place; so neither a crash nor a
wrong result of a compiler reaches whoever waits for it. Where it can't be made, kernels are
compiled numba's ordinary way, and that is said once.
"""

from __future__ import annotations

import hashlib
import logging
import os
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from drape.compiling import store
from drape.compiling.sources import ROOT, sources_digest

MODE = "PLYWRIGHT_KERNELS"  # "python": uncompiled; "ordinary": numba's ordinary way
FORMAT = 1  # raised where files of an earlier version must not be used
LIMIT = 900.0  # s: a compiler that takes longer has gone astray
PATTERN = "kernels-*.bin"
log = logging.getLogger("plywright")

listener: Callable[[str, int, int], None] | None = None  # is told what is done, of how much
_lock = threading.RLock()
_state: dict[str, Any] = {}


def uncompiled() -> bool:
    """Whether kernels are to run as Python."""
    return os.environ.get(MODE, "") == "python"


def address(name: str) -> int | None:
    """Address of an entry's machine code; None where it has to be compiled the ordinary way."""
    with _lock:
        if "loaded" not in _state:
            _state["loaded"] = None if os.environ.get(MODE, "") == "ordinary" else _loaded()
        loaded = _state["loaded"]
    return None if loaded is None else loaded.address(name)


def adopt(contents: bytes) -> None:
    """Use this machine code in this process: for whoever has made it and tries it out."""
    # llvmlite is slow to import, and not needed where no kernel runs
    from drape.compiling import llvm

    with _lock:
        _state["loaded"] = llvm.Loaded(contents)


def key() -> bytes:
    """Hash of all that machine code depends on: 32 bytes."""
    from drape.compiling import llvm

    words = (str(FORMAT), sources_digest(), *llvm.machine_words())
    return hashlib.sha256("\n".join(words).encode()).digest()


def place(folder: Path, wanted: bytes) -> Path:
    """The file of machine code for a key."""
    return folder / f"kernels-{wanted.hex()[:16]}.bin"


def _loaded() -> Any:
    """The machine code, made if need be; None where it can't be had."""
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
        log.warning(
            "The kernels are compiled the slow way, which takes about a minute once: %s",
            str(error).strip() or type(error).__name__,
        )
        return None


def _make(folder: Path) -> None:
    """Have the machine code made, from what ships or, where that fails, from the sources."""
    try:
        _make_from("joined", folder)
    except RuntimeError:
        _make_from("sources", folder)


def _make_from(what: str, folder: Path) -> None:
    """Run the process that makes it; raises RuntimeError with the reason where it fails."""
    # -P: a module of the same name in the folder one stands in is none of ours
    command = [sys.executable, "-P", "-m", "drape.kernels", "make", what, str(folder)]
    path = os.pathsep.join(p for p in (str(ROOT.parent), os.environ.get("PYTHONPATH", "")) if p)
    process = subprocess.Popen(
        command,
        env={**os.environ, "PYTHONPATH": path, "PYTHONIOENCODING": "utf-8"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        errors="replace",
    )
    timer = threading.Timer(LIMIT, process.kill)
    timer.start()
    try:
        for line in process.stdout or ():
            done, total, what = line.strip().split("\t")
            if listener is not None:
                listener(what, int(done), int(total))
        last = (process.stderr.read() if process.stderr else "").strip().splitlines()[-1:]
        if process.wait() != 0:
            raise RuntimeError(last[0] if last else f"the compiler ended with {process.returncode}")
    finally:
        timer.cancel()
        process.kill()
        process.wait()
