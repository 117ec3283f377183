"""The pages hang together: links lead somewhere, the glossary is near, the README stays short."""

import re

import pytest
from doc_pages import PAGES, ROOT, anchors, languages, links

NAMES = [path.name for path in PAGES]
LONGEST_README = 150  # lines
WORDS = (
    "run, mouth, cavity, flange, parting line, lap, set-back, flush, tuck, proud, ease, snip",
    "run-off, scatter, build-up, band, station, seam, wrap, strip, first yarns, net, shear",
    "locking angle, bridging zone, stroke, allowance, warp, weft, trim line, girth, lay-flat width",
)
TERM = re.compile(r"^- \*\*([^*]+)\*\*: \S", re.MULTILINE)


def complaints(path, root=ROOT):
    """Links of a page that lead nowhere, or out of ``root``."""
    out = []
    for target in links(path):
        file, _, anchor = target.partition("#")
        there = (path.parent / file).resolve() if file else path
        if not there.is_file() or not there.is_relative_to(root):
            out.append(f"{target}: no such file")
        elif anchor and anchor not in anchors(there):
            out.append(f"{target}: no such heading; there are {', '.join(anchors(there))}")
    return out


@pytest.mark.parametrize("path", PAGES, ids=NAMES)
def test_links_lead_somewhere(path):
    assert links(path)
    assert complaints(path) == []


@pytest.mark.parametrize("text", ["[a](b.md)", "[a](#c)", "![a](b.png)", "[a](README.md#none)"])
def test_a_link_that_leads_nowhere_is_seen(tmp_path, text):
    page = tmp_path / "page.md"
    page.write_text(f"# Title\n\n[fine](#title)\n\n{text}\n")
    (tmp_path / "README.md").write_text("# Title\n")
    (line,) = complaints(page, tmp_path)
    assert text[text.index("(") + 1 : -1] in line


def test_the_readme_is_short():
    lines = (ROOT / "README.md").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= LONGEST_README


@pytest.mark.parametrize("path", PAGES, ids=NAMES)
def test_every_page_has_the_glossary_and_the_readme_has_every_page(path):
    if path.name == "README.md":
        pages = {f"docs/{p.name}" for p in PAGES if p is not path}
        assert pages - set(links(path)) == set()
    elif path.name != "glossary.md":
        assert "glossary.md" in links(path)
    else:
        assert "../README.md" in links(path)


def test_the_glossary_is_in_order():
    text = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
    terms = TERM.findall(text)
    assert len(terms) == text.count("\n- ") > 60
    assert terms == sorted(terms, key=str.casefold)
    assert len(terms) == len(set(terms))


@pytest.mark.parametrize(
    "word",
    [word for line in WORDS for word in line.split(", ")],
)
def test_the_glossary_has_the_words_of_the_trade(word):
    assert word in TERM.findall((ROOT / "docs" / "glossary.md").read_text(encoding="utf-8"))


def test_blocks_are_of_kinds_that_are_tried():
    """See ``test_commands``: another language has to be tried there first."""
    assert languages() == {"sh", "toml", "csv", "python"}
