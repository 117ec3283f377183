"""What plies do at the parting line: the job file's [joint]."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from drape.job.check import Values
from drape.job.toml_lines import renamed

LEAST_OVERLAP = 10.0  # per pair of plies; common practice
Goal = Literal["running-through", "mirrored"]


@dataclass(frozen=True)
class Joint:
    """Defaults for plies that reach the parting line or run out of a mouth.

    ``laps`` belong to the plies of the run's lap half in order, ``set_backs`` to the other
    half's; all are ≥ 0, mm. ``lap_half`` is one for all runs, or a mapping of run to half;
    without it every ply ends flush. ``greatest_build_up`` and ``least_overlap``, mm, are
    targets for suggested laps and set-backs; without either none are suggested. ``yarns`` is
    what the yarns of a pair of plies are to do at the line; None: both are measured.
    ``yarns_search``: look for the start and angle of each lapping ply that serve it best.
    """

    lap_half: str | Mapping[str, str] | None = None
    laps: tuple[float, ...] = ()
    set_backs: tuple[float, ...] = ()
    run_off: float = 0.0
    greatest_build_up: float | None = None
    least_overlap: float | None = None
    yarns: Goal | None = None
    yarns_search: bool = False

    def lap_half_at(self, run: str) -> str | None:
        """The half whose plies run past the line at ``run``; None: all end flush."""
        if self.lap_half is None or isinstance(self.lap_half, str):
            return self.lap_half
        return self.lap_half.get(run)


def joint_from(values: Values, mouths: Mapping[str, str]) -> Joint:
    named = values.get("lap_half")
    if isinstance(named, dict):
        by_run = {renamed(run, mouths): half for run, half in named.items()}
        return Joint(**{**values, "lap_half": MappingProxyType(by_run)})
    return Joint(**values)
