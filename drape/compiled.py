"""The one decorator for compiled kernels, and the folder their machine code is kept in.

numba's own cache looks at one file at a time and goes stale when a kernel calls a kernel
from another file. So the cache folder is named after a hash of all kernel sources:
whatever changes, a new folder is used.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba

KERNEL_FILES = (
    "geometry/kernels.py",
    "geometry/geodesics.py",
    "geometry/fitting.py",
    "geometry/smoothing.py",
    "geometry/windows.py",
    "geometry/marching.py",
    "cloth/cells.py",
    "cloth/facets.py",
    "cloth/occupancy.py",
    "cloth/shear.py",
    "cloth/columns.py",
    "cloth/growth.py",
    "cloth/mapping.py",
)


def source_hash(root: Path) -> str:
    """Hash of all kernel sources below ``root`` and of numba's version."""
    digest = hashlib.sha256(numba.__version__.encode())
    for name in KERNEL_FILES:
        path = root / name
        if path.is_file():
            digest.update(name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]


def cache_folder() -> Path:
    """Folder for compiled kernels: the user's cache, else the temporary folder."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path("~/.cache").expanduser())
    name = f"kernels-{source_hash(Path(__file__).parent)}"
    for parent in (Path(base) / "plywright", Path(tempfile.gettempdir()) / "plywright-cache"):
        try:
            (parent / name).mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(parent / name, os.W_OK):
            return parent / name
    return Path(tempfile.mkdtemp(prefix="plywright-"))


def kernel(function: Callable[..., Any]) -> Any:
    """Compile ``function`` to machine code that releases the interpreter lock."""
    config: Any = numba.config
    saved = config.CACHE_DIR
    config.CACHE_DIR = _FOLDER
    try:
        return numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    finally:
        config.CACHE_DIR = saved


_FOLDER = str(cache_folder())
