"""What each ply of a job does at its edges, and whether those edges are there.

Lengths in mm: + past the edge, − short of it. Edge names are the job's (mouths renamed).

Every ply of a half reaches every run of the parting line (there are no patches yet). So the
i-th ply of a half takes the i-th lap or set-back at every run, and a ply with a value of its
own at a run keeps its number: the plies after it don't move up.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from drape.job.allowance import Allowance
from drape.job.job import Job, Ply
from drape.job.joint_settings import Joint


@dataclass(frozen=True)
class PlyAllowances:
    """What one ply does at each of its edges, mm.

    Attributes
    ----------
    index : int
        Place among the half's plies, from 0.
    parting : float
        + lap, 0 flush, − set-back, at runs that ``runs`` doesn't name.
    run_off : float
        Past mouths and trim lines.
    edges : mapping of edge name to mm
        Edges that have a value of their own, or stations.
    runs : mapping of run to mm
        As ``parting``, where the lap half is given run by run.
    trimmed : names of the edges that are cut proud and trimmed in the mould
    proud : float
        How far past its allowance such an edge is cut.
    """

    ply: str
    half: str
    index: int
    parting: float
    run_off: float
    edges: Mapping[str, Allowance]
    runs: Mapping[str, float] = field(default_factory=dict)
    trimmed: Collection[str] = ()
    proud: float = 0.0

    def of(self, edge: str, kind: str) -> Allowance:
        """Allowance at the edge called ``edge``, of a region's edge kind."""
        parting = self.runs.get(edge, self.parting)
        by_kind = {"parting": parting, "mouth": self.run_off, "trim": self.run_off}
        return self.edges.get(edge, by_kind.get(kind, 0.0))

    def cut(self, edge: str, kind: str) -> Allowance:
        """Allowance at which the edge is cut: proud where it is trimmed in the mould."""
        return self.of(edge, kind) + (self.proud if edge in self.trimmed else 0.0)


def ply_allowance_defaults(job: Job) -> tuple[PlyAllowances, ...]:
    """What each ply does at its edges, in the job's order of plies.

    At each run the i-th ply of its lap half gets + ``laps[i]``, the i-th of the other half
    − ``set_backs[i]``; without a joint all is flush.
    """
    joint = job.joint or Joint()
    per_run = isinstance(joint.lap_half, Mapping)
    return tuple(
        PlyAllowances(
            ply=ply.name,
            half=ply.half,
            index=ply.order - 1,
            parting=0.0 if per_run else _parting(joint, ply, ""),
            run_off=joint.run_off,
            edges=ply.allowances,
            runs=_by_run(joint, ply),
            trimmed=ply.trim_in_mould,
            proud=job.bench.proud,
        )
        for ply in job.plies
    )


def _by_run(joint: Joint, ply: Ply) -> Mapping[str, float]:
    if not isinstance(joint.lap_half, Mapping):
        return MappingProxyType({})
    return MappingProxyType({run: _parting(joint, ply, run) for run in joint.lap_half})


def _parting(joint: Joint, ply: Ply, run: str) -> float:
    lap_half = joint.lap_half_at(run)
    if lap_half is None:
        return 0.0
    if ply.half == lap_half:
        return joint.laps[ply.order - 1]
    return 0.0 - joint.set_backs[ply.order - 1]  # not −0.0
