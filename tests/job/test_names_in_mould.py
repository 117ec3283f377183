"""Names of edges, runs and mouths in the job, held against the mould's."""

from __future__ import annotations

from helpers import errors_of, one_line_of
from job_texts import BY_RUN, JOB, replaced

from drape.job.allowance import Stations, values_at
from drape.job.names_in_mould import check_edge_names
from drape.layup.order import laid_plies


def test_every_run_has_its_lap_half_and_no_other_is_named(load):
    job = load(BY_RUN)
    names = ["root", "B", "root-B.1", "root-B.2", "root-B.3"]
    edges = {"lower": names, "upper": names}
    check_edge_names(job, edges, ["root", "B"], ["root-B.1", "root-B.2"])
    told = errors_of(check_edge_names, job, edges, ["root", "B"], ["root-B.1", "root-B.3"])
    line = BY_RUN.splitlines().index('lap_half = {"A-B.1" = "lower", "A-B.2" = "upper"}') + 1
    unknown, missing = told
    assert unknown.startswith(f"part.toml, line {line}, joint.lap_half")
    assert "no such run; got root-B.2; allowed: root-B.1, root-B.3; did you mean" in unknown
    assert missing.startswith(
        f"part.toml, line {line}, joint.lap_half: a run of the parting line has no lap half"
    )
    assert "got root-B.3" in missing


def test_stations_are_for_runs_between_mouths(load):
    text = replaced("B = -3", "B = [[0, 3], [5, 4]]", replaced("= 12", "= [[0, 12], [80, 6.5]]"))
    text = replaced("[plies.allowances]", '[plies.allowances]\n"rim.1" = [[0, 3], [5, 4]]', text)
    job = load(text)
    assert job.plies[1].allowances["root-B.1"] == Stations((0.0, 80.0), (12.0, 6.5))
    outer = laid_plies(job)[1]
    found = values_at(outer.allowance("root-B.1", "parting"), [-5, 40, 90])
    assert found.tolist() == [12.0, 9.25, 6.5]
    edges = dict.fromkeys(("lower", "upper"), ("root", "B", "root-B.1", "rim.1"))
    lines = errors_of(check_edge_names, job, edges, ["root", "B"], ["root-B.1", "rim.1"])
    assert [("got B;" in line, "got rim.1;" in line) for line in lines] == [
        (False, True),
        (True, False),
    ]
    assert all("runs of the parting line between mouths only" in line for line in lines)


def test_edges_to_trim_are_held_against_the_mould(load):
    """They keep their own allowance and are cut 3 mm past it (a choice of our own)."""
    job = load(replaced("spacing = 2.5", 'spacing = 2.5\ntrim_in_mould = ["B", "A-B.1", "A-B.4"]'))
    edges = {"lower": ["root", "B", "root-B.1"], "upper": ["root", "B", "root-B.1"]}
    line = one_line_of(check_edge_names, job, edges, ["root", "B"], ["root-B.1"])
    assert "plies[2].trim_in_mould[3]: no such edge; got root-B.4; allowed: root, B" in line
    outer = laid_plies(job)[1]
    run = ("root-B.1", "parting")
    assert (outer.allowance(*run), outer.cut(*run)) == (12.0, 15.0)
    assert (outer.allowance("B", "mouth"), outer.cut("B", "mouth")) == (-3.0, 0.0)
    assert outer.cut("root", "mouth") == outer.allowance("root", "mouth") == 8.0


def test_edge_names_are_held_against_the_mould(load):
    job = load(JOB)
    edges = {"lower": ["root", "B", "root-B.1"], "upper": ["root", "B", "root-B.1"]}
    runs = ["root-B.1"]
    check_edge_names(job, edges, ["root", "B"], runs)
    lines = errors_of(check_edge_names, job, {**edges, "upper": ["root", "root-B.2"]}, ["B"], runs)
    assert len(lines) == 3
    assert "no such mouth; got root; allowed: B" in lines[0]
    assert "plies[2].allowances" in lines[1]
    assert "did you mean 'root-B.2'?" in lines[1]
