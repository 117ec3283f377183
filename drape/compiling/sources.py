"""Which files hold kernels, and a hash of all that machine code depends on."""

from __future__ import annotations

import hashlib
import importlib
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
MARK = re.compile(r"^@(kernel\b|entry\()", re.MULTILINE)
# how kernels are translated, optimised and called
HANDED_OVER = (
    "calling.py",
    "frontend.py",
    "frontend_types.py",
    "llvm.py",
    "signature.py",
    "words.py",
)


@cache
def kernel_files() -> tuple[Path, ...]:
    """All files of the package in which a function is marked as a kernel, in order."""
    return tuple(p for p in sorted(ROOT.rglob("*.py")) if MARK.search(p.read_text("utf-8")))


def digest_of(files: tuple[Path, ...]) -> str:
    """SHA-256 of names and texts, in hex; the same whichever way lines end."""
    digest = hashlib.sha256()
    for path in files:
        text = path.read_text("utf-8")
        digest.update(f"{path.relative_to(ROOT).as_posix()}\n{len(text)}\n{text}".encode())
    return digest.hexdigest()


@cache
def sources_digest() -> str:
    """Of the kernels, and of the files that say how they are compiled and called."""
    return digest_of(kernel_files()) + handed_over_digest()


@cache
def handed_over_digest() -> str:
    """Of the files that say how kernels are compiled and called."""
    here = Path(__file__).resolve().parent
    return digest_of(tuple(here / name for name in HANDED_OVER))


def import_kernels() -> None:
    """Import every file with kernels, so that all are known by name."""
    for path in kernel_files():
        parts = path.relative_to(ROOT.parent).with_suffix("").parts
        importlib.import_module(".".join(parts))
