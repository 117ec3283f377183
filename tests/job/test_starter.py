"""The starter job: accepted as it is, and with its commented lines."""

from __future__ import annotations

import pytest

from drape.errors import InputError
from drape.job.job import starter_job


@pytest.mark.parametrize(
    ("meshes", "halves"),
    [
        (["lower.stl", "sub/upper.PLY"], ["lower", "upper"]),
        (["lower.stl"], ["half"]),
        (["arm_left side.obj", "arm_right.obj"], ["left-side", "right"]),
        (["a/x.stl", "b/x.stl"], ["first", "second"]),
        (["é'\"{0}.stl", "ü.stl"], ["0", "second"]),
    ],
)
def test_starter_job_is_accepted(folder, load, meshes, halves):
    for mesh in meshes:
        (folder / mesh).parent.mkdir(exist_ok=True)
        (folder / mesh).write_bytes(b"")
    job = load(starter_job(meshes, title='The "new" {part}', units="in"))
    assert job.title == 'The "new" {part}'
    assert job.unit_scale == 25.4
    if halves[0] != "0":
        assert [h.name for h in job.halves] == halves
    assert [h.mesh for h in job.halves] == [folder / m for m in meshes]
    assert len(job.plies) == 2 * len(meshes)
    assert job.date is None
    assert {p.fabric.source for p in job.plies} == {"from memory, measure yours"}


def test_commented_lines_of_the_starter_job_are_right_too(folder, load):
    text = starter_job(["lower.stl", "sub/upper.PLY"])
    keys = [line[2:] if line.startswith("# ") and ("= " in line or "[" in line) else line
            for line in text.splitlines() if not line.startswith("# A job")]  # fmt: skip
    job = load("\n".join(k for k in keys if "changed by" not in k) + "\n")
    assert job.trims[0].mouth == "A"
    assert job.plies[0].start == (0.0, 0.0, 0.0)
    assert job.date is not None


@pytest.mark.parametrize("meshes", [[], ["a.stl", "b.stl", "c.stl"], ["\udcff.stl"]])
def test_starter_job_refuses(meshes):
    with pytest.raises(InputError):
        starter_job(meshes)
