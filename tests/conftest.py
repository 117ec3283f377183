"""Shared by all tests: property tests are the same on every run; the demo is run once."""

import pytest
from hypothesis import settings

from drape import pipeline, publish
from drape.job import load_job

settings.register_profile("same", deadline=None, derandomize=True, max_examples=12)
settings.load_profile("same")


@pytest.fixture(scope="session")
def demo_job(tmp_path_factory):
    return load_job(publish.copy_demo(tmp_path_factory.mktemp("demo")))


@pytest.fixture(scope="session")
def demo_results(demo_job):
    return pipeline.run(demo_job, jobs=2)
