"""Keys, lines and paths in TOML: against the reference library, whatever the document."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drape.job.toml_lines import key_lines, parsed, spelled

SCALARS = ["1", "-0.5", "true", "nan", "2026-01-31 10:00:00", "'it[ #] , = }'", '"a\\"#]}, b"']


SCALARS += ['"""x\n]""\\""""""', "'''\n#}'x\n'''", '""', "''", '"""a"""""', "1e3"]


NAMES = st.text("abAB_-.[]#=\"'é ", min_size=0, max_size=4)


class Writer:
    """Writes a random document, noting the line at which it puts each key."""

    def __init__(self, draw):
        self.draw, self.text, self.lines = draw, "", {}

    def line(self):
        return self.text.count("\n") + 1

    def pick(self, *choices):
        return self.draw(st.sampled_from(choices))

    def name(self, used):
        name = self.draw(NAMES.filter(lambda n: n not in used))
        used.add(name)
        return name

    def spell(self, name):
        bare = name and all(c.isascii() and (c.isalnum() or c in "_-") for c in name)
        escaped = "".join(f"\\u{ord(c):04x}" if c in "\"'é" else c for c in name)
        options = [f'"{escaped}"', *([name] if bare else [])]
        options += [f"'{name}'"] if "'" not in name else []
        return self.pick(*options)

    def key(self, path, used):
        """A key, dotted or not; its path."""
        names = [self.name(used)]
        if self.pick(False, False, True):
            names.append(self.name(set()))
        for i in range(len(names)):
            self.lines[path + tuple(names[: i + 1])] = self.line()
        self.text += self.pick(".", " . ", ". ").join(self.spell(n) for n in names)
        self.text += self.pick("=", " = ", "= ")
        return path + tuple(names)

    def value(self, path, depth):
        kind = self.pick("scalar", "array", "table") if depth else "scalar"
        if kind == "scalar":
            self.text += self.pick(*SCALARS)
        elif kind == "array":
            self.array(path, depth)
        else:
            self.table(path, depth)

    def array(self, path, depth):
        gaps = ("", " ", "\n", "\n  # ] , [ \n", "\r\n\t")
        self.text += "["
        for i in range(self.pick(0, 1, 2, 3)):
            self.text += ("," if i else "") + self.pick(*gaps)
            self.lines[(*path, i)] = self.line()
            self.value((*path, i), depth - 1)
            self.text += self.pick(*gaps)
        self.text += self.pick(*gaps) + "]"

    def table(self, path, depth):
        self.text += "{ "
        used = set()
        for i in range(self.pick(0, 1, 2)):
            self.text += ", " if i else ""
            self.value(self.key(path, used), depth - 1)
        self.text += " }"

    def pairs(self, path, used):
        for _ in range(self.pick(0, 1, 2, 3)):
            self.text += self.pick("", "\n", "# a = 1\n", "  ")
            self.value(self.key(path, used), 3)
            self.text += self.pick("\n", " # [x]\n", "\r\n")

    def header(self, names, path, double):
        self.lines[path] = self.line()
        a, b = ("[[", "]]") if double else ("[", "]")
        inner = self.pick(".", " . ").join(self.spell(n) for n in names)
        self.text += self.pick("", " ") + a + self.pick("", " ") + inner + b
        self.text += self.pick("\n", "  # [[y]]\n")

    def section(self, used):
        name = self.name(used)
        if self.pick(True, False):
            sub = self.name(set())
            if self.pick(True, False):  # [name] may be implied, and may come later
                self.lines[(name,)] = self.line()
                self.header([name, sub], (name, sub), False)
                self.pairs((name, sub), set())
            self.header([name], (name,), False)
            self.pairs((name,), {sub})
        else:
            self.lines[(name,)] = self.line()
            for i in range(self.pick(1, 2, 3)):
                self.header([name], (name, i), True)
                own = set()
                self.pairs((name, i), own)
                if self.pick(True, False):
                    sub = self.name(own)
                    self.header([name, sub], (name, i, sub), False)
                    self.pairs((name, i, sub), set())


@st.composite
def documents(draw):
    writer, used = Writer(draw), set()
    writer.pairs((), used)
    for _ in range(writer.pick(0, 1, 2, 3)):
        writer.section(used)
    return writer.text, writer.lines


def flattened(value, path=()):
    """Key paths of parsed TOML."""
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in items:
        yield (*path, key)
        if isinstance(inner, dict | list):
            yield from flattened(inner, (*path, key))


@given(documents())
@settings(max_examples=400, deadline=None)
def test_lines_are_where_the_keys_were_put(document):
    text, lines = document
    # the reference library reads the same keys out of it
    assert set(flattened(tomllib.loads(text))) == set(lines)
    assert key_lines(text) == lines


PATHS = st.lists(NAMES | st.integers(0, 20), min_size=1, max_size=5).map(tuple)


@given(PATHS.filter(lambda p: isinstance(p[0], str)))
def test_spelled_paths_are_read_back(path):
    assert parsed(spelled(path)) == path


def test_paths_count_from_one():
    assert spelled(("plies", 1, "allowances", "A-B.1")) == 'plies[2].allowances."A-B.1"'
    for bad in ("plies[0]", "a b", "a..b", "[x]"):
        with pytest.raises(ValueError, match="key path"):
            parsed(bad)
