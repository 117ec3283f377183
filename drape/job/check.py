"""Check a job file: every problem found in one reading, each with its line and key.

First each section is checked by its table of keys, then what only shows across sections: names
of nothing, lists too short, files that don't exist. A section that is wrong in itself
doesn't hide what is wrong elsewhere.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from drape.errors import InputError, InputErrors
from drape.fabric.fabric import fabric_from, missing_from, shipped, started_from
from drape.job.bag_settings import BAG, misplaced
from drape.job.file import JobFile
from drape.job.keys import NAME, NOT_BUILT, Key, Wrong, name, shown
from drape.job.layers import STRIP, WRAP, numbered, ply_names
from drape.job.parting_settings import PARTING, problems
from drape.job.tables import (
    ALLOWANCE,
    BENCH,
    FABRIC,
    HALF,
    JOINT,
    MOULD,
    PLY,
    REPORT,
    TOP,
    TRIM,
)
from drape.job.toml_lines import KeyPath, ambiguous_run, renamed, suggestion

Values = dict[str, Any]
TARGETS = ("greatest_build_up", "least_overlap")  # for suggested laps and set-backs
NEW_MOUTH = "a name without a dot, other than a capital letter or two joined by a hyphen"


@dataclass
class Sections:
    """What the sections hold, by key; keys that are wrong are left out."""

    top: Values = field(default_factory=dict)
    mould: Values = field(default_factory=dict)
    halves: dict[str, Values] = field(default_factory=dict)
    parting: Values | None = None
    trims: dict[str, Values] = field(default_factory=dict)
    mouths: dict[str, str] = field(default_factory=dict)
    fabrics: dict[str, Values] = field(default_factory=dict)
    joint: Values | None = None
    strips: list[Values] = field(default_factory=list)
    wraps: list[Values] = field(default_factory=list)
    plies: list[Values] = field(default_factory=list)
    report: Values = field(default_factory=dict)
    bench: Values = field(default_factory=dict)
    bag: Values | None = None


def checked(file: JobFile) -> Sections:
    """The sections of a job file; InputErrors holding every problem if there is any."""
    reader = Reader(file)
    sections = _sections(reader)
    for check in (_meshes, _parting, _mouths, _twice, _fabrics, _joint, _bag, _plies, _across):
        check(reader, sections)
    if reader.errors:
        # in the order of the file: people fix it from top to bottom
        raise InputErrors([e for _, e in sorted(reader.errors, key=lambda pair: pair[0])])
    return sections


class Reader:
    """Reads sections and collects what is wrong."""

    def __init__(self, file: JobFile) -> None:
        self.file = file
        self.errors: list[tuple[int, InputError]] = []

    def wrong(self, path: KeyPath, what: str, **details: Any) -> None:
        self.add(path, InputError(what, **details))

    def add(self, path: KeyPath, error: InputError) -> None:
        """An error in the value at ``path``."""
        self.errors.append((self.file.line(path) or 0, error.at(self.file.where(path))))

    def section(
        self,
        raw: Mapping[str, Any],
        path: KeyPath,
        keys: Mapping[str, Key],
        others: Callable[[str], Key | None] = lambda _: None,
    ) -> Values:
        """The good values of one table; ``others`` gives the keys with names of their own."""
        out: Values = {}
        for word, value in raw.items():
            key = keys.get(word) or others(word)
            if key is None:
                self.unknown((*path, word), keys)
                continue
            try:
                out[word] = key.check(value)
            except Wrong as wrong:
                self.value((*path, word), wrong, value, key)
        for word, key in keys.items():
            if key.required and word not in raw:
                self.wrong(path, f"'{word}' is missing", limit=key.allowed)
        return out

    def value(self, path: KeyPath, wrong: Wrong, value: Any, key: Key) -> None:
        for step in wrong.path:
            value = value[step]
        if wrong.what.endswith(NOT_BUILT):
            limit = key.allowed if wrong.what != NOT_BUILT else ""
            self.wrong((*path, *wrong.path), wrong.what, limit=limit, remedy="leave it out for now")
        else:
            place = (*path, *wrong.path)
            self.wrong(place, wrong.what, value=shown(value), limit=key.allowed)

    def unknown(self, path: KeyPath, keys: Iterable[str], what: str = "unknown key") -> None:
        limit = ", ".join(keys) or "none"
        self.wrong(path, what, limit=limit, remedy=suggestion(str(path[-1]), keys))

    def name(self, path: KeyPath, word: str, known: Iterable[str], what: str) -> None:
        """Report a value that names nothing."""
        limit = ", ".join(known) or "none"
        self.wrong(path, what, value=shown(word), limit=limit, remedy=suggestion(word, known))

    def tables(self, raw: Any, path: KeyPath, keys: Mapping[str, Key]) -> dict[str, Values]:
        """A table of tables whose names are the user's."""
        out = {}
        for word, value in raw.items():
            if not isinstance(value, dict):
                self.wrong((*path, word), "must be a table", value=shown(value))
                continue
            if not _is_name(word):
                self.wrong((*path, word), "can't be used as a name", limit=NAME)
            out[word] = self.section(value, (*path, word), keys)
        return out


def _is_name(word: str) -> bool:
    try:
        name(word)
    except Wrong:
        return False
    return True


def _sections(reader: Reader) -> Sections:
    top = reader.section(reader.file.data, (), TOP)
    # a missing table is reported once, not again for each key that it lacks
    mould = reader.section(top["mould"], ("mould",), MOULD) if "mould" in top else {}
    mouths = reader.section(
        mould.get("mouths", {}), ("mould", "mouths"), {}, lambda _: Key(_mouth_name, NEW_MOUTH)
    )
    fabrics, bag = top.get("fabrics", {}), top.get("bag")
    joint = None if "joint" not in top else reader.section(top["joint"], ("joint",), JOINT)
    parting = mould.get("parting")
    strips = [] if joint is None else joint.pop("strips", ())
    wraps = [] if joint is None else joint.pop("wraps", ())
    return Sections(
        top=top,
        mould=mould,
        halves=reader.tables(mould.get("halves", {}), ("mould", "halves"), HALF),
        parting=None if parting is None else reader.section(parting, ("mould", "parting"), PARTING),
        trims=reader.tables(mould.get("trim", {}), ("mould", "trim"), TRIM),
        mouths=mouths,
        fabrics=reader.tables(fabrics, ("fabrics",), FABRIC),
        joint=joint,
        strips=[reader.section(s, ("joint", "strips", i), STRIP) for i, s in enumerate(strips)],
        wraps=[reader.section(w, ("joint", "wraps", i), WRAP) for i, w in enumerate(wraps)],
        plies=[_ply(reader, raw, i) for i, raw in enumerate(top.get("plies", ()))],
        report=reader.section(top.get("report", {}), ("report",), REPORT),
        bench=reader.section(top.get("bench", {}), ("bench",), BENCH),
        bag=None if bag is None else reader.section(bag, ("bag",), BAG),
    )


def _ply(reader: Reader, raw: Values, index: int) -> Values:
    path: KeyPath = ("plies", index)
    out = reader.section(raw, path, PLY)
    if "allowances" in out:
        given = out["allowances"]
        out["allowances"] = reader.section(given, (*path, "allowances"), {}, lambda _: ALLOWANCE)
    return out


def _mouth_name(value: Any) -> str:
    value = name(value)
    if "." in value or re.fullmatch(r"[A-Z](-[A-Z])?", value):
        raise Wrong("can't be used as a mouth's name")
    return value


def _meshes(reader: Reader, s: Sections) -> None:
    if "halves" in s.mould and not 1 <= len(s.mould["halves"]) <= 2:
        count = len(s.mould["halves"])
        reader.wrong(("mould", "halves"), "wrong number of halves", value=count, limit="1 or 2")
    seen: dict[Any, str] = {}
    for half, values in s.halves.items():
        if "mesh" not in values:
            continue
        path: KeyPath = ("mould", "halves", half, "mesh")
        given, file = shown(values["mesh"]), reader.file.path.parent / values["mesh"]
        if not os.path.isfile(file):  # unlike Path.is_file, never raises
            what = "not a file" if os.path.exists(file) else "no such mesh file"
            remedy = "the path starts at the job file's folder"
            reader.wrong(path, what, value=given, remedy=remedy)
        other = seen.setdefault(os.path.realpath(file), half)
        if other != half:
            reader.wrong(path, f"the same file as half '{other}'", value=given)


def _parting(reader: Reader, s: Sections) -> None:
    if s.parting is None:
        return
    raw, folder = reader.file.data["mould"]["parting"], reader.file.path.parent
    for path, what, details in problems(raw, s.parting, folder):
        reader.wrong(("mould", "parting", *path), what, **details)


def _mouths(reader: Reader, s: Sections) -> None:
    for letter in s.mould.get("mouths", ()):
        if not re.fullmatch(r"[A-Z]", letter):
            reader.wrong(("mould", "mouths", letter), "not the letter of a mouth", limit="A to Z")
    taken: dict[str, str] = {}
    for letter, new in s.mouths.items():
        if taken.setdefault(new.casefold(), letter) != letter:
            path: KeyPath = ("mould", "mouths", letter)
            reader.wrong(path, f"mouth {taken[new.casefold()]} has that name", value=shown(new))
    both = ambiguous_run(s.mouths)
    if both:
        limit = "new names that leave each run's name to one pair of mouths"
        what = f"a run's name would stand for two pairs of mouths, {both[0]} and {both[1]}"
        reader.wrong(("mould", "mouths"), what, limit=limit, remedy="leave a hyphen out")


def _twice(reader: Reader, s: Sections) -> None:
    """Edges and mouths given both by their letters and by their new names."""
    places: list[tuple[KeyPath, Iterable[str]]] = [(("mould", "trim"), s.trims)]
    lap_half = (s.joint or {}).get("lap_half")
    if isinstance(lap_half, dict):
        places.append((("joint", "lap_half"), lap_half))
    places += [
        (("plies", i, "allowances"), ply.get("allowances", ())) for i, ply in enumerate(s.plies)
    ]
    for path, words in places:
        seen: dict[str, str] = {}
        for word in words:
            first = seen.setdefault(renamed(word, s.mouths), word)
            if first != word:
                reader.wrong((*path, word), f"the same as '{first}'", remedy="keep one of them")


def _fabrics(reader: Reader, s: Sections) -> None:
    for word, values in s.fabrics.items():
        path: KeyPath = ("fabrics", word)
        raw = reader.file.data["fabrics"][word]
        if "take" in values and values["take"] not in shipped():
            reader.name(
                (*path, "take"), values["take"], shipped(), "no built-in fabric has that name"
            )
            continue
        if "take" not in raw:
            for key in missing_from(raw):
                remedy = 'add it, or start from a built-in fabric: take = "twill-200"'
                allowed = FABRIC[key].allowed
                reader.wrong(path, f"'{key}' is missing", limit=allowed, remedy=remedy)
        if raw.keys() == values.keys() and ("take" in raw or not missing_from(raw)):
            _composition(reader, path, values)


def _composition(reader: Reader, path: KeyPath, values: Values) -> None:
    """Figures that are good one by one, but not together."""
    try:
        fabric_from(str(path[-1]), started_from(values))
    except InputError as error:
        reader.add(path, error)


def _joint(reader: Reader, s: Sections) -> None:
    if s.joint is None or not s.halves:
        return
    raw = reader.file.data["joint"]
    if "lap_half" not in raw and raw.keys() & {"laps", "set_backs", *TARGETS}:
        reader.wrong(("joint",), "'lap_half' is missing", limit=", ".join(s.halves))
    if s.joint.get("yarns_search") and "yarns" not in raw:
        goals = JOINT["yarns"].allowed
        reader.wrong(
            ("joint", "yarns_search"), "'yarns' is missing, the goal of the search", limit=goals
        )
    lap_half = s.joint.get("lap_half")
    path: KeyPath = ("joint", "lap_half")
    named: dict[KeyPath, str] = {} if lap_half is None else {path: lap_half}
    if isinstance(lap_half, dict):
        named = {(*path, run): half for run, half in lap_half.items()}
    unknown = {place: half for place, half in named.items() if half not in s.halves}
    for place, half in unknown.items():
        reader.name(place, half, s.halves, "no such half")
    if not unknown:
        _list_lengths(reader, s, set(named.values()))


def _list_lengths(reader: Reader, s: Sections, lap_halves: set[str]) -> None:
    """A lap for each ply of a half that laps at some run, a set-back where another does."""
    joint = s.joint or {}
    for half in s.halves:
        count = sum(ply.get("half") == half for ply in s.plies)
        keys = ["laps"] if half in lap_halves else []
        keys += ["set_backs"] if lap_halves - {half} else []
        for key in keys:
            absent = key not in reader.file.data["joint"]
            given = joint.get(key, () if absent else None)  # None: wrong, and reported already
            if given is not None and len(given) < count:
                _too_short(reader, key, half, count)


def _too_short(reader: Reader, key: str, half: str, count: int) -> None:
    given = shown(reader.file.data["joint"].get(key, []))
    what = f"too few {key}: half '{half}' has {count} plies"
    limit, remedy = f"at least {count} values", "give one per ply, from the mould inward"
    reader.wrong(("joint", key), what, value=given, limit=limit, remedy=remedy)


def _bag(reader: Reader, s: Sections) -> None:
    if s.bag is None:
        return
    raw = reader.file.data["bag"]
    for word, setting in misplaced(s.bag, raw.keys() - s.bag.keys()):
        value = shown(raw[word])
        reader.wrong(
            ("bag", word), f"only applies with {setting}", value=value, remedy="leave it out"
        )
    if s.bag.get("process") == "clamped" and "pressure" not in raw:
        reader.wrong(("bag",), "'pressure' is missing", limit=BAG["pressure"].allowed)


def _plies(reader: Reader, s: Sections) -> None:
    if reader.file.data.get("plies") == []:
        reader.wrong(("plies",), "no plies", limit="at least one [[plies]] table")
    taken: dict[str, int] = {}
    for i, (ply, word) in enumerate(zip(s.plies, ply_names(s.plies), strict=True)):
        path: KeyPath = ("plies", i)
        if "half" in ply and s.halves and ply["half"] not in s.halves:
            reader.name((*path, "half"), ply["half"], s.halves, "no such half")
        if "fabric" in ply and ply["fabric"] not in s.fabrics and "fabrics" in s.top:
            reader.name((*path, "fabric"), ply["fabric"], s.fabrics, "no such fabric")
        # folded: names become file names, and not every system distinguishes A from a
        first = taken.setdefault(word.casefold(), i) if word else i
        if first != i:
            what = f"ply {first + 1} has the same name"
            reader.wrong((*path, "name"), what, value=shown(word), remedy="give another name")


def _across(reader: Reader, s: Sections) -> None:
    """Cloth that goes across the parting line: joint strips and wrapped plies."""
    taken = {word.casefold(): f"ply {i + 1}" for i, word in enumerate(ply_names(s.plies)) if word}
    lists = (
        ("strips", s.strips, numbered("strip", s.strips)),
        ("wraps", s.wraps, numbered("wrap", s.wraps)),
    )
    for key, sections, words in lists:
        what = {"strips": "joint strip", "wraps": "wrapped ply"}[key]
        for i, (values, word) in enumerate(zip(sections, words, strict=True)):
            path: KeyPath = ("joint", key, i)
            if len(s.halves) == 1:
                reader.wrong(path, f"a {what} needs both halves", remedy="leave it out")
            if "fabric" in values and values["fabric"] not in s.fabrics and "fabrics" in s.top:
                reader.name((*path, "fabric"), values["fabric"], s.fabrics, "no such fabric")
            if key == "strips":
                _strip_half(reader, s, path, values)
            elif "half" in values and s.halves and values["half"] not in s.halves:
                reader.name((*path, "half"), values["half"], s.halves, "no such half")
            own = f"{what} {i + 1}"
            first = taken.setdefault(word.casefold(), own)
            if first != own:
                said = f"{first} has the same name"
                reader.wrong((*path, "name"), said, value=shown(word), remedy="give another name")


def _strip_half(reader: Reader, s: Sections, path: KeyPath, strip: Values) -> None:
    """A strip laid before closing lies on one half's plies; one laid after on both."""
    given = "half" in reader.file.data["joint"]["strips"][path[-1]]
    if strip.get("laid") == "before" and not given:
        reader.wrong(path, "'half' is missing", limit=", ".join(s.halves))
    elif strip.get("laid") == "after" and given:
        what = 'only applies with laid = "before"'
        reader.wrong((*path, "half"), what, value=shown(strip.get("half")), remedy="leave it out")
    elif "half" in strip and s.halves and strip["half"] not in s.halves:
        reader.name((*path, "half"), strip["half"], s.halves, "no such half")
