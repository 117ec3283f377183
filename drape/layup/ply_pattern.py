"""The pattern of a ply's piece: outline and marks, with what is told of its edges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drape.job.allowance import Stations, greatest
from drape.job.job import Ply
from drape.layup.pattern import Pattern, PatternEdge
from drape.layup.piece import Piece


def pattern_of(ply: Ply, piece: Piece, seen_from: str) -> Pattern:
    """The pattern, its coordinates rounded to a thousandth of a mm."""
    outer, holes = piece.outlines[0], piece.outlines[1:]
    x, y, z = piece.net.points[piece.net.origin]
    trims = piece.options.trims
    lines = [
        (name, part.flat_base)
        for name, parts in piece.moved.items()
        for part in parts
        if greatest(trims.get(name, piece.options.allowances[name])) > 0.0
    ]
    lines += [(name, part.flat) for name, parts in piece.trimmed.items() for part in parts]
    return Pattern(
        piece=ply.name,
        ply=ply.name,
        half=ply.half,
        fabric=ply.fabric.name,
        order=ply.order,
        of=ply.of,
        angle_deg=ply.angle_deg,
        seen_from=seen_from,
        outline=np.round(outer.points, 3),
        holes=tuple(np.round(h.points, 3) for h in holes),
        edges=tuple(_told(e, piece) for e in outer.edges),
        edge_lines=tuple(lines),
        start_mm=(float(x), float(y), float(z)),
    )


def _told(edge: PatternEdge, piece: Piece) -> PatternEdge:
    """An edge with what its pattern tells of it besides its own."""
    cut, parts = piece.options.allowances[edge.name], piece.trimmed.get(edge.name, ())
    least = min((float(part.allowance.min()) for part in parts), default=None)
    stations = None
    if isinstance(cut, Stations):
        stations = tuple(zip(cut.places, cut.values, strict=True))
    return replace(edge, trim_to_mm=least, stations_mm=stations)
