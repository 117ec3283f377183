"""The command line: what is printed where, exit codes, and nothing written on bad input.

The pipeline and publishing are replaced by stand-ins here: what is tested is what the
command line does with what they return or raise.

Tries out ``commands/progress``, ``output/terminal`` as well.
"""

from __future__ import annotations

import gc
import io
import json
import sys
from dataclasses import dataclass

import pytest
from pydantic import BaseModel

from drape import cli, pipeline, publish
from drape.errors import AccuracyError, Finding, InputError, InputErrors
from drape.job.job import load_job
from drape.output import terminal

JOB = """\
format = 1
title = "Elbow"
[mould.halves.lower]
mesh = "lower.stl"
[fabrics.f]
take = "twill-200"
[joint]
lap_half = "lower"
laps = [10, 15]
[[plies]]
half = "lower"
fabric = "f"
angle = 0
spacing = 2
[[plies]]
half = "lower"
fabric = "f"
angle = 45
[report]
fail_on = ["risk"]
"""


class Piece(BaseModel):
    name: str
    valid: bool
    cloth_area_mm2: float | None


class PlySummary(BaseModel):
    name: str
    half: str
    locking_angle_deg: float
    max_shear_deg: float | None
    max_shear_in_laps_deg: float | None = None
    pieces: list[Piece]


class Summary(BaseModel):
    title: str
    plies: list[PlySummary]


@dataclass
class Results:
    findings: tuple[Finding, ...]
    valid: bool
    summary: Summary


def results(*levels, valid=True):
    pieces = [Piece(name="lower-1", valid=valid, cloth_area_mm2=12345.6)]
    first = PlySummary(
        name="lower-1",
        half="lower",
        locking_angle_deg=45,
        max_shear_deg=31.25,
        max_shear_in_laps_deg=33.0,
        pieces=pieces,
    )
    bare = Piece(name="lower-2", valid=True, cloth_area_mm2=None)
    second = PlySummary(
        name="lower-2", half="lower", locking_angle_deg=45, max_shear_deg=None, pieces=[bare]
    )
    findings = tuple(Finding(lv, ("ply lower-1",), f"a {lv}", "mend it") for lv in levels)
    return Results(findings, valid, Summary(title="Elbow", plies=[first, second]))


@pytest.fixture
def job(tmp_path, monkeypatch):
    """A job file in the current folder; what is in it is all that is there."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "lower.stl").write_bytes(b"mesh")
    path = tmp_path / "elbow.toml"
    path.write_text(JOB)
    return path


@pytest.fixture
def stand_in(monkeypatch):
    """Stand-ins for the pipeline and publishing; ``calls`` notes what they were given."""
    calls = {}

    def use(outcome, files=("summary.json", "patterns.pdf", "patterns.dxf")):
        def run(job, *, jobs=None, progress=None):
            calls.update(job=job, jobs=jobs, progress=progress)
            if isinstance(outcome, BaseException):
                raise outcome
            if progress:
                progress("draping", 1, 2)
                progress("draping", 2, 2)
            return outcome

        def write(found, folder):
            calls.update(results=found, folder=folder)
            folder.mkdir(parents=True)
            for name in files:
                (folder / name).write_bytes(b"")
            return tuple(files)

        monkeypatch.setattr(pipeline, "run", run)
        monkeypatch.setattr(publish, "publish", write)
        return calls

    return use


def names(folder):
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*"))


# --- run -----------------------------------------------------------------------------------


def test_run_says_what_it_found(job, stand_in, capsys):
    calls = stand_in(results("note", "risk"))
    assert cli.main(["run", "elbow.toml", "-o", "out", "--jobs", "2"]) == cli.RISKS
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert lines[0] == "Elbow"
    assert lines[1].split() == ["ply", "half", "greatest", "shear", "in", "laps", "locks", "at",
                                "cloth", "checks"]  # fmt: skip
    assert lines[2].split() == ["lower-1", "lower", "31.2°", "33.0°", "45.0°", "123.5", "cm²", "ok"]
    assert lines[3].split() == ["lower-2", "lower", "-", "-", "45.0°", "-", "ok"]
    assert lines[4] == "risk: ply lower-1: a risk; mend it"  # the worst first
    assert lines[5] == "note: ply lower-1: a note; mend it"
    assert "Open first: out/patterns.pdf (print it at 100 %" in out
    assert out.count("fit, not strength") == 1
    assert err == ""
    assert calls["jobs"] == 2
    assert calls["job"] == load_job("elbow.toml")
    assert calls["folder"].name == "out"


@pytest.mark.parametrize(
    ("levels", "valid", "fail_on", "code"),
    [
        ([], True, '["risk"]', 0),
        (["note", "warning"], True, '["risk"]', 0),
        (["risk"], True, "[]", 0),
        (["risk"], True, '["risk"]', 1),
        (["warning"], True, '["warning", "risk"]', 1),
        (["error"], True, "[]", 1),  # of the joint or the mesh: no piece is spoilt
        (["risk"], False, '["risk"]', 3),  # 3 goes before 1
        ([], False, "[]", 3),
    ],
)
def test_exit_codes_of_a_run(job, stand_in, capsys, levels, valid, fail_on, code):
    job.write_text(JOB.replace('["risk"]', fail_on))
    stand_in(results(*levels, valid=valid))
    assert cli.main(["run", "elbow.toml", "-o", "out"]) == code
    out, err = capsys.readouterr()
    assert ("NOT OK" in out) == (not valid)
    assert ("failed their checks" in err) == (not valid)


def test_a_ply_with_some_bad_pieces_names_them(job):
    summary = results().summary
    good = Piece(name="a", valid=True, cloth_area_mm2=100.0)
    bad = Piece(name="b", valid=False, cloth_area_mm2=200.0)
    summary.plies[0].pieces = [good, bad]
    line = terminal.ply_table(summary)[1]
    assert line.endswith("3.0 cm²  NOT OK: b")


def test_bad_input_goes_before_all(job, stand_in, capsys):
    stand_in(results("risk", valid=False))
    job.write_text(JOB.replace("spacing = 2", "spacing = -2"))
    assert cli.main(["run", "elbow.toml", "-o", "out"]) == cli.BAD_INPUT


def test_json(job, stand_in, capsys):
    stand_in(results("risk"))
    assert cli.main(["run", "elbow.toml", "-o", "out", "--json"]) == 1
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["exit_code"] == 1
    assert told["folder"] == "out"
    assert told["files"] == ["summary.json", "patterns.pdf", "patterns.dxf"]
    assert told["summary"]["plies"][0]["max_shear_deg"] == 31.25
    assert told["summary"]["plies"][1]["max_shear_deg"] is None
    assert "strength" in told["caution"]
    assert err == ""


def test_quiet_leaves_only_risks(job, stand_in, capsys):
    stand_in(results("note", "risk", "error"))
    cli.main(["run", "elbow.toml", "-o", "out", "--quiet"])
    out, err = capsys.readouterr()
    assert out == ""
    assert [line.split(":")[0] for line in err.splitlines()] == ["error", "risk"]


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self):
        return True


def test_progress_on_a_terminal_only(job, stand_in, monkeypatch):
    calls = stand_in(results())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", Terminal())
    cli.main(["run", "elbow.toml", "-o", "out"])
    assert calls["progress"] is not None
    assert "draping" in sys.stderr.getvalue()
    cli.main(["run", "elbow.toml", "-o", "out2", "--quiet"])
    assert calls["progress"] is None
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    cli.main(["run", "elbow.toml", "-o", "out3"])
    assert calls["progress"] is None


# --- bad input: one line, exit code 2, nothing written ---------------------------------------

BAD_JOBS = [
    ("mesh = \"lower.stl\"", "mesh = \"gone.stl\"", "line 4, mould.halves.lower.mesh: no such"),
    ('half = "lower"\nfabric = "f"\nangle = 45', 'half = "uper"\nfabric = "f"\nangle = 45',
     "line 16, plies[2].half: no such half"),
    ('fabric = "f"\nangle = 45', 'fabric = "g"\nangle = 45', "line 17, plies[2].fabric: no such"),
    ("spacing = 2", "spacing = -2", "line 14, plies[1].spacing: is out of range; got -2"),
    ("spacing = 2", "spacing = nan", "line 14, plies[1].spacing: isn't a number; got nan"),
    ("angle = 45", 'angle = "45"', "line 18, plies[2].angle: must be a number"),
    ("angle = 45", "angle = 45 degrees", "line 18: not valid TOML"),
    ("laps = [10, 15]", "laps = [10]", "line 9, joint.laps: too few laps"),
    ("format = 1", "format = 9", "line 1, format: is a format this version doesn't know"),
    ("spacing = 2", "spacng = 2", "line 14, plies[1].spacng: unknown key"),
    ("spacing = 2", "first_yarns = 'steered'", "line 14, plies[1].first_yarns: steered"),
    (JOB, "", "the job file is empty"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "expected"), BAD_JOBS)
def test_bad_jobs(job, stand_in, capsys, old, new, expected):
    calls = stand_in(results())
    assert JOB.count(old) == 1
    job.write_text(JOB.replace(old, new))
    before = names(job.parent)
    assert cli.main(["run", "elbow.toml", "-o", "out"]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert len(err.splitlines()) == 1
    assert err.startswith("error: elbow.toml")
    assert expected in err
    assert calls == {}
    assert names(job.parent) == before


def test_every_problem_has_its_line(job, stand_in, capsys):
    stand_in(results())
    job.write_text(JOB.replace("spacing = 2", "spacing = 0").replace("angle = 45", "angle = nan"))
    assert cli.main(["run", "elbow.toml", "-o", "out", "--json"]) == 2
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert len(err.splitlines()) == 2
    assert told["exit_code"] == 2
    assert [e["value"] for e in told["errors"]] == ["0", "nan"]
    assert [f"error: {e['line']}" for e in told["errors"]] == err.splitlines()
    assert told["errors"][0]["where"] == "elbow.toml, line 14, plies[1].spacing"


@pytest.mark.parametrize(
    ("argv", "expected"),
    [
        ([], "COMMAND"),
        (["fly"], "fly"),
        (["run"], "JOB"),
        (["run", "elbow.toml"], "-o/--output"),
        (["run", "none.toml", "-o", "out"], "none.toml: no such file"),
        (["run", ".", "-o", "out"], "not a file"),
        (["run", "elbow.toml", "-o", "out", "--jobs", "0"], "1 to 1024"),
        (["run", "elbow.toml", "-o", "out", "--jobs", "two"], "got two"),
        (["run", "elbow.toml", "-o", "out", "--colour"], "--colour"),
        (["inspect"], "MESH"),
        (["inspect", "lower.stl", "--units", "ft"], "ft"),
        (["new", "gone.stl"], "gone.stl: no such mesh file"),
        (["new", "elbow.toml"], "allowed: .stl, .ply, .obj"),
        (["new", "lower.stl", "lower.stl", "lower.stl"], "got 3; allowed: 1 or 2"),
        (["new", "lower.stl", "-o", "elbow.toml"], "the file exists already"),
        (["new", "lower.stl", "-o", "nowhere/job.toml"], "no such folder"),
        (["advise", "elbow.toml", "-o", "x"], "'advise' isn't built yet"),
        (["compare", "elbow.toml", "ply", "x.svg"], "'compare' isn't built yet"),
        (["view", "elbow.toml", "--json"], "unrecognized arguments: --json"),
    ],
)
def test_bad_arguments(job, stand_in, capsys, argv, expected):
    calls = stand_in(results())
    before = names(job.parent)
    assert cli.main(argv) == 2
    out, err = capsys.readouterr()
    assert len(err.splitlines()) == 1
    assert expected in err
    assert (json.loads(out)["exit_code"] == 2) if "--json" in argv else (out == "")
    assert calls == {}
    assert names(job.parent) == before
    assert job.read_text() == JOB


def test_arguments_with_json(job, capsys):
    assert cli.main(["run", "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["exit_code"] == 2


# --- what goes wrong on the way ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("raised", "code", "line"),
    [
        (InputError("no cavity", where="lower.stl"), 2, "error: lower.stl: no cavity"),
        (InputErrors([InputError("a"), InputError("b")]), 2, "error: a\nerror: b"),
        (AccuracyError("didn't converge", value="2 mm"), 3, "error: didn't converge; got 2 mm"),
        (PermissionError(13, "Permission denied", "out"), 2,
         "error: out: can't be read or written: Permission denied"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (BrokenPipeError(), 141, ""),
    ],
)  # fmt: skip
def test_errors_of_the_pipeline(job, stand_in, capsys, monkeypatch, raised, code, line):
    monkeypatch.setattr(sys, "stdout", sys.stdout)  # put back what a broken pipe replaces
    stand_in(raised)
    assert cli.main(["run", "elbow.toml", "-o", "out"]) == code
    assert capsys.readouterr().err.strip() == line
    assert not (job.parent / "out").exists()


@pytest.mark.parametrize("debug", ["", "1"])
def test_a_fault_is_told_shortly(job, stand_in, capsys, monkeypatch, debug):
    monkeypatch.setenv("PLYWRIGHT_DEBUG", debug)
    stand_in(ZeroDivisionError("by\nzero"))
    assert cli.main(["run", "elbow.toml", "-o", "out"]) == 70
    err = capsys.readouterr().err
    assert ("Traceback" in err) == bool(debug)
    last = err.splitlines()[-1]
    assert last.startswith("error: internal error: ZeroDivisionError: by zero; please report")
    assert debug or len(err.splitlines()) == 1


# --- the other commands ---------------------------------------------------------------------


def test_demo(tmp_path, stand_in, capsys, monkeypatch):
    def copy(folder):
        folder.mkdir(parents=True)
        (folder / "lower.stl").write_bytes(b"")
        (folder / "demo.toml").write_text(JOB)
        return folder / "demo.toml"

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(publish, "copy_demo", copy)
    stand_in(results())
    assert cli.main(["demo"]) == 0
    out = capsys.readouterr().out
    assert "Open first: plywright-demo/patterns/patterns.pdf" in out
    assert out.count("fit, not strength") == 1
    assert cli.main(["demo", "-o", "mine"]) == 0
    assert {"job/demo.toml", "patterns/patterns.pdf"} <= set(names(tmp_path / "mine"))


def test_new_writes_a_job_that_runs(job, stand_in, capsys):
    (job.parent / "jobs").mkdir()
    (job.parent / "upper.stl").write_bytes(b"")
    args = ["new", "lower.stl", "upper.stl", "-o", "jobs/new.toml", "--units", "in"]
    assert cli.main(args) == 0
    assert "plywright run jobs/new.toml" in capsys.readouterr().out
    made = load_job(job.parent / "jobs" / "new.toml")
    assert made.unit_scale == 25.4
    assert [h.mesh.resolve() for h in made.halves] == [
        job.parent.resolve() / "lower.stl",
        job.parent.resolve() / "upper.stl",
    ]
    assert cli.main(["new", "lower.stl", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"exit_code": 0, "job": "job.toml"}


def test_inspect(job, capsys, monkeypatch):
    calls = {}
    half = {
        "name": "lower",
        "cavity_area_mm2": 12.5,
        "undercut_area_mm2": None,
        "mouths": [{"name": "A", "girth_mm": 31.4}],
        "closed": True,
        "draft_deg": 3,
    }

    def inspect(paths, unit_scale):
        calls.update(paths=paths, scale=unit_scale)
        return {
            "halves": {"lower": half},
            "findings": [Finding("warning", ("lower.stl",), "welded")],
        }

    monkeypatch.setattr(pipeline, "inspect", inspect)
    assert cli.main(["inspect", "lower.stl", "--units", "cm"]) == 0
    out = capsys.readouterr().out
    assert calls["scale"] == 10.0
    assert [p.name for p in calls["paths"]] == ["lower.stl"]
    for line in ("    cavity area: 12.5 mm²", "    undercut area: not known", "    closed: yes",
                 "      - name: A", "        girth: 31.4 mm", "    draft: 3°",
                 "warning: lower.stl: welded"):  # fmt: skip
        assert line in out.splitlines()
    assert cli.main(["inspect", "lower.stl", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["halves"] == {"lower": half}
    assert told["findings"][0]["level"] == "warning"
    assert told["exit_code"] == 0
    assert cli.main(["inspect", "lower.stl", "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("argv", [["--help"], ["run", "--help"], ["--version"]])
def test_help(argv, capsys):
    assert cli.main(argv) == 0
    assert "plywright" in capsys.readouterr().out


def test_arguments_of_the_process(monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["plywright", "--version"])
    assert cli.main() == 0


# --- terminals --------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437", "utf-8"])
def test_any_terminal_can_show_it(job, stand_in, monkeypatch, encoding):
    job.write_text(JOB.replace('"Elbow"', '"Ellenbogen größer ≥ 3 ✓"'), encoding="utf-8")
    stand_in(results("risk"))
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding=encoding))
    cli.main(["run", "elbow.toml", "-o", "out"])
    sys.stdout.flush()
    text = raw.getvalue().decode(encoding)
    assert text.startswith("Ellenbogen gr")
    assert ("31.2 deg" if encoding == "ascii" else "31.2°") in text
    assert ("cm2" if encoding == "ascii" else "cm²") in text


def test_control_characters_stay_out_of_the_terminal():
    assert terminal.for_stream("a\x1b[31mb\x07\n", "utf-8") == "a?[31mb?\n"
    assert terminal.for_stream("\udcff", "utf-8") == "?"
    assert terminal.for_stream("x°", None) == "x°"


def test_what_is_the_same_for_several_plies_is_one_line():
    same = [Finding("warning", (f"ply-{k}",), "passes the end", "shorten it") for k in (1, 2, 1)]
    other = Finding("warning", ("ply-3",), "passes another end", "shorten it")
    risk = Finding("risk", ("ply-1",), "passes the end", "shorten it")
    assert terminal.finding_lines([same[0], other, *same[1:], risk]) == [
        "risk: ply-1: passes the end; shorten it",
        "warning: ply-1, ply-2: passes the end; shorten it",
        "warning: ply-3: passes another end; shorten it",
    ]


def test_a_run_sets_apart_what_was_imported(monkeypatch, tmp_path):
    """Else each collection of garbage looks through some 300 000 objects: a second a run."""
    counts = []

    def stop(job, **options):
        counts.append(gc.get_freeze_count())
        raise InputError("enough")

    monkeypatch.setattr("drape.pipeline.run", stop)
    gc.unfreeze()
    try:
        assert cli.main(["demo", "-o", str(tmp_path / "demo")]) == 2
    finally:
        gc.unfreeze()
    assert counts[0] > 50_000
