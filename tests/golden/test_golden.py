"""Six small jobs against their committed figures: a guard for rewrites, see ``figures.py``.

The figures are what plywright gave when they were written, not exact answers; those are in
the other tests.
"""

import json
from functools import cache

import pytest
from figures import FILE, JOBS, differences, found, run


@cache
def committed():
    return json.loads(FILE.read_text(encoding="utf-8"))


def test_every_job_has_figures():
    assert sorted(committed()) == sorted(JOBS)


@pytest.mark.parametrize("name", JOBS)
def test_figures_are_what_they_were(name, tmp_path):
    lines = differences(committed()[name], found(run(name, tmp_path)))
    assert not lines, "\n".join([f"{len(lines)} figures of '{name}':", *lines[:40]])


@pytest.mark.parametrize("name", JOBS)
def test_the_committed_pieces_are_valid(name):
    valid = [v for path, v in committed()[name].items() if path.endswith("/valid")]
    assert valid
    assert all(valid)


@pytest.mark.parametrize("name", ["strip before", "wrapped"])
def test_the_number_of_threads_changes_no_byte(name, tmp_path):
    out = [run(name, tmp_path / str(jobs), jobs) for jobs in (1, 2)]
    one, two = ({p.relative_to(o): p.read_bytes() for p in o.rglob("*.*")} for o in out)
    assert len(one) > 6
    assert list(one) == list(two)
    assert [file for file in one if one[file] != two[file]] == []
