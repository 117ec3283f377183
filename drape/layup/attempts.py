"""A ply's piece as it may be cut: from a finer net where the first is refused, and straight on
past the parting line where it can't be laid on the other half.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drape.errors import AccuracyError, Finding
from drape.layup.bed import Laid
from drape.layup.net_check import FINEST_SHARE, fine_enough
from drape.layup.order import LaidLayer
from drape.layup.piece import Piece, PieceOptions, make_piece
from drape.mould.region import Region

FINER = (0.8, 0.6)  # of the chosen spacing: nets tried where that one's piece is refused

Made = tuple[Piece, tuple[Finding, ...]]


def make_ply(region: Region, options: PieceOptions, layer: LaidLayer, laid: Laid | None) -> Made:
    """A piece, laid on the other half past the parting line where that is possible.

    Where the job gives no spacing, one that is refused is made again from a finer net, as its
    error asks for.

    Returns
    -------
    The piece, which may still be refused (``valid``), and findings on how it was made.

    Raises
    ------
    AccuracyError
        No piece could be made.
    """
    if laid is None:
        return _made(region, options, layer, None)
    piece = None
    try:
        piece, findings = _made(region, options, layer, laid)
        if piece.valid:
            return piece, findings
        why = "its checks fail"
    except AccuracyError as error:
        why = without_place(error)
    try:
        plain, findings = _made(region, options, layer, None)
    except AccuracyError:
        plain = None
    if plain is None or not (plain.valid or piece is None):
        if piece is None:
            raise AccuracyError(why, where=layer.name, remedy="use shorter laps, or split the ply")
        return piece, ()
    text = (
        f"past the parting line the cloth was extended straight, not laid on the other half: {why}"
    )
    remedy = (
        "shorten the laps: shear and wrinkles past the line, and what they do to the ply's edges"
    )
    # how far its edges may be off isn't known either
    plain = replace(plain, checks=replace(plain.checks, outline=np.nan))
    return plain, (*findings, Finding("risk", (layer.name,), text, f"{remedy}, are unknown"))


def _made(region: Region, options: PieceOptions, layer: LaidLayer, laid: Laid | None) -> Made:
    """A piece at the given spacing, or at the first finer one at which it isn't refused.

    Where the curvature check fails, the next is no coarser than what that asks for.
    """
    first: Piece | AccuracyError
    try:
        first = make_piece(region, options, layer.name, laid)
        if first.valid:
            return first, ()
    except AccuracyError as error:
        first = error
    like = last = None if isinstance(first, AccuracyError) else first
    finer = options
    for tried, factor in enumerate(FINER if layer.spacing is None else (), start=2):
        spacing = _finer(options.spacing, factor, finer.spacing, last)
        if spacing >= finer.spacing:
            break
        finer = replace(options, spacing=spacing)
        try:
            last = make_piece(region, finer, layer.name, laid, like)
        except AccuracyError:
            last = None
            continue
        if last.valid:
            text = f"the piece was refused at a spacing of {options.spacing:g} mm and made again at"
            count = f"(net {tried} of {1 + len(FINER)} at most)"
            note = Finding("note", (layer.name,), f"{text} {finer.spacing:g} mm {count}")
            return last, (note,)
    if isinstance(first, AccuracyError):
        raise first
    return first, ()


def _finer(chosen: float, factor: float, tried: float, last: Piece | None) -> float:
    """The spacing to try after ``tried``, mm: ``factor`` of the chosen one, or what ``last`` needs.

    No finer than FINEST_SHARE of the chosen one: the time goes with the square.
    """
    wanted = min(factor * chosen, FINER[0] * tried)
    if last is not None and last.checks.curvature > last.checks.curvature_limit:
        wanted = min(wanted, fine_enough(tried, last.checks.curvature) or wanted)
    return max(wanted, FINEST_SHARE * chosen)


def without_place(error: AccuracyError) -> str:
    """What went wrong, with the value, for messages that name the place themselves."""
    value = f" ({error.value})" if error.value is not None else ""
    return f"{error.what}{value}"
