"""The output folder: old or new, whole, whatever happens in between."""

import json
import os
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drape.errors import InputError
from drape.output.folder import mend, safe_name, write_folder


def content(word, *names):
    names = names or ("patterns.dxf", "patterns/a.svg", "nets/a.vtp")
    listed = ["summary.json", *names]
    summary = json.dumps({"format": 1, "files": listed, "word": word}).encode()
    return {"summary.json": summary, **{n: f"{word} {n}".encode() for n in names}}


OLD = content("old", "patterns.dxf", "patterns/b.svg")
NEW = content("new")


def everything(folder):
    """Every file below a folder with its bytes; None if there is no folder."""
    if not folder.exists():
        return None
    files = [p for p in folder.rglob("*") if p.is_file() or p.is_symlink()]
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in files}


@pytest.fixture
def place(tmp_path):
    return tmp_path / "out"


def beside(place):
    return sorted(p.name for p in place.parent.iterdir() if p != place)


def test_writes_new_and_replaces_old_and_leaves_nothing_beside(place):
    write_folder(place, OLD)
    assert everything(place) == OLD
    write_folder(place, NEW)
    assert everything(place) == NEW
    assert beside(place) == []


def test_creates_parents(place):
    write_folder(place / "a" / "b", NEW)
    assert everything(place / "a" / "b") == NEW


CALLS = ("rename", "mkdir", "unlink", "rmdir", "fsync")


def failing(monkeypatch, call, number, for_good, error=OSError):
    """Let the ``number``-th use of ``os.<call>`` fail, and all later ones if ``for_good``."""
    real, count = getattr(os, call), [0]

    def wrapped(*arguments, **keywords):
        count[0] += 1
        if count[0] == number or (for_good and count[0] > number):
            raise error(28, "injected")
        return real(*arguments, **keywords)

    monkeypatch.setattr(os, call, wrapped)
    return count


@pytest.mark.parametrize("for_good", [False, True], ids=["once", "for good"])
@pytest.mark.parametrize("error", [OSError, KeyboardInterrupt])
@pytest.mark.parametrize("call", CALLS)
def test_failure_at_any_step_leaves_old_or_new_and_is_mended(
    tmp_path, monkeypatch, call, error, for_good
):
    number = 0
    while True:
        number += 1
        place = tmp_path / f"{call}-{number}" / "out"
        write_folder(place, OLD)
        with monkeypatch.context() as patch:
            count = failing(patch, call, number, for_good, error)
            with suppress(InputError, KeyboardInterrupt):
                write_folder(place, NEW)
        if count[0] < number:
            break
        left = everything(place)
        assert left in (OLD, NEW, None)
        if left is None:  # both ways barred: the old one lies aside, whole
            aside = [p for p in place.parent.iterdir() if everything(p) == OLD]
            assert len(aside) == 1
            mend(place)
            assert everything(place) == OLD
        write_folder(place, NEW)
        assert everything(place) == NEW
        assert beside(place) == []
    assert number > 1


def test_once_failed_renames_put_the_old_folder_back_at_once(place, monkeypatch):
    write_folder(place, OLD)
    with monkeypatch.context() as patch:
        failing(patch, "rename", 2, for_good=False)
        with pytest.raises(InputError, match="injected"):
            write_folder(place, NEW)
    assert everything(place) == OLD
    assert beside(place) == []


def stranger_file(place):
    (place / "notes.txt").write_text("mine")


def missing_file(place):
    (place / "patterns.dxf").unlink()


def stranger_folder(place):
    (place / "mine").mkdir()


def link_inside(place):
    (place / "patterns.dxf").unlink()
    (place / "patterns.dxf").symlink_to(place / "summary.json")


def no_summary(place):
    (place / "summary.json").unlink()


def broken_summary(place):
    (place / "summary.json").write_text("{")


def summary_of_something_else(place):
    (place / "summary.json").write_text('{"files": "patterns.dxf"}')


@pytest.mark.parametrize(
    "change",
    [
        stranger_file,
        missing_file,
        stranger_folder,
        link_inside,
        no_summary,
        broken_summary,
        summary_of_something_else,
    ],
)
def test_any_other_folder_is_refused_untouched(place, change):
    write_folder(place, OLD)
    change(place)
    before = everything(place)
    with pytest.raises(InputError) as caught:
        write_folder(place, NEW)
    assert "\n" not in str(caught.value)
    assert everything(place) == before
    assert beside(place) == []


def test_file_link_and_file_as_parent_are_refused(place, tmp_path):
    real = tmp_path / "real"
    write_folder(real, OLD)
    place.symlink_to(real)
    with pytest.raises(InputError):
        write_folder(place, NEW)
    assert place.is_symlink()
    assert everything(real) == OLD
    place.unlink()
    place.write_text("mine")
    for target in (place, place / "below"):
        with pytest.raises(InputError):
            write_folder(target, NEW)
    assert place.read_text() == "mine"


def test_an_empty_folder_is_taken(place):
    place.mkdir()
    write_folder(place, NEW)
    assert everything(place) == NEW


def test_a_summary_cut_off_in_the_middle_is_mended(place):
    write_folder(place, OLD)
    aside = place.parent / ".out.plywright-new"
    aside.mkdir()
    (aside / "summary.json").write_bytes(NEW["summary.json"][:20])
    write_folder(place, NEW)
    assert everything(place) == NEW
    assert beside(place) == []


def test_strangers_under_the_names_beside_are_not_deleted(place):
    write_folder(place, OLD)
    for ending in ("new", "old"):
        aside = place.parent / f".out.plywright-{ending}"
        aside.mkdir()
        (aside / "mine.txt").write_text("mine")
        with pytest.raises(InputError):
            write_folder(place, NEW)
        assert (aside / "mine.txt").read_text() == "mine"
        assert everything(place) == OLD
        (aside / "mine.txt").unlink()
        aside.rmdir()


@pytest.mark.parametrize(
    "name",
    ["../x", "/x", "a/../../x", "a\\b", "C:x", "", ".", "a//b", "./a", "a/", "x\0y", "..", "a/.."],
)
def test_names_that_lead_elsewhere_are_refused(place, name):
    with pytest.raises(InputError):
        write_folder(place, {**content("new", name)})
    assert not place.exists()


@pytest.mark.parametrize("names", [("a.svg", "A.svg"), ("a", "a/b"), ("é", "e\u0301")])
def test_names_that_are_the_same_on_some_disks_are_refused(place, names):
    with pytest.raises(InputError, match="same name"):
        write_folder(place, content("new", *names))
    assert not place.exists()


def test_summary_must_list_what_is_written(place):
    with pytest.raises(ValueError, match="list exactly"):
        write_folder(place, {**NEW, "more.txt": b""})
    with pytest.raises(ValueError, match="list exactly"):
        write_folder(place, {"a.txt": b""})
    assert not place.exists()


@pytest.mark.parametrize(
    ("name", "taken", "safe"),
    [
        ("lower-1", (), "lower-1"),
        ("lower 1/2", (), "lower-1-2"),
        ("../../etc/passwd", (), "etc-passwd"),
        ("<script>", (), "script"),
        ("", (), "piece"),
        ("...", (), "piece"),
        ("CON", (), "piece-CON"),
        ("nul.x", (), "piece-nul.x"),
        ("Lower-1", ("lower-1",), "Lower-1-2"),
        ("lower-1", ("lower-1", "LOWER-1-2"), "lower-1-3"),
        ("Ärmel", (), "Ärmel"),
    ],
)
def test_safe_names(name, taken, safe):
    assert safe_name(name, taken) == safe


@given(st.lists(st.text(max_size=200), max_size=8))
def test_safe_names_can_be_written_and_differ(names):
    taken = []
    for name in names:
        taken.append(safe_name(name, taken))
    assert len({t.casefold() for t in taken}) == len(names)
    for safe in taken:
        assert safe == os.path.basename(safe)
        assert safe not in ("", ".", "..")
        assert len(safe.encode()) < 250
