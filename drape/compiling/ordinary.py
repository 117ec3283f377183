"""Kernels compiled numba's ordinary way: slow to compile, but on nothing but its public parts.

For where machine code of all kernels as one can't be had. Each kernel is compiled for its one
declared signature, with its callees linked into it. numba keeps its own files, which it pickles,
in a folder that only this user can write, named after all sources.
"""

from __future__ import annotations

import atexit
import ctypes
import functools
import hashlib
import shutil
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba
import numpy as np
from numba.extending import typeof_impl

from drape.compiling import frontend_types, store
from drape.compiling.calling import Caller
from drape.compiling.signature import Array, Declared, Group, Kind
from drape.compiling.sources import sources_digest

LOCK = threading.RLock()


@functools.cache
def _make_known(kind: type) -> None:
    """Where a kernel (of class ``kind``) names another, numba sees that one's compiled function."""
    typeof_impl.register(kind)(lambda kernel, _context: numba.typeof(dispatcher(kernel)))


def _is_safe(private: Path) -> bool:
    """Whether folders that earlier runs left are closed too: numba unpickles what is in them."""
    return all(store.is_private(folder) for folder in private.glob("ordinary-*"))


@functools.cache
def _folder() -> str:
    """Where numba keeps what it has compiled."""
    private = store.private_folder()
    if private is None or not _is_safe(private):  # numba wants one while the process lives
        name = tempfile.mkdtemp(prefix="plywright-")
        atexit.register(shutil.rmtree, name, ignore_errors=True)
        return name
    name = hashlib.sha256(sources_digest().encode()).hexdigest()[:16]
    folder = private / f"ordinary-{name}"
    folder.mkdir(mode=0o700, exist_ok=True)
    for old in private.glob("ordinary-*"):
        if old != folder:
            shutil.rmtree(old, ignore_errors=True)
    return str(folder)


@functools.cache
def dispatcher(kernel: Declared) -> Any:
    """numba's compiled function of a kernel."""
    config: Any = numba.config
    saved = config.CACHE_DIR
    config.CACHE_DIR = _folder()
    try:
        result, arguments = frontend_types.types_of(kernel)
        njit: Any = numba.njit  # its stubs don't know all options
        made = njit(result(*arguments), nogil=True, error_model="numpy", cache=True, _nrt=False)
        return made(kernel.function)
    finally:
        config.CACHE_DIR = saved


def run_ordinarily(kernel: Declared, caller: Caller) -> Callable[..., Any]:
    """A function that checks the arguments by ``caller``, and runs the kernel."""
    frontend_types.register_words()
    _make_known(type(kernel))
    kinds = kernel.signature.arguments
    with LOCK:
        compiled = dispatcher(kernel)

    def run(*arguments: Any) -> Any:
        each = zip(caller.checked(arguments), kinds, strict=True)
        return compiled(*(_writable(value, kind) for value, kind in each))

    return run


def _writable(value: Any, kind: Kind) -> Any:
    """An argument as the declared type wants it: arrays as writable views of the same memory.

    What a kernel may write has been checked; numba asks for one kind of array alone.
    """
    if isinstance(kind, Group):
        parts = [_writable(part, item) for part, item in zip(value, kind.items, strict=True)]
        return tuple(parts) if kind.made_by is None else kind.made_by(*parts)
    if not isinstance(kind, Array):
        return value
    if value.flags.writeable or value.size == 0:
        return value if value.flags.writeable else np.empty(value.shape, value.dtype)
    memory = (ctypes.c_char * value.nbytes).from_address(value.__array_interface__["data"][0])
    return np.frombuffer(memory, value.dtype).reshape(value.shape)
