"""Gaps between the parting lines of two halves: limits and messages. Lengths in mm."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from drape.errors import Finding, InputError, as_place, place_text
from drape.geometry.surface import Floats, Surface
from drape.mould.plausible import how_apart

CAD_GAP = 0.05  # mm, between the borders of two halves
SCAN_GAP = 0.5
SCAN_NOISE = 0.02  # mm: a mesh whose facets scatter by more is a scan
APART = 0.05  # of the size: farther apart, the halves aren't in the closed position
WORDS = "the parting lines of the two halves"


class GapFinding(Finding):
    """That the halves' parting lines don't meet."""


def gap_limit(surfaces: Iterable[Surface]) -> float:
    """Largest gap that is let pass: ``SCAN_GAP`` if one of the meshes is a scan."""
    scan = max(float(np.median(s.sector_residual)) for s in surfaces) > SCAN_NOISE
    return SCAN_GAP if scan else CAD_GAP


def refuse_apart(gap: float, name: str, size: float, limit: float) -> None:
    """Raise InputError where runs are too far apart for halves in the closed position."""
    if gap > APART * size or not name:
        raise InputError(
            f"{WORDS} don't meet",
            value=f"{gap:.3g} mm apart at {name}" if name else "no edge in common",
            limit=f"{limit} mm",
            remedy="give both halves in the closed position, in the same coordinates",
        )


def refuse_open(
    gap: float, name: str, place: Floats, lines: tuple[Floats, Floats], closing: Floats
) -> None:
    """Raise InputError where two halves leave a gap that no bag closes, or overlap as far.

    ``lines``: all vertices of each half's parting line (k, 3), mm, which show what to do.
    """
    if gap <= SCAN_GAP and name:
        return
    raise InputError(
        f"{WORDS} don't meet",
        value=f"a gap of {gap:.2f} mm at {name} near ({place_text(place, 1)})"
        if name
        else "no edge in common",
        limit=f"{SCAN_GAP:g} mm",
        remedy=how_apart(*lines, closing),
    )


def gap_finding(
    gap: float, name: str, limit: float, *, open_by: float = 0.0, place: Floats | None = None
) -> Finding:
    """A finding on a gap past the limit; ``open_by`` < 0 where the halves overlap."""
    how = f"overlap by {-open_by:.2f} mm" if open_by < -limit else "don't meet"
    text = f"{WORDS} {how}: the largest gap is {gap:.2f} mm, at {name}"
    if place is not None:
        text += f" near ({place_text(place, 1)})"
    text += f" (limit {limit} mm)"
    at = None if place is None else as_place(place)
    return GapFinding("warning", ("mould",), text, "check the positions of the meshes", at)


def gap_known(findings: Iterable[Finding]) -> bool:
    """Whether a gap is among the findings."""
    return any(isinstance(f, GapFinding) for f in findings)
