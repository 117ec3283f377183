"""Shared by all tests: property tests are the same on every run; the demo is run once."""

import demo_run
import pytest
from hypothesis import settings

settings.register_profile("same", deadline=None, derandomize=True, max_examples=12)
settings.load_profile("same")


@pytest.fixture(scope="session")
def demo_results():
    return demo_run.demo_results()


@pytest.fixture(scope="session")
def demo_job(demo_results):
    return demo_results.job
