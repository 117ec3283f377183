"""The job file as text: reading it with the lines of its keys, and writing changes back.

It knows TOML, but not what the keys mean.
"""

from __future__ import annotations

import copy
import os
import re
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from drape.errors import InputError
from drape.job.toml_lines import KeyPath, key_lines, parsed, spelled

LARGEST = 10_000_000  # bytes; a mesh given in place of a job file is caught early


@dataclass(frozen=True, eq=False)
class JobFile:
    """A parsed job file that knows where its keys stand.

    Attributes
    ----------
    path : Path
    data : dict
        As TOML gives it.
    lines : dict of key path to int
        From 1.
    """

    path: Path
    data: dict[str, Any]
    lines: Mapping[KeyPath, int]

    def line(self, path: KeyPath) -> int | None:
        """Line of the key, or of the nearest table round it; None for the file itself."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines[path] if path else None

    def where(self, path: KeyPath) -> str:
        """Place for a message: ``job.toml, line 12, plies[2].spacing``."""
        line = self.line(path)
        parts = [self.path.name, f"line {line}" if line else "", spelled(path)]
        return ", ".join(p for p in parts if p)


def read_job_file(path: Path | str) -> JobFile:
    """Read and parse a job file.

    Raises
    ------
    InputError
        No such file, not a file, not readable, not UTF-8, empty, or not TOML.
    """
    path = Path(path)
    text = _text_of(path)
    if not text.strip():
        raise InputError(
            "the job file is empty", where=path.name, remedy="start one with 'plywright new'"
        )
    try:
        return JobFile(path, tomllib.loads(text), key_lines(text))
    except ValueError as error:  # tomllib's own error, or a number of thousands of digits
        raise _broken(path, text, str(error)) from error
    except RecursionError as error:
        raise InputError("the file is nested too deep to be read", where=path.name) from error


def write_back(path: Path | str, changes: Mapping[str | KeyPath, Any]) -> None:
    """Change values of a job file; comments, order and spacing of the rest survive.

    Parameters
    ----------
    path : path of the job file
    changes : mapping of key path to value
        Paths as ``plies[2].angle`` (array places from 1) or as tuples (indices from 0).
        Missing tables are made. None takes the key out.

    Raises
    ------
    InputError
        The file can't be read, or a path leads through something that is no table.
    """
    path = Path(path)
    text = _text_of(path)
    wanted = read_job_file(path).data
    try:
        document = tomlkit.parse(text)
        for key, value in changes.items():
            steps = parsed(key) if isinstance(key, str) else key
            for tree in (document, wanted):
                _set(tree, steps, value, path)
        new = tomlkit.dumps(document)
        if "\r\n" in text:  # what is added ends its lines as the file does
            new = re.sub(r"\r?\n", "\r\n", new)
        kept = tomllib.loads(new) == wanted  # never trade a good file for a wrong one
    except (TOMLKitError, ValueError, TypeError, AttributeError) as error:
        # tomlkit raises the last two for values that don't suit their place
        raise InputError(f"the file can't be changed: {error}", where=path.name) from error
    if not kept:
        raise InputError("the changes can't be written into this file", where=path.name)
    _replace_file(path, new.encode("utf-8"))


def write_new(path: Path, text: str) -> None:
    """Write a file that isn't there yet, whole or not at all; InputError if it is there."""
    if path.exists():
        raise InputError("the file exists already", where=str(path), remedy="choose another name")
    if not path.parent.is_dir():
        raise InputError("no such folder", value=str(path.parent), remedy="make it first")
    _replace_file(path, text.encode("utf-8"))


def _text_of(path: Path) -> str:
    """The file's text; a byte order mark is dropped, line ends are kept."""
    if not os.path.exists(path):  # unlike Path.exists, never raises
        raise InputError("no such file", where=str(path), remedy="check the name")
    if not os.path.isfile(path):
        raise InputError("not a file", where=str(path), remedy="give the job file itself")
    try:
        if path.stat().st_size > LARGEST:
            raise InputError("too big for a job file", where=path.name, limit="at most 10 MB")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise InputError(
            "not a text file in UTF-8",
            where=f"{path.name}, line {line}",
            remedy="save it as UTF-8, or give the job file rather than a mesh",
        ) from error
    except OSError as error:
        raise InputError(
            "the file can't be read", where=str(path), value=error.strerror or error
        ) from error


def _broken(path: Path, text: str, message: str) -> InputError:
    found = re.search(r"line (\d+)", message)
    line = int(found[1]) if found else len(text.rstrip().splitlines())
    what = re.sub(r"\s*\(at [^)]*\)$", "", message)
    return InputError(
        f"not valid TOML: {what}",
        where=f"{path.name}, line {line}",
        remedy="check this line and the one before it",
    )


def _set(tree: Any, steps: KeyPath, value: Any, path: Path) -> None:
    try:
        for step in steps[:-1]:
            if isinstance(step, str) and step not in tree:
                tree[step] = {} if type(tree) is dict else tomlkit.table()
            tree = tree[step]
        if value is None:
            tree.pop(steps[-1], None)
        else:
            tree[steps[-1]] = copy.deepcopy(value)
    except (KeyError, IndexError, TypeError, AttributeError) as error:
        raise InputError(
            "no such place in the file", value=spelled(steps), where=path.name
        ) from error


def _replace_file(path: Path, content: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        os.chmod(name, mode)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
