"""The mould with its halves in the closed position, and what is measured on it once for all.

Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace
from threading import RLock
from typing import TypeVar

from drape.errors import Finding
from drape.geometry.surface import Floats, readonly
from drape.mould.closed.conform import conform
from drape.mould.closed.stitched import Stitched, distance_past, stitch
from drape.mould.gaps import gap_limit
from drape.mould.mould import Mould
from drape.mould.region import Region

Made = TypeVar("Made")


class _Once:
    """Values made when they are first asked for, by any thread, and kept."""

    def __init__(self) -> None:
        self._made: dict[Hashable, object] = {}
        self._lock = RLock()

    def __call__(self, key: Hashable, make: Callable[[], Made]) -> Made:
        with self._lock:
            if key not in self._made:
                self._made[key] = make()
            made: Made = self._made[key]  # type: ignore[assignment]
            return made


@dataclass(frozen=True, eq=False)
class ClosedMould:
    """A mould whose halves fit each other, stitched once a side.

    Beds, joint strips, wrapped plies and searches share it. ``mould``: as ``closed_mould``
    makes it; one half alone, or halves without a run between them, can't be stitched
    (``joined``).
    """

    mould: Mould
    _once: _Once = field(default_factory=_Once, repr=False)

    @property
    def joined(self) -> bool:
        """Whether there are two halves with a parting line."""
        return len(self.mould.halves) == 2 and bool(self.mould.runs)

    def region(self, half: str) -> Region:
        """The cavity of a half."""
        return self.mould.halves[half].region

    def stitched(self, own: str) -> Stitched:
        """Both halves as one surface, from ``own``; see ``stitched.stitch``."""
        return self._once(own, lambda: stitch(self.region(own), self.region(self.mould.other(own))))

    def past(self, own: str, reach: float) -> Floats:
        """(n,) distance past the parting line seen from ``own``; see ``stitched.distance_past``."""
        return self._once((own, reach), lambda: readonly(distance_past(self.stitched(own), reach)))


def closed_mould(mould: Mould, whole: Mould) -> tuple[ClosedMould, tuple[Finding, ...]]:
    """The mould with halves that fit each other vertex by vertex along the parting line.

    ``whole`` is the mould as it was found: its meshes show whether it is a scan.
    """
    regions = {name: half.region for name, half in mould.halves.items()}
    if len(regions) < 2 or not mould.runs:
        return ClosedMould(mould), ()
    limit = gap_limit(half.region.surface for half in whole.halves.values())
    regions, findings = conform(regions, limit=limit, findings=mould.findings)
    halves = {name: replace(h, region=regions[name]) for name, h in mould.halves.items()}
    return ClosedMould(replace(mould, halves=halves)), findings
