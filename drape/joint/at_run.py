"""What a layer does at a run of the parting line: where it ends, or which stretches it covers.

Places are signed lengths from the parting surface along a ply's own mid-surface, mm: negative
on the lapping half's side, positive past the line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from drape.job.allowance import Allowance, values_at
from drape.job.layers import Strip
from drape.layup.order import LaidLayer, is_early


@dataclass(frozen=True)
class AtRun:
    """A layer at a run, or at one place of it.

    Attributes
    ----------
    name : str
    thickness : float, mm, cured
    allowance : float or Stations, mm
        Of a ply that ends there, or of a strip's far part: + lap, 0 flush, − set-back.
    trimmed : bool
        Cut proud and trimmed in the mould: its edge doesn't scatter with its placement.
    spans : tuple of (from, to), mm
        Of cloth across the line: where it lies; each counts as a ply.
    """

    name: str
    thickness: float
    allowance: Allowance = 0.0
    trimmed: bool = False
    spans: tuple[tuple[float, float], ...] = ()

    def end(self, place: float = 0.0) -> float:
        """Its allowance at one place, mm along the run."""
        return float(values_at(self.allowance, place))

    def at(self, place: float) -> AtRun:
        """What it is at one place, mm along the run."""
        return replace(self, allowance=self.end(place))


def plies_at(layup: Sequence[LaidLayer], run: str, half: str) -> list[AtRun]:
    """A half's plies at a run, in order."""
    return [
        AtRun(p.name, p.thickness, p.allowance(run, "parting"), run in p.trimmed)
        for p in layup
        if p.is_ply and p.own == half
    ]


def laps_at(layup: Sequence[LaidLayer], run: str, half: str) -> list[AtRun]:
    """A half's plies at a run, then its strips laid before closing, whose far part is a lap."""
    strips = [
        AtRun(s.name, s.thickness, 0.5 * s.layer.width)
        for s in layup
        if isinstance(s.layer, Strip) and is_early(s) and s.run == run and s.own == half
    ]
    return plies_at(layup, run, half) + strips


def across(layup: Sequence[LaidLayer], run: str, side: str) -> list[AtRun]:
    """What lies across a run, in order of lay-up, counted from the half ``side``."""
    found = []
    for each in layup:
        ends = () if each.is_ply else each.spans(run, side)
        spans = tuple((float(values_at(a, 0.0)), float(values_at(b, 0.0))) for a, b in ends)
        if spans:
            found.append(AtRun(each.name, each.thickness, spans=spans))
    return found
