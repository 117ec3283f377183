"""``docs/job-file.md``: what is committed is what the script makes; every default is true."""

import re
import sys
from pathlib import Path

import pytest

from drape.errors import InputError
from drape.job.keys import NOT_BUILT, SOURCES, Wrong

DOCS = Path(__file__).parents[2] / "docs"
sys.path.insert(0, str(DOCS))

import job_keys  # noqa: E402

KEYS = [(section, word) for section in job_keys.SECTIONS for word in section.keys]
IDS = [f"{section.header or 'top'} {word}" for section, word in KEYS]
VALUES = [
    (section, word, setting, value)
    for section, word in KEYS
    for setting, value in job_keys.default_values(section, word).items()
]
# Said in words, and nothing of it stands in the loaded job: who worked it out tests it.
IN_WORDS_ALONE = {
    ("", word) for word in ("joint", "report", "bench", "bag", "kit")
} | {
    ("[mould]", "parting"),
    ("[mould]", "trim"),
    ("[fabrics.cloth]", "take"),
    ("[fabrics.cloth]", "weave"),
    ("[fabrics.cloth]", "areal_mass"),
    ("[fabrics.cloth]", "thickness"),
    ("[fabrics.cloth]", "locking_angle"),
    ("[joint]", "strips"),
    ("[joint]", "wraps"),
}  # fmt: skip


def later(key):
    """Whether a key is known but not built."""
    try:
        key.check(None)
    except Wrong as wrong:
        return wrong.what == NOT_BUILT
    return False


def test_the_page_is_what_the_script_makes():
    assert job_keys.PAGE.read_text(encoding="utf-8") == job_keys.page(), (
        "run: python docs/job_keys.py"
    )


def test_the_script_knows_every_table_of_keys():
    """The tables that the checks use, by identity: a new one has to be given its section."""
    import drape.job.check as checks

    used = {
        name: value
        for name, value in vars(checks).items()
        if isinstance(value, dict) and value and all(hasattr(k, "allowed") for k in value.values())
    }
    assert len(used) > 8
    known = [section.keys for section in job_keys.SECTIONS]
    assert [name for name, table in used.items() if not any(table is k for k in known)] == []


@pytest.mark.parametrize(("section", "word"), KEYS, ids=IDS)
def test_every_key_is_described(section, word):
    key = section.keys[word]
    assert re.fullmatch(r"[A-Z].*\.", key.about)
    assert key.source in ("", *SOURCES)
    if key.required:
        assert (key.default, key.source) == ("{}", "")
        return
    values = job_keys.default_values(section, word)
    assert ("{}" in key.default) == bool(values), "a value is read, never typed"
    if "{}" in key.default and word not in ("title", "name"):
        assert key.source, "a value that somebody chose"
    place = (section.header, word)
    read = word in section.defaults
    assert read != (place in IN_WORDS_ALONE or later(key)), "say what reads its value"


@pytest.mark.parametrize(
    ("section", "word", "setting", "value"),
    VALUES,
    ids=[f"{s.header} {w} {x}".strip() for s, w, x, _ in VALUES],
)
def test_a_job_that_spells_a_default_out_is_the_job_without_it(
    tmp_path, section, word, setting, value
):
    header = section.header
    without = job_keys.job_with(tmp_path, {header: setting})
    spelled = job_keys.job_with(tmp_path, {header: f"{setting}\n{word} = {value}"})
    assert spelled == without


def test_that_comparison_sees_another_value(tmp_path):
    without = job_keys.job_with(tmp_path)
    for header, line in (("[bench]", "bulk = 1.2"), ("[bag]", "tail = 151")):
        assert job_keys.job_with(tmp_path, {header: line}) != without


@pytest.mark.parametrize(
    ("header", "line"), [(h, line) for h, lines in job_keys.MINIMAL.items() for line in lines]
)
def test_what_is_required_is(tmp_path, header, line):
    """Without one of the minimal job's lines it isn't loaded."""
    kept = tuple(other for other in job_keys.MINIMAL[header] if other != line)
    with pytest.raises(InputError, match="missing"):
        job_keys.job_with(tmp_path, lines_of={**job_keys.MINIMAL, header: kept})
