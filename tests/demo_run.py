"""The demo's job, run once for all tests of a process that look at it."""

import tempfile
from functools import cache
from pathlib import Path

from drape import pipeline, publish
from drape.job.job import load_job

_FOLDER = tempfile.TemporaryDirectory()


@cache
def demo_results():
    return pipeline.run(load_job(publish.copy_demo(Path(_FOLDER.name))), jobs=2)
