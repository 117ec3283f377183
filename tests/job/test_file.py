"""Job files written back: what is asked changes, and the rest stays as it was."""

from __future__ import annotations

import pytest
from job_texts import JOB

from drape.errors import InputError
from drape.job.job import load_job, write_back

COMMENTED = JOB.replace("angle = 30", "angle = 30   # as on the drawing").replace(
    "[joint]", "# the joint, agreed on in May\n[joint]  # see sheet 3"
)


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
def test_write_back_changes_what_is_asked_and_keeps_the_rest(folder, newline):
    path = folder / "part.toml"
    path.write_bytes(COMMENTED.replace("\n", newline).encode())
    write_back(
        path, {"plies[2].angle": 35, ("joint", "laps"): [12, 17], "plies[1].start": [1.0, 2.0, 3.5]}
    )
    expected = COMMENTED.replace("angle = 30 ", "angle = 35 ").replace("[10, 15]", "[12, 17]")
    expected = expected.replace("angle = 0\n", "angle = 0\nstart = [1.0, 2.0, 3.5]\n")
    assert path.read_bytes().decode() == expected.replace("\n", newline)
    job = load_job(path)
    assert job.plies[1].angle_deg == 35
    assert job.joint.laps == (12, 17)
    assert [p.name for p in folder.iterdir() if p.name.startswith(".")] == []


def test_write_back_makes_tables_and_takes_keys_out(folder):
    path = folder / "part.toml"
    path.write_text(COMMENTED)
    write_back(path, {'plies[1].allowances."A-B.1"': 4.5, "plies[2].spacing": None})
    job = load_job(path)
    assert job.plies[0].allowances == {"root-B.1": 4.5}
    assert job.plies[1].spacing is None
    assert "# as on the drawing" in path.read_text()


@pytest.mark.parametrize("key", ["plies[9].angle", "title.x", "units[1]"])
def test_write_back_to_no_place_leaves_the_file(folder, key):
    path = folder / "part.toml"
    path.write_text(COMMENTED)
    with pytest.raises(InputError, match="no such place"):
        write_back(path, {"title": "new", key: 1})
    assert path.read_text() == COMMENTED
