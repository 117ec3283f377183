"""Shared by all tests: property tests are the same on every run."""

from hypothesis import settings

settings.register_profile("same", deadline=None, derandomize=True, max_examples=12)
settings.load_profile("same")
