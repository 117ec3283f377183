"""Files of machine code that only their user can write, and that hold nothing but bytes.

A file is: a magic word, the key it was made for, the length of its contents, their SHA-256,
and the contents. Nothing of it is unpickled. What doesn't hold in every point is not there: whoever
asks gets None and makes it anew. Files are written whole, beside their place, and renamed.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

MAGIC = b"plywright kernels 1\n"
KEPT = 3  # the newest files of a kind
STALE = 24 * 3600.0  # s: a file that was begun so long ago won't be finished


def cache_place() -> Path:
    """The platform's place for what can be made again."""
    given = Path(os.environ.get("XDG_CACHE_HOME", ""))
    if given.is_absolute():  # another is to be ignored, says the specification
        return given
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path.home() / ".cache"


def is_private(folder: Path) -> bool:
    """Whether a folder is a real one, this user's, and closed to all others."""
    try:
        found = os.lstat(folder)
    except OSError:
        return False
    if not stat.S_ISDIR(found.st_mode):
        return False
    above = folder.parent.stat()
    if hasattr(os, "getuid") and above.st_mode & 0o1002 == 0o002:
        return False  # others could put another folder in its place
    if not hasattr(os, "getuid"):  # Windows: profiles are their users' own
        return True
    return found.st_uid == os.getuid() and stat.S_IMODE(found.st_mode) & 0o077 == 0


def _close(folder: Path) -> None:
    """Close a folder of ours that others could write to, without what they may have left."""
    if is_private(folder) or folder.is_symlink() or not hasattr(os, "getuid"):
        return
    found = os.lstat(folder)
    if found.st_uid == os.getuid() and found.st_mode & 0o077:
        folder.chmod(0o700)
        for item in folder.iterdir():
            if item.is_dir() and not item.is_symlink():
                shutil.rmtree(item)
            else:
                item.unlink()


def private_folder(place: Path | None = None) -> Path | None:
    """The folder ``plywright`` in the cache place, made if need be; None where it isn't safe.

    One that is ours but open to others, as earlier versions made it, is emptied and closed.
    """
    try:
        folder = (cache_place() if place is None else place) / "plywright"
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        _close(folder)
    except (OSError, RuntimeError, AttributeError):
        return None
    return folder if is_private(folder) and os.access(folder, os.W_OK) else None


@contextlib.contextmanager
def some_folder() -> Iterator[Path]:
    """The private folder, or where there is none a new one of this process, removed after use."""
    folder = private_folder()
    if folder is not None:
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="plywright-", ignore_cleanup_errors=True) as name:
        yield Path(name)


def _own_bytes(path: Path) -> bytes | None:
    """Bytes of a file that is real and that only this user can have written; None else."""
    flags = sum(getattr(os, f"O_{name}", 0) for name in ("NOFOLLOW", "NONBLOCK", "BINARY"))
    handle = os.open(path, os.O_RDONLY | flags)
    try:
        found = os.fstat(handle)
        if not stat.S_ISREG(found.st_mode):
            return None
        if hasattr(os, "getuid") and (found.st_uid != os.getuid() or found.st_mode & 0o022):
            return None
        with open(handle, "rb", closefd=False) as file:
            return file.read()
    finally:
        os.close(handle)


def read(path: Path, key: bytes) -> bytes | None:
    """Contents of a file that was written for ``key`` (32 bytes), None where anything is wrong."""
    try:
        data = _own_bytes(path)
    except OSError:
        return None
    if data is None:
        return None
    head = len(MAGIC) + 32 + 8 + 32
    if len(data) < head or data[: len(MAGIC)] != MAGIC:
        return None
    at = len(MAGIC)
    if data[at : at + 32] != key:
        return None
    length = int.from_bytes(data[at + 32 : at + 40], "little")
    contents = data[head:]
    if len(contents) != length or hashlib.sha256(contents).digest() != data[at + 40 : head]:
        return None
    return contents


def packed(key: bytes, contents: bytes) -> bytes:
    """A file's bytes."""
    length = len(contents).to_bytes(8, "little")
    return MAGIC + key + length + hashlib.sha256(contents).digest() + contents


def write(path: Path, key: bytes, contents: bytes) -> None:
    """Write a file whole; raises OSError where that can't be done."""
    handle, name = tempfile.mkstemp(prefix=".begun-", dir=path.parent)
    try:
        with open(handle, "wb") as file:
            file.write(packed(key, contents))
            file.flush()
            os.fsync(file.fileno())
        try:
            os.replace(name, path)
        except PermissionError:  # Windows: another process has just that file open
            if read(path, key) != contents:
                raise
            os.unlink(name)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise


def prune(folder: Path, pattern: str, kept: int = KEPT) -> None:
    """Remove all but the newest files of a kind, and what was begun and left."""
    with contextlib.suppress(OSError):
        files = sorted(folder.glob(pattern), key=lambda p: p.stat().st_mtime, reverse=True)
        begun = [p for p in folder.glob(".begun-*") if time.time() - p.stat().st_mtime > STALE]
        for path in (*files[kept:], *begun):
            with contextlib.suppress(OSError):
                path.unlink()
