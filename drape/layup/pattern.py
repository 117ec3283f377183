"""Pattern: the flat cut outline of one piece with what is marked on it.

Flat coordinates in mm: origin at the start point, x along the warp, y along the weft,
seen from inside the hollow.
"""

from __future__ import annotations

from dataclasses import dataclass

from drape.geometry.surface import Floats


@dataclass(frozen=True)
class PatternEdge:
    """A named stretch of the outline, from vertex ``first`` to vertex ``last``.

    Indices into ``Pattern.outline``, counter-clockwise, wrapping at the end. ``allowance_mm``
    is that of the cut; ``trim_to_mm`` what it is trimmed to in the mould, None if it isn't.
    Where these change along the edge they are the least, and ``greatest_mm`` is the greatest
    of the cut; ``stations_mm`` are the places and allowances of the cut that were given.
    """

    name: str
    kind: str
    first: int
    last: int
    allowance_mm: float
    trim_to_mm: float | None = None
    greatest_mm: float | None = None
    stations_mm: tuple[tuple[float, float], ...] | None = None


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
