"""The commands about cloth: what they print, files they write, exit codes.

Tries out ``fabric/shear_test``, ``output/shear_picture`` as well.
"""

from __future__ import annotations

import json
import math
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drape import cli
from drape.fabric.fabric import fabric_from, shipped, started_from
from drape.fabric.shear_test import measure_bias, measure_frame
from drape.job.job import load_job

SIDE, KNEE = 200.0, 42.0


def pull(knee=KNEE, end=60.0, count=300):
    """Displacement and force of a picture frame: two straight lines of force per length."""
    shear = np.radians(np.linspace(0.0, end, count))
    per_length = 0.02 + 0.03 * shear + 0.9 * np.maximum(shear - np.radians(knee), 0.0)
    displacement = math.sqrt(2) * SIDE * (np.sqrt(1 + np.sin(shear)) - 1)
    return displacement, per_length * 2 * SIDE * np.cos(math.pi / 4 - shear / 2)


def written(path, columns, heading="displacement [mm];force [N]", decimal="."):
    rows = [";".join(f"{v:.5f}".replace(".", decimal) for v in row) for row in zip(*columns)]  # noqa: B905
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def told(capsys, *argv):
    """The JSON that a command prints, after the same without --json ended well."""
    assert cli.main([*argv, "--json"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return json.loads(out)


def bad(capsys, *argv):
    """The one line of a command that ends with exit code 2."""
    assert cli.main([*argv]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    (line,) = err.splitlines()
    assert line.startswith("error: ")
    return line


# --- measured ----------------------------------------------------------------------------------


def test_frame(folder, capsys):
    written(folder / "one.csv", pull(), decimal=",")
    written(folder / "two.csv", pull(knee=44.0))
    argv = ["shear", "frame", "one.csv", "two.csv", "--side", "200", "--take", "twill-200"]
    assert cli.main([*argv, "--picture", "curve.svg"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.startswith("picture frame, two tangents: locking angle 43.0°\n")
    assert "one.csv      42.0°  42.0°     42.0°" in out
    assert "Wrote curve.svg" in out
    entry = tomllib.loads(out[out.index("[fabrics") :])["fabrics"]["measured"]
    assert entry == {
        "take": "twill-200",
        "locking_angle": 43.0,
        "source": "measured, picture frame (two tangents), one.csv, two.csv; all but the locking "
        "angle as twill-200, from memory, measure yours",
    }
    svg = (folder / "curve.svg").read_text(encoding="utf-8")
    assert "locking angle 43.0°, two tangents" in svg
    assert svg.count("stroke-dasharray") == 1


def test_bias_and_frame_agree_on_the_same_cloth(folder):
    """The knee at γ is in both; a strip's pull bends at it as well, by its work."""
    displacement, force = pull()
    frame = measure_frame([written(folder / "f.csv", (displacement, force))], SIDE)
    shear = np.radians(np.linspace(0.0, 60.0, 300))
    law = lambda g: 0.02 + 0.03 * g + 0.9 * np.maximum(g - np.radians(KNEE), 0.0)  # noqa: E731
    # of a strip 300 × 100: (300 cos γ f(γ) + 100 cos γ/2 f(γ/2)) = 2 F (cos γ/2 − sin γ/2)
    middle, half = 300.0 * np.cos(shear) * law(shear), 0.5 * shear
    strip = (middle + 100.0 * np.cos(half) * law(half)) / (2.0 * (np.cos(half) - np.sin(half)))
    pulled = 200.0 * (np.sqrt(1.0 + np.sin(shear)) - 1.0)
    bias = measure_bias([written(folder / "b.csv", (pulled, strip))], 300.0, 100.0)
    assert math.degrees(frame.locking_angle) == pytest.approx(KNEE, abs=0.02)
    assert math.degrees(bias.locking_angle) == pytest.approx(KNEE, abs=0.02)
    assert [f.level for f in bias.findings] == ["warning"]  # past 40 degrees yarns slip
    assert frame.findings == ()


def test_limits_of_ones_own(folder, capsys):
    written(folder / "a.csv", pull())
    argv = ["shear", "frame", "a.csv", "--side", "200"]
    wrinkle = math.sqrt(2) * SIDE * (math.sqrt(1.5) - 1.0)  # 30 degrees
    found = told(capsys, *argv, "--wrinkle-at", f"{wrinkle:.6f}")
    assert found["locking_angle_deg"] == pytest.approx(30.0, abs=1e-3)
    assert "wrinkle seen at" in found["entry"]
    limit = 0.02 + 0.03 * math.radians(50) + 0.9 * math.radians(50 - KNEE)
    found = told(capsys, *argv, "--force-limit", f"{limit:.6f}")
    assert found["locking_angle_deg"] == pytest.approx(50.0, abs=0.01)
    assert "not allowed with" in bad(capsys, *argv, "--force-limit", "1", "--wrinkle-at", "1")
    assert "isn't on the curve" in bad(capsys, *argv, "--force-limit", "100")


def test_a_gradual_curve_is_told(folder, capsys):
    displacement, _ = pull()
    shear = np.radians(np.linspace(0.0, 60.0, 300))
    force = (0.02 + 0.2 * shear + shear**3) * 2 * SIDE * np.cos(math.pi / 4 - shear / 2)
    written(folder / "a.csv", (displacement, force))
    found = told(capsys, "shear", "frame", "a.csv", "--side", "200")
    assert [f["level"] for f in found["findings"]] == ["warning"]
    assert "bends gradually" in found["findings"][0]["message"]
    one = found["specimens"][0]
    assert one["least_deg"] < one["locking_angle_deg"] < one["greatest_deg"]


def test_square(folder, capsys):
    (folder / "s.csv").write_text("grown (cm);before (cm)\n18,2;14,1\n18,0;14,1\n")
    found = told(capsys, "shear", "square", "s.csv", "--name", "my twill")
    angles = [math.degrees(math.asin((g / 14.1) ** 2 - 1)) for g in (18.2, 18.0)]
    assert [s["locking_angle_deg"] for s in found["specimens"]] == pytest.approx(angles, abs=1e-3)
    assert found["locking_angle_deg"] == pytest.approx(sum(angles) / 2, abs=1e-3)
    assert found["findings"] == []
    # half a millimetre either way, by the same formula
    low = math.degrees(math.asin((181.5 / 141) ** 2 - 1))
    assert found["specimens"][0]["least_deg"] == pytest.approx(low, abs=1e-3)
    assert '[fabrics."my twill"]' in found["entry"]
    assert f"mean of 2: {angles[1]:.1f} to {angles[0]:.1f}" in found["entry"]


def test_by_hand(folder, capsys):
    found = told(capsys, "shear", "square", "--before", "100", "--grown", "122.4745")
    assert found["locking_angle_deg"] == pytest.approx(30.0, abs=1e-3)
    found = told(capsys, "shear", "yarns", "--width", "1.6", "--pitch", "2")
    assert found["locking_angle_deg"] == 36.87
    assert "at which the yarns touch" in found["findings"][0]["message"]


def test_what_the_file_does_not_say_is_told(folder, capsys):
    (folder / "s.csv").write_text("100;122.5\n")
    assert cli.main(["shear", "square", "s.csv"]) == 0
    out = capsys.readouterr().out
    assert (
        "note: s.csv: assumed, since the file doesn't say: columns in the order before, grown"
        in out
    )
    found = told(capsys, "shear", "square", "s.csv", "--units", "in")
    assert "before in in" in found["findings"][0]["message"]


def test_quiet_gives_an_entry_that_a_job_takes(folder, capsys):
    written(folder / "a.csv", pull())
    argv = ["shear", "frame", "a.csv", "--side", "200", "--quiet", "--name", "mine"]
    assert cli.main([*argv, "--take", "satin5-285-prepreg"]) == 0
    entry = capsys.readouterr().out
    (folder / "lower.stl").write_bytes(b"")
    job = 'format = 1\n[mould.halves.lower]\nmesh = "lower.stl"\n[[plies]]\nhalf = "lower"\n'
    (folder / "job.toml").write_text(f'{job}fabric = "mine"\nangle = 0\n{entry}', encoding="utf-8")
    fabric = load_job(folder / "job.toml").plies[0].fabric
    assert math.degrees(fabric.locking_angle) == pytest.approx(KNEE)
    assert fabric.prepreg_areal_mass == pytest.approx(285 / 0.6)
    assert fabric.source.startswith("measured, picture frame")
    # without one to start from the job says what is missing, rather than make it up
    assert cli.main(argv) == 0
    values = tomllib.loads(capsys.readouterr().out)["fabrics"]["mine"]
    assert values.keys() == {"locking_angle", "source"}


@pytest.mark.parametrize("name", ["a.csv", 'quo"te\\.csv', "tab\tnew.csv", "größe.csv", "x" * 90])
def test_odd_file_names_make_good_toml_and_svg(folder, capsys, name):
    written(folder / name, pull())
    argv = ["shear", "frame", name, "--side", "200", "--quiet"]
    assert cli.main([*argv, "--picture", "c.svg"]) == 0
    values = tomllib.loads(capsys.readouterr().out)["fabrics"]["measured"]
    assert values["source"].endswith(name.replace("\t", " "))
    assert (folder / "c.svg").stat().st_size > 1000


# --- bad input ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("argv", "expected"),
    [
        (["shear"], "METHOD"),
        (["shear", "guess", "a.csv"], "guess"),
        (["shear", "frame", "--side", "200"], "CSV"),
        (["shear", "frame", "a.csv"], "--side"),
        (["shear", "bias", "a.csv", "--length", "200"], "--width"),
        (["shear", "frame", "a.csv", "--side", "0"], "got 0; allowed: more than 0"),
        (["shear", "frame", "a.csv", "--side", "nan"], "got nan"),
        (["shear", "frame", "a.csv", "--side", "wide"], "got wide"),
        (["shear", "frame", "none.csv", "--side", "200"], "none.csv: no such file"),
        (["shear", "frame", ".", "--side", "200"], "not a file"),
        (["shear", "frame", "a.csv", "--side", "200", "--name", "a/b"], "can't be used as a name"),
        (["shear", "frame", "a.csv", "--side", "200", "--take", "denim"], "got denim; allowed: pl"),
        (["shear", "frame", "a.csv", "--side", "200", "--picture", "a.csv"], "exists already"),
        (["shear", "frame", "a.csv", "--side", "150"], "a.csv: the displacement is impossible for"),
        (["shear", "frame", "a.csv", "--side", "20000"], "check the units"),
        (["shear", "bias", "a.csv", "--length", "150", "--width", "100"], "too short for its widt"),
        (["shear", "square"], "both --before and --grown"),
        (["shear", "square", "--before", "100"], "both --before and --grown"),
        (["shear", "square", "a.csv", "--before", "100"], "both --before and --grown"),
        (["shear", "square", "--before", "100", "--grown", "99"], "99 mm from 100 mm"),
        (["shear", "square", "--before", "100", "--grown", "100.1"], "implausibly small"),
        (["shear", "yarns", "--width", "2", "--pitch", "2"], "width 2 mm, pitch 2 mm"),
        (["shear", "square", "a.csv"], "a.csv, line 1: it isn't clear which columns are meant"),
    ],
)  # fmt: skip
def test_bad_arguments(folder, capsys, argv, expected):
    written(folder / "a.csv", pull(), heading="displacement;force")
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert expected in bad(capsys, *argv)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


FRAME = ["shear", "frame", "a.csv", "--side", "200"]


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda d, f: (d[::-1], f), "the displacement doesn't grow"),
        (lambda d, f: (np.tile(d, 2), np.tile(f, 2)), "leave out the way back"),
        (lambda d, f: (d, -f), "no force is more than 0"),
        (lambda d, f: (d / 1000, f), "the pull ends before the cloth is sheared"),
        (lambda d, f: (d * 1000, f), "the displacement is impossible for a frame of side 200 mm"),
        (lambda d, f: (f, d), "the displacement is impossible for a frame"),
        (lambda d, f: (f / 3, d), "to show where the cloth locks"),
        (lambda d, f: (d[:5], f[:5]), "too few readings; got 5"),
        (lambda d, f: (d, np.where(np.arange(len(f)) == 9, np.nan, f)), "line 11: isn't a number"),
        (lambda d, f: (d - 5, f), "count it from the unsheared cloth"),
        (lambda d, f: (d, 0 * f + 3), "to show where the cloth locks"),
    ],
)
def test_bad_readings(folder, capsys, change, expected):
    written(folder / "a.csv", change(*pull()))
    line = bad(capsys, *FRAME)
    assert expected in line


def test_bad_with_json(folder, capsys):
    (folder / "a.csv").write_text("")
    assert cli.main([*FRAME, "--json"]) == 2
    out, err = capsys.readouterr()
    assert json.loads(out)["errors"][0]["what"] == "the file is empty"
    assert len(err.splitlines()) == 1


NUMBERS = st.floats(-1e7, 1e7) | st.floats(0, 120) | st.just(math.nan)
ANY_ROWS = st.lists(st.tuples(NUMBERS, NUMBERS), max_size=30)
# a pull's own readings, a few of them spoilt
PULLS = st.builds(
    lambda knee, spoilt: [spoilt.get(i, row) for i, row in enumerate(zip(*pull(knee, 60.0, 80)))],  # noqa: B905
    st.floats(15.0, 55.0),
    st.dictionaries(st.integers(0, 79), st.tuples(NUMBERS, NUMBERS), max_size=2),
)


def test_any_readings_end_well_or_with_one_line(folder, capsys):
    ended = set()

    @settings(max_examples=200, deadline=None)
    @given(ANY_ROWS | PULLS, st.booleans(), st.booleans())
    def ends(rows, ordered, bias):
        rows = sorted(rows) if ordered else rows
        columns = list(zip(*rows, strict=True)) or [(), ()]
        written(folder / "a.csv", columns)
        size = ["--length", "300", "--width", "100"] if bias else ["--side", "200"]
        code = cli.main(["shear", "bias" if bias else "frame", "a.csv", *size, "--json"])
        out, err = capsys.readouterr()
        found = json.loads(out)
        assert code == found["exit_code"]
        assert code in (0, 2)
        ended.add(code)
        if code == 2:
            assert len(err.splitlines()) == 1
        else:
            assert 1.0 <= found["locking_angle_deg"] < 90.0

    ends()
    assert ended == {0, 2}  # both were tried


# --- the fabrics that ship -----------------------------------------------------------------------


def test_fabrics_are_listed_with_their_source(capsys):
    assert cli.main(["fabrics"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split()[:2] == ["fabric", "weave"]
    assert len(lines) == len(shipped()) + 2
    assert lines[-1] == "All values: from memory, measure yours"
    row = next(line for line in lines if line.startswith("twill-200-prepreg")).split()
    # 0.482 of 1.78 g/cm³ in 0.2331 mm is 200 g/m²; 200/0.58 with resin
    assert row == ["twill-200-prepreg", "2x2", "twill", "carbon", "200", "345", "42", "%", "0.233",
                   "mm", "40°", "1250", "mm"]  # fmt: skip


def test_fabrics_for_programs_can_be_taken_as_they_are(capsys):
    listed = told(capsys, "fabrics")["fabrics"]
    assert listed.keys() == shipped().keys()
    for name, values in listed.items():
        given = {key: value for key, value in values.items() if value is not None}
        assert fabric_from(name, given).thickness == pytest.approx(
            fabric_from(name, started_from({"take": name})).thickness, abs=1e-4
        )
