"""Fixtures of ``making`` for all tests here."""

from making import made, translated

__all__ = ["made", "translated"]
