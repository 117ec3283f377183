"""Errors and findings: what, value, limit, remedy.

Every message the user reads is an error or a finding:

- an *error* stops the run: ``InputError`` (something given is wrong, exit code 2)
  or ``AccuracyError`` (solved, but not to tolerance, exit code 3);
- a *finding* reports something that was changed or assumed, or is a risk; the run goes on.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from copy import copy
from dataclasses import dataclass, replace
from typing import Any, Literal, Self

Level = Literal["note", "warning", "risk", "error"]


class PlywrightError(Exception):
    """Base of all errors meant for the user.

    Parameters
    ----------
    what : str
        What is wrong, in one clause.
    value, limit : str, optional
        The offending value, and what is allowed.
    remedy : str, optional
        What the user can do about it.
    where : str, optional
        Place: a file, with line and key where there are such.
    """

    def __init__(
        self, what: str, *, value: Any = None, limit: str = "", remedy: str = "", where: str = ""
    ) -> None:
        self.what, self.value, self.limit = what, value, limit
        self.remedy, self.where = remedy, where
        super().__init__(self.line())

    def line(self) -> str:
        """The whole message on one line."""
        parts = [f"{self.where}: {self.what}" if self.where else self.what]
        if self.value is not None:
            parts.append(f"got {self.value}")
        if self.limit:
            parts.append(f"allowed: {self.limit}")
        if self.remedy:
            parts.append(self.remedy)
        return " ".join("; ".join(parts).split())

    def at(self, where: str) -> Self:
        """The same error with the place ``where`` in the user's files."""
        out = copy(self)
        out.where = where
        out.args = (out.line(),)
        return out


class InputError(PlywrightError):
    """Something the user gave can't be used (exit code 2)."""


class InputErrors(InputError):
    """Several input errors found in one reading; ``errors`` holds one each."""

    def __init__(self, errors: list[InputError]) -> None:
        self.errors = tuple(errors)
        super().__init__(" | ".join(e.line() for e in errors))

    def at(self, where: str) -> Self:
        """Each of the errors with this place."""
        return type(self)([e.at(where) for e in self.errors])


def raise_any(errors: Sequence[InputError]) -> None:
    """Raise the errors found, one alone or several at once; do nothing without any."""
    if errors:
        raise InputErrors(list(errors)) if len(errors) > 1 else errors[0]


class AccuracyError(PlywrightError):
    """A solver couldn't reach its tolerance; ``partial`` is what it has (exit code 3)."""

    def __init__(self, what: str, *, partial: Any = None, **kwargs: Any) -> None:
        self.partial = partial
        super().__init__(what, **kwargs)


@dataclass(frozen=True)
class Finding:
    """Something the user should know that doesn't stop the run.

    Attributes
    ----------
    level : str
        ``note`` (for completeness), ``warning`` (something was changed or assumed), ``risk``
        (the part may suffer), ``error`` (a piece isn't valid, or what was given can't give a
        sound part).
    about : tuple of str
        Names of all that it concerns, each whole: runs, then layers; or a half, a file, ``bag``.
        Code looks here for a ply's findings; the text is for people only.
    text, remedy : str
    place : (x, y, z) mm, or None
        Where in the mould, if it is at one place.
    """

    level: Level
    about: tuple[str, ...]
    text: str
    remedy: str = ""
    place: tuple[float, float, float] | None = None

    @property
    def where(self) -> str:
        """What it is about, in words."""
        return ", ".join(self.about)

    def line(self) -> str:
        """The whole finding on one line."""
        tail = f"; {self.remedy}" if self.remedy else ""
        return f"{self.level}: {self.where}: {self.text}{tail}"


def merged(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings with the same words as one that names all their subjects, in the first's place.

    Those that differ in the last subject alone: two pairs of plies stay apart, or nobody would
    know who belongs to whom.
    """
    alike: dict[tuple[Level, str, str, tuple[str, ...]], list[Finding]] = {}
    for f in findings:
        alike.setdefault((f.level, f.text, f.remedy, f.about[:-1]), []).append(f)
    out = []
    for first, *more in alike.values():
        last = [word for f in (first, *more) for word in f.about[-1:]]
        about = (*first.about[:-1], *dict.fromkeys(last))
        place = None if more else first.place  # several are at several places
        out.append(replace(first, about=about, place=place))
    return tuple(out)


def as_place(point: Iterable[float]) -> tuple[float, float, float]:
    """A point as a finding holds it, mm."""
    x, y, z = (float(v) for v in point)
    return x, y, z


def place_text(point: Iterable[float], digits: int = 0) -> str:
    """A place in the mould as messages give it, mm: ``12, 0, -3`` (never ``-0``)."""
    return ", ".join(f"{round(float(x), digits) + 0.0:.{digits}f}" for x in point)


def plain(content: str) -> str:
    """``content`` on one line, without control characters and broken surrogates."""
    kept = (" " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in content)
    return " ".join("".join(kept).split())
