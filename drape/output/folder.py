"""The output folder: written whole or not at all.

The new folder is made beside the old one, the old one is moved aside, the new one gets its
name, the old one is deleted. A folder that is already there is replaced only if it is an output
folder and nothing else: its ``summary.json`` lists exactly its files.

An interrupted run leaves its files beside the folder under two names of their own, and the
next run cleans up. There too nothing is deleted that a summary doesn't list: the
summary is the first file written and the last one deleted.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Collection, Mapping
from contextlib import suppress
from pathlib import Path, PurePosixPath
from unicodedata import normalize

from drape.errors import InputError

SUMMARY = "summary.json"
LONGEST_NAME = 60  # characters; file systems stop at 255 bytes
RESERVED = {"con", "prn", "aux", "nul"} | {f"{p}{i}" for p in ("com", "lpt") for i in range(1, 10)}


def write_folder(target: Path, files: Mapping[str, bytes]) -> None:
    """Write ``files`` as the folder ``target``, in place of what an earlier run wrote there.

    Parameters
    ----------
    target : Path
        Parents are created if need be.
    files : mapping from name to content
        Names relative to the folder, with ``/``; ``summary.json`` must be among them and
        list them all under ``files``.

    Raises
    ------
    InputError
        Something else is in the way, names that lead out of the folder, or the disk
        refuses. The folder is then as it was.
    """
    place = Path(os.path.abspath(target))
    _check_names(files)
    try:
        _check_parents(place)
        mend(place)
        _check_replaceable(place)
        place.parent.mkdir(parents=True, exist_ok=True)
        try:
            _fill(_new(place), files)
            _swap(place)
        finally:
            with suppress(OSError, InputError):
                _delete(_new(place))
    except OSError as problem:
        raise InputError(
            "the output folder can't be written",
            value=problem.strerror or str(problem),
            remedy="make room, or choose another folder with -o (the old folder is kept)",
            where=str(problem.filename or place),
        ) from problem


def mend(target: Path) -> None:
    """Bring back order after an interrupted run: the old folder or the new one, whole."""
    place = Path(os.path.abspath(target))
    new, old = _new(place), _old(place)
    if old.exists() and not os.path.lexists(place):
        os.rename(old, place)
    _delete(old)
    _delete(new)


def safe_name(name: str, taken: Collection[str] = ()) -> str:
    """A file name (without ending) for a piece's name that is safe on every system.

    Letters and digits of any script, ``-``, ``_`` and ``.`` stay, everything else
    becomes ``-``; names that differ only in capitals get a number.

    Parameters
    ----------
    name : str
    taken : collection of str
        Names that are used already.
    """
    kept = "".join(c if c.isalnum() or c in "-_." else "-" for c in normalize("NFC", name))
    base = re.sub("-+", "-", kept)[:LONGEST_NAME].strip("-.") or "piece"
    if base.split(".")[0].casefold() in RESERVED:
        base = f"piece-{base}"
    used, result, number = {t.casefold() for t in taken}, base, 1
    while result.casefold() in used:
        number += 1
        result = f"{base}-{number}"
    return result


def _new(place: Path) -> Path:
    return place.with_name(f".{place.name}.plywright-new")


def _old(place: Path) -> Path:
    return place.with_name(f".{place.name}.plywright-old")


def _swap(place: Path) -> None:
    """Old aside, new in its place, old deleted; back again where a step fails."""
    new, old = _new(place), _old(place)
    if place.exists():
        os.rename(place, old)
    try:
        os.rename(new, place)
    except BaseException:
        if old.exists():
            os.rename(old, place)
        raise
    with suppress(OSError, InputError):  # the new folder is whole; the next run deletes the rest
        _delete(old)


def _fill(folder: Path, files: Mapping[str, bytes]) -> None:
    os.mkdir(folder)
    for name in sorted(files, key=lambda n: (n != SUMMARY, n)):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(path, "xb") as stream:
            stream.write(files[name])
            stream.flush()
            os.fsync(stream.fileno())


def _delete(folder: Path) -> None:
    """Delete what is left of an output folder, its summary last; refuse anything else."""
    if not os.path.lexists(folder):
        return
    found = _listing(folder)
    listed = _listed(folder)
    if found is None or not (found <= listed or found <= {SUMMARY}):
        raise _refusal(folder, "holds other files than an interrupted run leaves")
    for name in sorted(found, key=lambda n: (n == SUMMARY, n)):
        os.unlink(folder / name)
    for inside, _, _ in sorted(os.walk(folder), key=lambda step: step[0], reverse=True):
        os.rmdir(inside)


def _check_replaceable(place: Path) -> None:
    """Nothing there, an empty folder, or an output folder and nothing else."""
    if not os.path.lexists(place):
        return
    if place.is_symlink() or not place.is_dir():
        raise _refusal(place, "can't be made: something else has its name")
    found, listed = _listing(place), _listed(place)
    if found is None or _has_empty_folders(place):
        raise _refusal(place, "holds links or empty folders")
    if found and found != listed:
        strangers = sorted(found ^ listed)
        raise _refusal(
            place,
            f"holds files that its {SUMMARY} doesn't list, or lacks some that it lists",
            strangers[0],
        )


def _refusal(place: Path, what: str, value: str | None = None) -> InputError:
    return InputError(
        f"the folder {what}",
        value=value,
        limit=f"a folder written by an earlier run, whose {SUMMARY} lists exactly its files",
        remedy="choose another folder with -o, or clear this one by hand (nothing was changed)",
        where=str(place),
    )


def _listing(folder: Path) -> set[str] | None:
    """Names of all files, relative; None if there is anything but files in folders."""
    if folder.is_symlink() or not folder.is_dir():
        return None
    names = set()
    for inside, folders, files in os.walk(folder):
        paths = [Path(inside, name) for name in (*folders, *files)]
        plain = all(not p.is_symlink() and (p.is_dir() or p.is_file()) for p in paths)
        if not plain:
            return None
        names |= {normalize("NFC", p.relative_to(folder).as_posix()) for p in paths if p.is_file()}
    return names


def _has_empty_folders(folder: Path) -> bool:
    return any(
        not folders and not files and Path(inside) != folder
        for inside, folders, files in os.walk(folder)
    )


def _listed(folder: Path) -> set[str]:
    """The files that the folder's summary lists, itself included; none if unreadable."""
    try:
        return listed_files((folder / SUMMARY).read_bytes())
    except (OSError, ValueError):
        return set()


def listed_files(summary: bytes) -> set[str]:
    """What a summary lists under ``files``; ValueError if it isn't a summary."""
    content = json.loads(summary)
    files = content.get("files") if isinstance(content, dict) else None
    if not isinstance(files, list) or not all(isinstance(f, str) for f in files):
        raise ValueError(f"{SUMMARY} has no list of files")
    return {normalize("NFC", f) for f in files} | {SUMMARY}


def _check_parents(place: Path) -> None:
    if not place.name:
        raise _refusal(place, "is the root of the disk")
    for parent in place.parents:
        if parent.exists():
            if not parent.is_dir():
                remedy = "choose another folder with -o"
                raise InputError("not a folder but a file", where=str(parent), remedy=remedy)
            return


def _check_names(files: Mapping[str, bytes]) -> None:
    """Names stay inside the folder, differ by more than capitals, and are listed."""
    for name in files:
        parts = PurePosixPath(name).parts
        wrong = not parts or any(p in ("..", "/") or re.search(r'[\\:*?"<>|\0]', p) for p in parts)
        if wrong or PurePosixPath(name).as_posix() != name:
            raise InputError("a file name would lead out of the output folder", value=repr(name))
    folded = {normalize("NFC", n).casefold() for n in files}
    folders = {str(p).casefold() for n in files for p in PurePosixPath(n).parents}
    if len(folded) < len(files) or folded & folders:
        raise InputError("two files of the output folder have the same name")
    if SUMMARY not in files or listed_files(files[SUMMARY]) != {normalize("NFC", n) for n in files}:
        raise ValueError(f"{SUMMARY} must be written and list exactly the files beside it")
