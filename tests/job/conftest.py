"""A folder with what the job of ``job_texts`` names, and a job loaded from there."""

from __future__ import annotations

import pytest

from drape.job.job import load_job


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "sub").mkdir()
    (tmp_path / "lower.stl").write_bytes(b"mesh")
    (tmp_path / "sub" / "upper.PLY").write_bytes(b"mesh")
    (tmp_path / "sub" / "words.csv").write_text("x;y;z\nno;numbers;here\n")
    return tmp_path


@pytest.fixture
def load(folder):
    def load_text(text, **kwargs):
        path = folder / "part.toml"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return load_job(path, **kwargs)

    return load_text
