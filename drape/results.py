"""Results of a run: what was computed, its findings, and its summary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from drape.advice.search_findings import PairSearch
from drape.bag.hollow import Hollow
from drape.errors import Finding
from drape.geometry.surface import Floats
from drape.job.job import Job
from drape.joint.ease import LapEase
from drape.joint.tuck import RunClosing
from drape.joint.yarns import PairYarns
from drape.layup.mesh_fields import FileGround
from drape.layup.order import Layup
from drape.layup.result import LayerResult
from drape.mould.inspection import Inspection
from drape.mould.mould import Mould
from drape.output.summary import models as record


@dataclass(frozen=True, eq=False)
class Closing:
    """Tuck with the laps' lines, lap ease and yarn match, by run; findings on all of them.

    ``searches``: starts searched for the yarns; None: the job doesn't ask for any.
    """

    runs: Mapping[str, RunClosing] = field(default_factory=dict)
    eases: Mapping[str, tuple[LapEase, ...]] = field(default_factory=dict)
    yarns: Mapping[str, tuple[PairYarns, ...]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    searches: tuple[PairSearch, ...] | None = None

    def snips(self, ply: str) -> tuple[Floats, ...]:
        """(2, 2) mm each, from a ply's cut edge inward."""
        laps = [e for eases in self.eases.values() for e in eases if e.ply == ply]
        return tuple(mark for e in laps for s in e.stretches for mark in s.marks)


@dataclass(frozen=True, eq=False)
class Results:
    """All that a run computed.

    ``summary.files`` is empty until the results are published. ``grounds``: by half, what its
    plies' fields refer to.
    """

    job: Job
    mould: Mould
    inspections: Mapping[str, Inspection]
    plies: tuple[LayerResult, ...]
    findings: tuple[Finding, ...]
    summary: record.Summary
    closing: Closing = field(default_factory=Closing)
    hollow: Hollow | None = None
    grounds: Mapping[str, FileGround] = field(default_factory=dict)
    layup: Layup = ()

    @property
    def valid(self) -> bool:
        """Whether every piece may be cut."""
        return all(p.piece is not None and p.piece.valid for p in self.plies)
