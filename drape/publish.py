"""Stand-in with the signatures of publishing. TO BE REPLACED when it is merged."""

from __future__ import annotations

from pathlib import Path

from drape.pipeline import Results


def publish(results: Results, folder: Path) -> tuple[str, ...]:
    """Not here yet."""
    raise NotImplementedError


def copy_demo(folder: Path) -> Path:
    """Not here yet."""
    raise NotImplementedError
