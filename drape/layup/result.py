"""A layer as it was laid."""

from __future__ import annotations

from dataclasses import dataclass

from drape.errors import Finding
from drape.layup.ground import Ground
from drape.layup.order import LaidLayer
from drape.layup.pattern import Pattern
from drape.layup.piece import Piece
from drape.layup.risks import ClothRisks


@dataclass(frozen=True, eq=False)
class LayerResult:
    """One layer: its piece, pattern and risks, or None with the reason among the findings.

    The pattern comes last, when all that is marked on it is known.
    """

    ply: LaidLayer
    ground: Ground
    piece: Piece | None
    findings: tuple[Finding, ...]
    risks: ClothRisks | None = None
    pattern: Pattern | None = None
