"""The joint at one run of the parting line: which plies lie where, and what overlaps what."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from drape.errors import Finding
from drape.layup.buildup import Band, EdgePly, Overlap, build_up, nominal_overlaps


@dataclass(frozen=True)
class RunJoint:
    """Build-up and overlaps across a run.

    Attributes
    ----------
    lap_half : str, the half whose plies run past the line
    bands : tuple of Band, by place across the run
    overlaps : tuple of Overlap, by pair of plies; empty for one half alone
    findings : tuple of Finding
    """

    lap_half: str
    bands: tuple[Band, ...]
    overlaps: tuple[Overlap, ...]
    findings: tuple[Finding, ...]


def join_run(
    lap_half: str, lapping: Sequence[EdgePly], other: Sequence[EdgePly], run: str
) -> RunJoint:
    """The joint of the plies that reach ``run``; for one half alone, its own plies only."""
    bands = build_up(lapping, other) if lapping or other else ()
    if not lapping or not other:
        return RunJoint(lap_half, bands, (), ())
    overlaps, findings = nominal_overlaps(lapping, other)
    placed = tuple(replace(f, where=f"{run}, {f.where}") for f in findings)
    return RunJoint(lap_half, bands, overlaps, placed)
