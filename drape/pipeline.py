"""Stand-in with the pipeline's signatures. TO BE REPLACED when the pipeline is merged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drape.errors import Finding
from drape.job import Job


@dataclass(frozen=True, eq=False)
class Results:
    """What a run found; ``summary`` is a pydantic model."""

    findings: tuple[Finding, ...]
    valid: bool
    summary: Any


def run(
    job: Job,
    *,
    jobs: int | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Results:
    """Not here yet."""
    raise NotImplementedError


def inspect(paths: Sequence[Path], unit_scale: float) -> dict[str, Any]:
    """Not here yet."""
    raise NotImplementedError
