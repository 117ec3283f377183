"""Readings from CSV files: read right, or one clear line."""

from __future__ import annotations

import csv
import io
import random

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drape.errors import InputError
from drape.fabric.readings import FORCES, LENGTHS, Column, read_columns

DISPLACEMENT = Column("displacement", ("displacement", "weg"), LENGTHS, "mm")
FORCE = Column("force", ("force", "kraft"), FORCES, "N")
WANTED = (DISPLACEMENT, FORCE)
X, Y = [0.0, 1.5, 2.25], [0.5, 10.0, 1200.0]


@pytest.fixture
def read(tmp_path):
    def call(content, wanted=WANTED):
        path = tmp_path / "pull.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return read_columns(path, wanted)

    return call


GOOD = {
    "plain": "displacement [mm],force [N]\n0,0.5\n1.5,10\n2.25,1200\n",
    "no headings": "0.0,0.5\n1.5,10\n2.25,1200\n",
    "semicolons, decimal commas": "Weg (mm);Kraft (N)\n0;0,5\n1,5;10\n2,25;1200\n",
    "no headings, decimal commas": "0;0,5\n1,5;10\n2,25;1200\n",
    "quoted decimal commas": '"Weg","Kraft"\n"0","0,5"\n"1,5","10"\n"2,25","1200"\n',
    "tabs": "displacement\tforce\n0\t0,5\n1,5\t10\n2,25\t1200\n",
    "blanks": "0 0.5\n  1.5   10\n2.25 1200\n",
    "blanks, decimal commas": "0 0,5\n1,5 10,0\n2,25 1200\n",
    "comma and blank": "0.0, 0.5\n1.5, 10\n2.25, 1200\n",
    "swapped": "force [N],displacement [mm]\n0.5,0\n10,1.5\n1200,2.25\n",
    "other units": "displacement [m];force [kN]\n0;0.0005\n0.0015;0.01\n0.00225;1.2\n",
    "unit at the end": "Displacement cm;Force, cN\n0;50\n.15;1000\n0.225;12e4\n",
    "units below": "Time;Force;Displacement\ns;kN;m\n1;0,0005;0\n2;0,01;0,0015\n3;1,2;2,25e-3\n",
    "bracketed units below": "force;displacement\n[N];[cm]\n0.5;0\n10;.15\n1200;.225\n",
    "units alone": "m;kN\n0;0.0005\n0.0015;0.01\n0.00225;1.2\n",
    "more above": "Test 3\n\nSpeed;10;mm/min\nmachine;x\ndisplacement [mm];force [N];note\n"
    "0;0.5;\n1.5;10;\n2.25;1200;\n",
    "blank and comment lines": "# one pull\ndisplacement,force\n\n0,0.5\n# half way\n1.5,10\n\n"
    "2.25,1200\n\n",
    "trailing separators": "displacement;force;\n0;0.5;\n1.5;10;\n2.25;1200;\n",
    "sep": "sep=;\ndisplacement;force\n0;0.5\n1.5;10\n2.25;1200\n",
    "signs": "displacement;force\n\u22120;+0.5\n1.50;1e1\n+2.25;1.2E3\n",
    "carriage returns": "displacement;force\r0;0.5\r1.5;10\r2.25;1200",
    "crlf": "displacement;force\r\n0;0.5\r\n1.5;10\r\n2.25;1200\r\n",
}


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_read_right(read, name, encoding):
    found = read(GOOD[name].encode(encoding)).columns
    assert found["displacement"] == pytest.approx(X, abs=1e-12)
    assert found["force"] == pytest.approx(Y, abs=1e-9)


def test_what_the_file_does_not_say_is_told(read):
    assert read(GOOD["no headings"]).assumed == (
        "columns in the order displacement, force", "displacement in mm", "force in N",
    )  # fmt: skip
    assert read(GOOD["plain"]).assumed == ()
    assert read(GOOD["tabs"]).assumed == ("displacement in mm", "force in N")


def test_another_default_unit_and_another_code_page(read):
    metres = Column("displacement", ("weg",), LENGTHS, "m")
    content = "Weg;Kraft für Gewebe [N]\n0;0,5\n0,0015;10\n".encode("cp1252")
    assert read(content, (metres, FORCE)).columns["displacement"].tolist() == [0.0, 1.5]


BAD = {
    "empty": ("", "the file is empty"),
    "blank": ("\n \n", "the file is empty"),
    "binary": (b"\x89PNG\r\n\x1a\n\x00\x00\x00", "not a text file"),
    "nul": ("1;2\n\x00;3\n", "not a text file"),
    "odd utf-16": (b"\xff\xfe1\x00;", "not a text file"),
    "text": ("lorem ipsum\ndolor sit\n", "no row of numbers"),
    "headings alone": ("displacement;force\n", "no row of numbers"),
    "one column": ("1\n2\n3\n", "line 1: it isn't clear which columns are meant; got 1 columns"),
    "one column named": ("displacement\n1\n2\n", "no column of force; got displacement"),
    "three columns": ("1;2;3\n4;5;6\n", "got 3 columns"),
    "wrong headings": ("time;strain;x\n4;5;6\n", "got time, strain, x"),
    "headings of something else": ("before;grown\n4;5\n", "line 1: it isn't clear which columns"),
    "no force": ("displacement;strain\n4;5\n", "no column of force"),
    "two forces": ("displacement;force 1;force 2\n4;5;6\n", "two columns of force"),
    "one heading for both": ("force displacement;x\n4;5\n", "one heading for two columns"),
    "units swapped": ("displacement [N];force [mm]\n1;2\n", "not a unit of displacement; got 'N'"),
    "unknown unit": ("displacement [mm];force [bar]\n1;2\n", "not a unit of force; got 'bar'"),
    "mega": ("displacement [mm];force [MN]\n1;2\n", "not a unit of force; got 'MN'"),
    "units below swapped": ("displacement;force\nN;mm\n1;2\n", "not a unit of displacement"),
    "word": ("displacement;force\n1;2\n2;much\n", "line 3: isn't a number; got 'much'"),
    "nan": ("displacement;force\n1;2\n2;NaN\n", "line 3: isn't a number that can be measured"),
    "inf": ("displacement;force\n1;-inf\n", "line 2: isn't a number that can be measured"),
    "huge": ("displacement;force\n1;1e999\n", "line 2: isn't a number that can be measured"),
    "too large": ("displacement [m];force\n1001;1\n", "at most 1e+06 mm or N"),
    "gap": ("displacement;force\n1;2\n;3\n", "line 3: column 1 is empty"),
    "short row": ("displacement;force\n1;2\n3\n", "line 3: column 2 is empty"),
    "more fields": ("displacement,force\n0,5,1,2\n", "line 2: more fields than columns; got 4"),
    "commas either way": ("0,5\n1,7\n", "commas may separate columns or be decimal"),
    "mixed marks": ("displacement;force\n1,5;2\n2.5;3\n", "both points and commas"),
    "thousands": (
        "displacement;force\n1;2.000,5\n",
        "line 2: the numbers have both points and commas",
    ),
    "english thousands": ("displacement;force\n1;2,000.5\n", "no marks for thousands"),
    "open quote": ('displacement,force\n1,"2\n', "line 2: not CSV"),
    "hexadecimal": ("displacement;force\n1;2\n0x10;2\n", "line 3: isn't a number; got '0x10'"),
    "underscore": ("displacement;force\n1;2\n1_0;2\n", "line 3: isn't a number; got '1_0'"),
}


@pytest.mark.parametrize("name", BAD)
def test_one_clear_line(read, name):
    content, expected = BAD[name]
    with pytest.raises(InputError) as caught:
        read(content)
    line = caught.value.line()
    assert expected in line
    assert line.startswith("pull.csv")
    assert "\n" not in line


def test_files_that_are_not_there(tmp_path):
    for path, words in ((tmp_path / "no.csv", "no such file"), (tmp_path, "not a file")):
        with pytest.raises(InputError, match=words):
            read_columns(path, WANTED)
    with pytest.raises(InputError, match="no such file"):
        read_columns("a\0.csv", WANTED)


# --- fuzzed ------------------------------------------------------------------------------------

FUZZ = settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def read_or_one_line(read, content):
    """The columns, or None where one line says why not; nothing else may be raised."""
    try:
        found = read(content).columns
    except InputError as error:
        line = error.line()
        good = line.startswith("pull.csv") and "\n" not in line and len(line) < 600
        return None if good else pytest.fail(line)
    for values in found.values():
        assert np.isfinite(values).all()
        assert np.abs(values).max() <= 1e6
    return found


@FUZZ
@given(st.binary(max_size=200))
def test_any_bytes(read, content):
    read_or_one_line(read, content)


TOKENS = ["displacement", "force", "[mm]", "(kN)", "N", "0", "1", "2,5", "2.5", "-3", "1e9", "nan"]
TOKENS += [";", ",", '"', "#", "sep=", "é", "1.000,5"]
TOKENS += ["1e400", " ", "\t", "\n", "\r\n", "\ufeff"]


@FUZZ
@given(st.lists(st.sampled_from(TOKENS), max_size=40).map("".join))
def test_any_csv_like_text(read, content):
    read_or_one_line(read, content)


NUMBERS = st.integers(-39_000_000, 39_000_000).map(lambda k: k / 1000)


@FUZZ
@given(
    st.lists(st.tuples(NUMBERS, NUMBERS), min_size=1, max_size=12),
    st.sampled_from([(";", "."), (";", ","), ("\t", "."), ("\t", ","), (",", ".")]),
    st.sampled_from(["mm", "cm", "in"]),
    st.sampled_from(["N", "cN", "daN"]),
    st.booleans(),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from(["\n", "\r\n", "\n\n"]),
    st.integers(0, 2),
)
def test_what_a_spreadsheet_writes_is_read_right(
    read, pairs, marks, length, force, swap, encoding, end, above
):
    """Written by the standard library's csv with other means than it's read with."""
    separator, decimal = marks
    rows = [(f"Weg [{length}]", f"Kraft in {force}")]
    rows += [tuple(f"{v:.3f}".replace(".", decimal) for v in pair) for pair in pairs]
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator=end)
    writer.writerows([["Test", "Nr. 1"]] * above)
    writer.writerows([r[::-1] if swap else r for r in rows])
    found = read_or_one_line(read, out.getvalue().encode(encoding))
    assert found is not None
    expected = np.array(pairs) * [LENGTHS[length], FORCES[force]]
    got = np.column_stack([found["displacement"], found["force"]])
    assert got == pytest.approx(expected, rel=1e-9, abs=1e-9)


@FUZZ
@given(st.integers(0, 10**9), st.sampled_from(sorted(GOOD)))
def test_a_good_file_with_a_spot_on_it(read, seed, name):
    """One byte changed, left out or put in."""
    dice = random.Random(seed)
    content = bytearray(GOOD[name].encode())
    at = dice.randrange(len(content))
    match dice.randrange(3):
        case 0:
            content[at] = dice.randrange(256)
        case 1:
            del content[at]
        case _:
            content.insert(at, dice.randrange(256))
    read_or_one_line(read, bytes(content))
