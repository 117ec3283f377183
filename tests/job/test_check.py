"""One line for each thing that is wrong with a job file.

Tries out ``job/keys``, ``job/tables`` as well.
"""

from __future__ import annotations

from contextlib import suppress

import pytest
from helpers import errors_of
from hypothesis import given, settings
from hypothesis import strategies as st
from job_texts import JOB, replaced

from drape.errors import InputError
from drape.job.job import load_job, write_back
from drape.job.toml_lines import key_lines

# (what stands in JOB, what is put in its place, words of the message). '#!' marks the line
# that the message has to name.
BAD = [
    ("format = 1", "format = 2 #!", ["format", "got 2", "allowed: 1"]),
    ("format = 1", "format = true #!", ["got true"]),
    ("format = 1", "", ["'format' is missing"]),
    ('title = "Test part"', "title = 7 #!", ["title", "must be text, not a number", "got 7"]),
    ('title = "Test part"', 'title = """a\nb""" #!', ["line breaks"]),
    ('units = "cm"', 'units = "miles" #!', ['got "miles"', "allowed: mm, cm, m, in"]),
    ('units = "cm"', 'unit = "cm" #!', ["unknown key", "did you mean 'units'?"]),
    ('seen_from = "inside"', 'seen_from = "out" #!', ["allowed: inside, mould"]),
    ("closing = [0, 0, 2]", "closing = [0, 0, 0] #!", ["has zero length", "got [0, 0, 0]"]),
    ("closing = [0, 0, 2]", "closing = [0, 2] #!", ["must be three numbers, not 2"]),
    ("closing = [0, 0, 2]", "closing = [\n0,\nnan, #!\n2]", ["mould.closing[2]", "got nan"]),
    ("closing = [0, 0, 2]", "opening = 1 #!", ["unknown key", "allowed: closing, halves"]),
    ('mesh = "lower.stl"', 'mesh = "none.stl" #!', ["no such mesh file", '"none.stl"']),
    ('mesh = "lower.stl"', 'mesh = "a\\u0000.stl" #!', ["control characters"]),
    ('mesh = "lower.stl"', f'mesh = "{"a" * 300}.stl" #!', ["no such mesh file", "..."]),
    ('mesh = "lower.stl"', 'mesh = "sub/upper.PLY"', ["the same file as half 'lower'"]),
    ('mesh = "lower.stl"', 'mesh = "lower.step" #!', ["STEP: isn't built yet"]),
    ('mesh = "lower.stl"', 'mesh = "lower.docx" #!', ["allowed: a file, .stl, .ply, .obj"]),
    ('mesh = "lower.stl"\n', "", ["mould.halves.lower: 'mesh' is missing"]),
    ("[mould.trim.A]", "[mould.halves.third]\nmesh='x.stl'\n[mould.trim.A]", ["got 3", "1 or 2"]),
    ("normal = [-4, 0, 0]\n", "", ["mould.trim.A: 'normal' is missing"]),
    ("point = [1, 2, 3]", "point = [1, 2, inf] #!", ["mould.trim.A.point[3]", "got inf"]),
    (
        "[mould.trim.A]",
        "[mould.parting]\nheight = 1\npolyline = [[0, 0, 0], [1, 0, 0]] #!\n[mould.trim.A]",
        ["more than one parting line", "got height, polyline", "one of: plane, polyline, height"],
    ),
    ("[mould.trim.A]", "[mould.parting] #!\n[mould.trim.A]", ["no parting line", "one of: plane"]),
    *[
        ("[mould.trim.A]", f"[mould.parting]\n{line} #!\n[mould.trim.A]", said)
        for line, said in [
            ("height = nan", ["mould.parting.height", "isn't a number"]),
            ("plane = { point = [0, 0, 0] }", ["mould.parting.plane", "has no normal"]),
            ("plane = { point = [0, 0, 0], normal = [0, 0, 0] }", ["plane.normal", "zero length"]),
            ("plane = { point = [0, 0], normal = [0, 0, 1] }", ["plane.point", "not 2"]),
            ("plane = { point = [0, 0, 0], normal = [0, 0, 1], side = 1 }", ["unknown key"]),
            ("polyline = [[0, 0, 0]]", ["mould.parting.polyline", "two points or more"]),
            ("polyline = [[0, 0, 0], [1, 2]]", ["mould.parting.polyline[2]", "three numbers"]),
            ('polyline = "line.xls"', ["isn't a file that plywright reads", '"line.xls"', ".csv"]),
            ('polyline = "none.csv"', ["mould.parting.polyline", "none.csv", "no such file"]),
            ('polyline = ["none.csv"]', ["mould.parting.polyline[1]", "no such file"]),
            ('polyline = "sub/words.csv"', ["words.csv: no row of numbers"]),
            ("level = 3", ["unknown key", "allowed: plane, polyline, height"]),
        ]
    ],
    ('A = "root"', 'A = "B" #!', ["can't be used as a mouth's name"]),
    ('A = "root"', 'A = "root"\nB = "Root" #!', ["mouth A has that name"]),
    ('A = "root"', 'A = "a"\nB = "b-c"\nC = "a-b"\nD = "c"',
     ["for two pairs of mouths, a to b-c and a-b to c", "leave a hyphen out"]),
    ('A = "root"', 'A = "A-x"\nB = "y"\nC = "x-y"', ["two pairs of mouths, A-x to y and A to x-y"]),
    ('A = "root"', 'left = "root" #!', ["not the letter of a mouth", "A to Z"]),
    ("areal_mass = 200", "areal_mass = 0 #!", ["fabrics.twill.areal_mass", "got 0", "g/m2"]),
    ("areal_mass = 200", "", ["'areal_mass' is missing", "take"]),
    ("locking_angle = 45", "locking_angle = 90 #!", ["degrees", "more than 0, less than 90"]),
    ("locking_angle = 45", "locking_angle = -5 #!", ["got -5"]),
    ("locking_angle = 45", "locking_angle = nan #!", ["isn't a number", "got nan"]),
    ("locking_angle = 45", "locking_angle = 45\nroll_width = 0 #!", ["roll_width", "got 0"]),
    ("locking_angle = 45", "locking_angle = 45\nlocking = 4 #!", ["did you mean 'locking_angle'?"]),
    ('take = "twill-200"', 'take = "twil-200" #!', ["did you mean 'twill-200'?"]),
    ("[fabrics.heavy]", '[fabrics."a/b"] #!', ["can't be used as a name", "no such fabric"]),
    ('lap_half = "lower"', 'lap_half = "lowre" #!', ["no such half", "did you mean 'lower'?"]),
    ('lap_half = "lower"', 'lap_half = 3 #!', ["joint.lap_half", "must be text"]),
    ('lap_half = "lower"', 'lap_half = {} #!', ["joint.lap_half", "names no run"]),
    ('lap_half = "lower"', 'lap_half = {"A-B.1" = 1} #!', ['lap_half."A-B.1"', "must be text"]),
    ('lap_half = "lower"', 'lap_half = {A-B.1 = "lower"} #!', ["in quotes"]),
    ('lap_half = "lower"', 'lap_half = {"A-B.1" = "uper"} #!',
     ['joint.lap_half."A-B.1": no such half', "did you mean 'upper'?"]),
    ('lap_half = "lower"', 'lap_half = {"A-B.1" = "lower", "root-B.1" = "upper"} #!',
     ['joint.lap_half."root-B.1": the same as \'A-B.1\'']),
    ('lap_half = "lower"\n', "", ["joint: 'lap_half' is missing"]),
    ("laps = [10, 15]", "laps = [10] #!", ["too few laps", "'lower' has 2 plies", "at least 2"]),
    ("laps = [10, 15]\n", "", ["joint.laps: too few laps", "got []"]),
    ("laps = [10, 15]", "laps = [10,\n-1] #!", ["joint.laps[2]", "got -1", "0 to 1000"]),
    ("laps = [10, 15]", "laps = 10 #!", ["must be a list, not a number"]),
    ("laps = [10, 15]", 'laps = [10, "15"] #!', ["laps[2]", "must be a number, not text"]),
    ("set_backs = [0, 5.5]", "set_backs = [0] #!", ["too few set_backs", "'upper' has 2 plies"]),
    ("run_off = 8", "greatest_build_up = 0 #!", ["greatest_build_up", "got 0", "more than 0"]),
    ("run_off = 8", "least_overlap = -1 #!", ["joint.least_overlap", "got -1"]),
    ("run_off = 8", "run_off = -8 #!", ["joint.run_off", "got -8"]),
    ("run_off = 8", "run_off = true #!", ["must be a number, not true or false"]),
    ('name = "outer"', 'name = "../x" #!', ["can't be used as a name", "letters"]),
    ('name = "outer"', 'name = "LOWER-1" #!', ["plies[2].name", "ply 1 has the same name"]),
    ('name = "outer"', 'nmae = "outer" #!', ["unknown key", "did you mean 'name'?"]),
    ("angle = 30\n", "", ["plies[2]: 'angle' is missing", "degrees"]),
    ("angle = 30", 'angle = "30" #!', ["plies[2].angle", "must be a number, not text", '"30"']),
    ("angle = 30", "angle = 361 #!", ["is out of range"]),
    ("angle = 30", f"angle = {10**400} #!", ["is out of range", "digits"]),
    ("start = [1, 2, 3]", 'start = "middle" #!', ['"auto", or three numbers']),
    ("start = [1, 2, 3]", "start = [1, 2, 3e9] #!", ["plies[2].start[3]"]),
    ("spacing = 2.5", "spacing = -2.5 #!", ["plies[2].spacing", "got -2.5", "0.05 to 100"]),
    ("spacing = 2.5", "spacing = nan #!", ["isn't a number", "got nan"]),
    ("spacing = 2.5", "spacing = 0 #!", ["got 0"]),
    ("spacing = 2.5", "spacing = 1979-05-27 #!", ["must be a number, not a date or time"]),
    ('first_yarns = "straight"', 'first_yarns = "steered" #!', ["isn't built yet"]),
    ('first_yarns = "straight"', 'first_yarns = "bent" #!', ["allowed: straight"]),
    ('first_yarns = "straight"', 'goal = "lowest-peak" #!', ["goal: isn't built yet"]),
    ('"A-B.1" = 12', '"A-B.1" = [[0, 12]] #!', ['"A-B.1"', "needs two stations or more"]),
    ('"A-B.1" = 12', '"A-B.1" = [[0, 12], 6] #!', ['"A-B.1"[2]', "must be a station"]),
    ('"A-B.1" = 12', '"A-B.1" = [[0, 12], [80, 6, 1]] #!', ['"A-B.1"[2]', "must be a station"]),
    ('"A-B.1" = 12', '"A-B.1" = [[0, 12], [0, 6]] #!', ["[2][1]", "past the station before"]),
    ('"A-B.1" = 12', '"A-B.1" = [[9, 12], [8, 6], [3, 1]] #!', ['[2][1]', "got 8"]),
    ('"A-B.1" = 12', '"A-B.1" = [[0, 12], [80, nan]] #!', ['"A-B.1"[2][2]', "isn't a number"]),
    ('"A-B.1" = 12', '"A-B.1" = [[0, 12], [inf, 6]] #!', ['"A-B.1"[2][1]', "is out of range"]),
    ('"A-B.1" = 12', '"A-B.1" = [[-1, 12], [9, 6]] #!', ['"A-B.1"[1][1]', "got -1"]),
    ('"A-B.1" = 12', '"A-B.1" = [[0, "12"], [9, 6]] #!', ['"A-B.1"[1][2]', "not text"]),
    ('"A-B.1" = 12', "A-B.1 = 12 #!", ["in quotes"]),
    ('"A-B.1" = 12', '"A-B.1" = nan #!', ["isn't a number"]),
    ('"A-B.1" = 12', 'root = 1\nA = 12 #!', ["the same as 'root'"]),
    ("[plies.allowances]", "[plies.region] #!\n[plies.allowances]", ["region: isn't built yet"]),
    ("[report]", "[[plies.splits]] #!\n[report]", ["plies[4].splits: isn't built yet"]),
    ("[report]", "[[plies.cuts]] #!\n[report]", ["plies[4].cuts: isn't built yet"]),
    ("[report]", "bag = 3 #!\n[report]", ["plies[4].bag", "unknown key"]),
    ("[report]", "[bag]\nwidth = 3 #!\n[report]", ["bag.width", "unknown key", "kind, oversize"]),
    ("[report]", "[bag]\nkind = 'silk' #!\n[report]", ["bag.kind", '"silk"', "film, stretch"]),
    ("[report]", "[bag]\noversize = 101 #!\n[report]", ["bag.oversize", "got 101", "percent"]),
    ("[report]", "[bag]\nstock = [50, 0] #!\n[report]", ["bag.stock[2]", "got 0", "list of mm"]),
    ("[report]", "[bag]\nstock = 50 #!\n[report]", ["bag.stock", "must be a list"]),
    ("[report]", "[bag]\ntail = -1 #!\n[report]", ["bag.tail", "got -1", "mm, 0 to 1000"]),
    ("[report]", "[bag]\nundersize = 9 #!\n[report]", ['only applies with kind = "stretch"']),
    ("[report]", "[bag]\npressure = 2 #!\n[report]", ['with process = "clamped"', "got 2"]),
    ("[report]", "[bag]\nprocess = 'x' #!\npressure = 2\n[report]", ["envelope, clamped"]),
    ("[report]", "[bag] #!\nprocess = 'clamped'\n[report]", ["bag: 'pressure' is missing"]),
    ("[report]", "[bag]\nprocess = 'clamped'\npressure = 0 #!\n[report]", ["got 0", "bar above"]),
    ("[report]", "[bag]\nprocess = 'clamped'\npressure = 2\nbreather_overlap = 9 #!\n[report]",
     ['only applies with process = "envelope"']),
    ("[report]", "[kit] #!\n[report]", ["kit: isn't built yet"]),
    ("[report]", "[print] #!\n[report]", ["unknown key"]),
    ('fail_on = ["risk"]', 'fail_on = ["risks"] #!', ["report.fail_on[1]", "note, warning, risk"]),
    ("date = 2026-02-03", "date = 2026-02-03T10:00:00 #!", ["isn't a date"]),
    ("date = 2026-02-03", 'date = "2026-02-30" #!', ["isn't a day of the calendar"]),
    ('page = "A3"', 'page = "A5" #!', ["bench.page", "allowed: A4, A3, Letter, roll"]),
    ('page = "A3"', "placement = -1 #!", ["bench.placement", "got -1", "mm, 0 to 100"]),
    ('page = "A3"', "angle = 46 #!", ["bench.angle", "got 46", "degrees, 0 to 45"]),
    ('page = "A3"', 'least_overlap = "8" #!', ["bench.least_overlap", "must be a number"]),
    ('page = "A3"', "proud = 0 #!", ["bench.proud", "got 0", "more than 0"]),
    ('page = "A3"', "bulk = 0.9 #!", ["bench.bulk", "got 0.9", "1 to 3"]),
    ('page = "A3"', "tack_clearance = -1 #!", ["bench.tack_clearance", "got -1", "mm, 0 to 10"]),
    ('page = "A3"', "tuck_limit = 0 #!", ["bench.tuck_limit", "got 0", "degrees, more than 0"]),
    ('page = "A3"', "bag_width = 0 #!", ["bench.bag_width", "got 0", "mm, more than 0"]),
    ("run_off = 8", 'yarns = "helix" #!', ["joint.yarns", "running-through, mirrored"]),
    ("spacing = 2.5", 'trim_in_mould = "A-B.1" #!', ["trim_in_mould", "must be a list, not text"]),
    ("spacing = 2.5", 'trim_in_mould = ["B", 1] #!', ["trim_in_mould[2]", "must be text"]),
    ('page = "A3"', "height = 900 #!", ["bench.height: isn't built yet"]),
]  # fmt: skip


# a half too many is missing its mesh as well; two plies lean on the fabric with no good name
MORE = {"[mould.halves.third]": 2, '[fabrics."a/b"]': 3}


@pytest.mark.parametrize(("old", "new", "words"), BAD)
def test_bad_values(load, old, new, words):
    text = replaced(old, new)
    lines = errors_of(load, text)
    assert len(lines) == MORE.get(new.partition("]")[0] + "]", 1)
    for word in words:
        assert any(word in line for line in lines), (word, lines)
    assert all(line.startswith("part.toml") for line in lines)
    marked = [i for i, line in enumerate(text.splitlines(), 1) if "#!" in line]
    if marked and '"""' not in new:
        assert lines[0].startswith(f"part.toml, line {marked[0]}, ")


@pytest.mark.parametrize(
    ("half", "fabric", "expected"),
    [
        ("lowwer", "twill", "plies[4].half: no such half; got \"lowwer\"; allowed: lower, upper; "
         "did you mean 'lower'?"),
        ("upper", "twil", "plies[4].fabric: no such fabric; got \"twil\"; allowed: twill, heavy; "
         "did you mean 'twill'?"),
    ],
)  # fmt: skip
def test_unknown_names_in_full(load, half, fabric, expected):
    ply = 'half = "upper"\nfabric = "twill"\nangle = 90'
    new = f'half = "{half}"\nfabric = "{fabric}"\nangle = 90'
    text = replaced(ply, new)
    (line,) = errors_of(load, text)
    at = text.splitlines().index(f'half = "{half}"' if half != "upper" else f'fabric = "{fabric}"')
    assert line == f"part.toml, line {at + 1}, {expected}"


def test_all_that_is_wrong_is_merged_in_the_order_of_the_file(load):
    text = JOB
    for old, new in [
        ('units = "cm"', 'units = "x"'),
        ("locking_angle = 45", "locking_angle = 0"),
        ("laps = [10, 15]", "laps = [10]"),
        ("spacing = 2.5", "spacing = -1"),
        ('page = "A3"', 'page = "A9"'),
    ]:
        text = replaced(old, new, text)
    lines = errors_of(load, text)
    words = ["units", "locking_angle", "laps", "spacing", "page"]
    assert [next(w for w in words if w in line) for line in lines] == words


def test_a_ply_of_no_half_doesnt_hide_the_rest(load):
    text = replaced('half = "lower"\nfabric = "heavy"', 'fabric = "heavy"\nspacing = 0')
    lines = errors_of(load, text)
    assert len(lines) == 2
    assert "plies[3]: 'half' is missing" in lines[0]
    assert "plies[3].spacing" in lines[1]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("", "part.toml: the job file is empty"),
        (" \n\t\n", "part.toml: the job file is empty"),
        ("format = 1\ntitle = \n", "part.toml, line 2: not valid TOML"),
        ("format = 1\n\ntitle = 'a'\ntitle = 'b'\n", "part.toml, line 4: not valid TOML"),
        ("format = 1\nlaps = [1,\n2", "part.toml, line 3: not valid TOML"),
        ("a = " + "9" * 5000, "part.toml, line 1: not valid TOML"),
        ("a = " + "[" * 5000 + "]" * 5000, "part.toml"),
        (b"format = 1\ntitle = '\xff'\n", "part.toml, line 2: not a text file in UTF-8"),
    ],
)
def test_files_that_are_no_job(load, text, expected):
    with pytest.raises(InputError) as caught:
        load(text)
    assert caught.value.line().startswith(expected)


def test_nothing_at_all_is_given(load):
    lines = errors_of(load, "# only a comment\n")
    for key in ("format", "mould", "fabrics", "plies"):
        assert any(f"'{key}' is missing" in line for line in lines)
    assert len(lines) == 4


@pytest.mark.parametrize(("key", "value"), [("plies", "[]"), ("mould", "3"), ("fabrics", "[1]")])
def test_wrong_kinds_of_section(load, key, value):
    tables = {
        "mould": "{halves = {lower = {mesh = 'lower.stl'}}}",
        "fabrics": "{f = {take = 'twill-200'}}",
        "plies": "[{half = 'lower', fabric = 'f', angle = 0}]",
        key: value,
    }
    text = "format = 1\n" + "".join(f"{k} = {v}\n" for k, v in tables.items())
    lines = errors_of(load, text)
    assert len(lines) == 1
    assert f", {key}: " in lines[0]


def test_not_a_file(tmp_path):
    with pytest.raises(InputError, match="not a file"):
        load_job(tmp_path)
    with pytest.raises(InputError, match="no such file"):
        load_job(tmp_path / "none.toml")


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda v: st.lists(v, max_size=3) | st.dictionaries(st.text(max_size=5), v, max_size=3),
    max_leaves=5,
)


@given(
    key=st.sampled_from(list(key_lines(JOB))),
    value=VALUES.filter(lambda v: v is not None),
)
@settings(max_examples=150, deadline=None)
def test_any_value_anywhere_is_taken_or_told(tmp_path_factory, key, value):
    # no exception of another kind, whatever stands anywhere in the file
    folder = tmp_path_factory.mktemp("job")
    for name in ("lower.stl", "upper.PLY"):
        (folder / name).write_bytes(b"")
    path = folder / "part.toml"
    path.write_text(JOB.replace("sub/", ""))
    with suppress(InputError):
        write_back(path, {key: value})
        load_job(path)
