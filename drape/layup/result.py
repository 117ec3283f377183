"""A ply as it was laid."""

from __future__ import annotations

from dataclasses import dataclass

from drape.errors import Finding
from drape.job.job import Ply
from drape.layup.ground import RunStrip
from drape.layup.pattern import Pattern
from drape.layup.piece import Piece
from drape.layup.risks import ClothRisks
from drape.layup.wrap_ground import PreparedWrap


@dataclass(frozen=True, eq=False)
class PlyResult:
    """One ply: its piece, pattern and risks, or None with the reason among the findings.

    ``strip``, ``wrap``: the joint strip or wrapped ply that it is, if it is one.
    """

    ply: Ply
    piece: Piece | None
    pattern: Pattern | None
    findings: tuple[Finding, ...]
    risks: ClothRisks | None = None
    strip: RunStrip | None = None
    wrap: PreparedWrap | None = None

    @property
    def on_one_half(self) -> bool:
        """Whether it is a ply of one half, neither joint strip nor wrapped ply."""
        return self.strip is None and self.wrap is None
