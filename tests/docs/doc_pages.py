"""What the README and the pages of ``docs/`` hold: code blocks, links, headings."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
_FENCE = re.compile(r"^( *)```(\w*)\n(.*?)^\1```$", re.DOTALL | re.MULTILINE)
_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")


@dataclass(frozen=True)
class Block:
    """A code block; ``line`` is that of its fence, ``before`` the line of text above it."""

    page: str
    line: int
    language: str
    text: str
    before: str

    @property
    def place(self):
        return f"{self.page}:{self.line}"


def blocks(language, page=None):
    """All code blocks of a language, of one page or of all."""
    return [b for path in PAGES if page in (None, path.name) for b in of(path, language)]


def of(path, language):
    text = path.read_text(encoding="utf-8")
    return [
        Block(
            path.name,
            text[: found.start()].count("\n") + 1,
            found[2],
            re.sub(rf"^{found[1]}", "", found[3], flags=re.MULTILINE),
            text[: found.start()].rstrip().rpartition("\n")[2].strip(),
        )
        for found in _FENCE.finditer(text)
        if found[2] == language
    ]


def languages():
    """Those of all code blocks."""
    return {found[2] for path in PAGES for found in _FENCE.finditer(path.read_text("utf-8"))}


def prose(path):
    """A page without its code blocks and code in lines."""
    text = _FENCE.sub("", path.read_text(encoding="utf-8"))
    return re.sub(r"`[^`\n]+`", lambda found: "x" * len(found[0]), text)


def links(path):
    """Targets of a page's links and pictures, those of the web left out."""
    found = [target for target in _LINK.findall(prose(path))]
    return [t for t in found if not re.match(r"[a-z]+:", t)]


def anchors(path):
    """What a page's headings can be reached by, as GitHub makes it."""
    text = _FENCE.sub("", path.read_text(encoding="utf-8"))
    out = []
    for heading in re.findall(r"^#+ (.+)$", text, flags=re.MULTILINE):
        slug = re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")
        out.append(slug if slug not in out else f"{slug}-{out.count(slug)}")
    return out
