"""Pattern: the flat cut outline of one piece with what is marked on it.

Flat coordinates in mm: origin at the start point, x along the warp, y along the weft,
seen from inside the hollow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from drape.geometry.surface import Floats
from drape.job.allowance import Stations, greatest
from drape.job.layers import Strip
from drape.layup.order import LaidLayer
from drape.layup.outline import PatternEdge
from drape.layup.piece import Piece


@dataclass(frozen=True, eq=False)
class Pattern:
    """What is cut and what is marked on it.

    Attributes
    ----------
    piece, ply, half, fabric : str
    order, of : int
        Place of the ply in the lay-up of its half, from 1, and how many there are.
    angle_deg : float
        As the job gives it; ``seen_from`` ("inside" or "mould") says what it means.
    start_mm : (x, y, z) in the mould's coordinates, or None
        Where the origin of the flat coordinates is pressed down first.
    outline : (n, 2) mm, counter-clockwise, last vertex not repeated
    holes : tuple of (k, 2) mm, clockwise
    edges : tuple of PatternEdge
    edge_lines : tuple of (name, (k, 2) mm)
        Where the edges themselves (allowance 0) lie on the cloth, of those with a lap or
        run-off; elsewhere they coincide with the outline or lie outside it. Also where edges
        are trimmed in the mould.
    snips : tuple of (2, 2) mm
        From the cut edge inward, where a lap has to be snipped.
    laid : str
        Of cloth that lies across the parting line: where and when it is laid.
    angle_from : str
        The run that the angle counts from; empty: the half's zero direction.
    """

    piece: str
    ply: str
    half: str
    fabric: str
    order: int
    of: int
    angle_deg: float
    seen_from: str
    outline: Floats
    holes: tuple[Floats, ...]
    edges: tuple[PatternEdge, ...]
    edge_lines: tuple[tuple[str, Floats], ...] = ()
    start_mm: tuple[float, float, float] | None = None
    snips: tuple[Floats, ...] = ()
    laid: str = ""
    angle_from: str = ""


def pattern_of(
    ply: LaidLayer,
    piece: Piece,
    seen_from: str,
    runs: Sequence[tuple[str, Floats]] = (),
    snips: tuple[Floats, ...] = (),
) -> Pattern:
    """The pattern of a layer's piece, its coordinates rounded to a thousandth of a mm.

    ``runs``: lines (k, 2) of the runs that it lies across, by name; ``snips``: (2, 2) each.
    """
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
        edges=tuple(_with_marks(e, piece) for e in outer.edges),
        edge_lines=(*lines, *runs),
        start_mm=(float(x), float(y), float(z)),
        snips=snips,
        laid=ply.laid,
        angle_from=ply.run if isinstance(ply.layer, Strip) else "",
    )


def _with_marks(edge: PatternEdge, piece: Piece) -> PatternEdge:
    """An edge with the trim place and stations that its pattern shows."""
    cut, parts = piece.options.allowances[edge.name], piece.trimmed.get(edge.name, ())
    least = min((float(part.allowance.min()) for part in parts), default=None)
    stations = None
    if isinstance(cut, Stations):
        stations = tuple(zip(cut.places, cut.values, strict=True))
    return replace(edge, trim_to_mm=least, stations_mm=stations)
