"""Where each key of a TOML text stands: key path → line.

Parsers drop the line numbers of what they read, and without a line in the message people
have to search. This scanner reads only as much of TOML 1.0 as is needed to keep
track of key paths; it relies on the text having been parsed before.

A key path is a tuple of names and, inside arrays, indices from 0.
"""

from __future__ import annotations

import json
import re
import tomllib
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from difflib import get_close_matches
from itertools import product
from string import ascii_uppercase

KeyPath = tuple[str | int, ...]

_SKIP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]*")
# longest delimiter first; up to two quotes may stand right before a closing triple
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\])*"'
    r"|'[^']*'",
    re.DOTALL,
)
_STEP = re.compile(r'\.?("(?:\\.|[^"\\])*"|[A-Za-z0-9_-]+)|\[(\d+)\]')


def key_lines(text: str) -> dict[KeyPath, int]:
    """Line, from 1, of every table, key and array element of a valid TOML text.

    A key stands where its name is written; a table, or an element of an array of tables,
    where its header is, or else where it is first implied.
    """
    return _Scanner(text).document()


def spelled(path: KeyPath) -> str:
    """The path as people read it: ``plies[2].spacing``, array places counted from 1."""
    out = ""
    for step in path:
        if isinstance(step, int):
            out += f"[{step + 1}]"
        else:
            name = step if _BARE.fullmatch(step) else json.dumps(step, ensure_ascii=False)
            out += f".{name}" if out else name
    return out


def parsed(key: str) -> KeyPath:
    """The key path that ``spelled`` writes as ``key``; ValueError if it's none."""
    path: list[str | int] = []
    at = 0
    while at < len(key):
        found = _STEP.match(key, at)
        if found is None or (found[2] is not None and int(found[2]) < 1):
            raise ValueError(f"not a key path: {key}")
        name = found[1]
        if name is None:
            path.append(int(found[2]) - 1)
        else:
            path.append(json.loads(name) if name.startswith('"') else name)
        at = found.end()
    return tuple(path)


class _Scanner:
    """Reads a document once, left to right."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.breaks = [i for i, c in enumerate(text) if c == "\n"]
        self.lines: dict[KeyPath, int] = {}
        self.counts: dict[KeyPath, int] = {}  # elements so far of each array of tables

    def document(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self.skip()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)
            self.skip()
        return self.lines

    def header(self) -> KeyPath:
        line, double = self.line(), self.text.startswith("[[", self.at)
        self.at += 2 if double else 1
        names = self.key()
        self.at += 2 if double else 1
        path: KeyPath = ()
        for name in names[:-1]:
            path = self.entered((*path, name), line)
        path = (*path, names[-1])
        if double:
            self.lines.setdefault(path, line)
            self.counts[path] = self.counts.get(path, 0) + 1
            path = (*path, self.counts[path] - 1)
        self.lines[path] = line
        return path

    def entered(self, path: KeyPath, line: int) -> KeyPath:
        """A table on the way to another; of an array of tables, its last element."""
        self.lines.setdefault(path, line)
        return (*path, self.counts[path] - 1) if path in self.counts else path

    def pair(self, table: KeyPath) -> None:
        line, path = self.line(), table
        for name in self.key():
            path = (*path, name)
            self.lines.setdefault(path, line)
        self.at += 1  # the equals sign
        self.skip()
        self.value(path)

    def key(self) -> list[str]:
        """A dotted key; ends at what follows it, blanks skipped."""
        names: list[str] = []
        while True:
            self.skip()
            quoted = self.text[self.at] in "\"'"
            found = (_STRING if quoted else _BARE).match(self.text, self.at)
            if found is None:
                raise ValueError(f"no key (at line {self.line()})")
            names.append(tomllib.loads(f"k={found[0]}")["k"] if quoted else found[0])
            self.at = found.end()
            self.skip()
            if self.text[self.at] != ".":
                return names
            self.at += 1

    def value(self, path: KeyPath) -> None:
        start = self.text[self.at]
        if start == "[":
            self.array(path)
        elif start == "{":
            self.inline_table(path)
        else:
            found = (_STRING if start in "\"'" else _SCALAR).match(self.text, self.at)
            if found is None or not found[0]:  # else a loop over elements would never end
                raise ValueError(f"no value (at line {self.line()})")
            self.at = found.end()

    def array(self, path: KeyPath) -> None:
        index = 0
        while self.more("]"):
            self.lines[(*path, index)] = self.line()
            self.value((*path, index))
            index += 1

    def inline_table(self, path: KeyPath) -> None:
        while self.more("}"):
            self.pair(path)

    def more(self, end: str) -> bool:
        """Step over a bracket or comma; whether another element follows."""
        self.skip()
        if self.text[self.at] in "[{," and self.text[self.at] != end:
            self.at += 1
            self.skip()
        if self.text[self.at] != end:
            return True
        self.at += 1
        return False

    def skip(self) -> None:
        found = _SKIP.match(self.text, self.at)
        self.at = found.end() if found else self.at

    def line(self) -> int:
        return bisect_right(self.breaks, self.at) + 1


def suggestion(word: str, known: Iterable[str]) -> str:
    """'did you mean …?' with the nearest known word, or nothing."""
    by_fold = {k.casefold(): k for k in known}
    near = get_close_matches(word.casefold(), by_fold, n=1, cutoff=0.6)
    return f"did you mean '{by_fold[near[0]]}'?" if near else ""


def renamed(edge: str, mouths: Mapping[str, str]) -> str:
    """An edge's name with new names for the letters of mouths: ``A-B.1`` → ``root-B.1``.

    A run may be given by old names, by new ones, or by one of each; new ones may hold hyphens.
    """
    ends, dot, number = edge.rpartition(".")
    if not dot:
        return mouths.get(edge, edge)
    for hyphen in re.finditer("-", ends):
        both = ends[: hyphen.start()], ends[hyphen.end() :]
        if all(e in mouths.values() or re.fullmatch("[A-Z]{1,2}", e) for e in both):
            return "-".join(mouths.get(e, e) for e in both) + dot + number
    return edge


def ambiguous_run(mouths: Mapping[str, str]) -> tuple[str, str] | None:
    """Two pairs of mouths whose run would have the same name, in words; None if there are none.

    New names may hold hyphens: ``a`` and ``b-c`` would give what ``a-b`` and ``c`` give.
    """
    words = [*mouths.values(), *ascii_uppercase]
    seen: dict[str, tuple[str, str]] = {}
    for pair in product(words, words):
        first = seen.setdefault("-".join(pair), pair)
        if first != pair:
            return " to ".join(first), " to ".join(pair)
    return None
