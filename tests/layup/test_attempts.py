"""Pieces that are refused at first: a finer net, the other half, straight on."""

import re
from dataclasses import dataclass, replace

import numpy as np
import pytest
from demo_run import demo_results
from draped import place, sheet
from exact import shapes

import drape.layup.attempts
import drape.layup.piece
from drape.errors import AccuracyError, place_text
from drape.layup.attempts import make_ply
from drape.layup.checks import CURVATURE_LIMIT, Checks
from drape.layup.piece import PieceOptions, make_piece
from drape.layup.risks import check_findings

BED = object()


@dataclass
class Made:
    """What of a Piece is asked for."""

    valid: bool
    spacing: float
    laid: bool
    options: PieceOptions
    checks: Checks


def made_by(monkeypatch, outcome, curvature=lambda spacing: 0.0):
    """``make_piece`` replaced by ``outcome(spacing, laid)``: valid or not, or None for an error;
    ``curvature(spacing)``: its residual; returns the list of what was asked for."""
    demo_results()  # made before, and kept, with the real one
    asked = []

    def make(region, options, name, laid=None, like=None):
        asked.append((options.spacing, laid is not None))
        valid = outcome(options.spacing, laid is not None)
        if valid is None:
            raise AccuracyError("can't be had", value=f"{options.spacing:g}", where=name)
        residual = curvature(options.spacing)
        checks = replace(demo_results().plies[0].piece.checks, curvature=residual)
        return Made(valid, options.spacing, laid is not None, options, checks)

    monkeypatch.setattr(drape.layup.attempts, "make_piece", make)
    return asked


def with_spacing(spacing):
    ply = demo_results().plies[0].ply
    return replace(ply, name="p", layer=replace(ply.layer, spacing=spacing))


def made(spacing=None, laid=None):
    ply = with_spacing(spacing)
    return make_ply(None, replace(demo_results().plies[0].piece.options, spacing=2.0), ply, laid)


def test_one_that_may_be_cut_is_made_once(monkeypatch):
    asked = made_by(monkeypatch, lambda spacing, laid: True)
    piece, told = made(laid=BED)
    assert (piece.spacing, piece.laid, told, asked) == (2.0, True, (), [(2.0, True)])


@pytest.mark.parametrize("first", [False, None])
def test_one_that_is_refused_is_made_again_from_finer_nets(monkeypatch, first):
    asked = made_by(monkeypatch, lambda spacing, laid: True if spacing < 1.5 else first)
    piece, (note,) = made()
    assert piece.spacing == pytest.approx(1.2)
    assert [s for s, _ in asked] == pytest.approx([2.0, 1.6, 1.2])
    told = (
        "the piece was refused at a spacing of 2 mm and made again at 1.2 mm (net 3 of 3 at most)"
    )
    assert note.line() == f"note: p: {told}"


def square_law(at_two):
    """A residual of ``at_two`` limits at a spacing of 2 mm that falls with its square."""
    return lambda spacing: at_two * CURVATURE_LIMIT * (spacing / 2.0) ** 2


def test_a_net_too_coarse_for_its_curvature_is_laid_as_fine_as_that_needs(monkeypatch):
    """2 mm √(0.9/8) = 0.671: rounded down to 0.05 mm, it is within the limit at once."""
    law = square_law(8.0)
    asked = made_by(monkeypatch, lambda s, laid: law(s) <= CURVATURE_LIMIT, law)
    piece, (note,) = made()
    assert piece.valid
    assert [s for s, _ in asked] == pytest.approx([2.0, 0.65])
    assert "0.65 mm (net 2 of 3 at most)" in note.text


def test_one_estimate_that_was_too_coarse_is_followed_by_another(monkeypatch):
    """The residual falls with the spacing alone: 2 mm √(0.9/4), then that by √(0.9/1.9)."""
    asked = made_by(monkeypatch, lambda s, laid: s < 0.7, lambda s: 4.0 * CURVATURE_LIMIT * s / 2.0)
    piece, _ = made()
    assert piece.valid
    assert [s for s, _ in asked] == pytest.approx([2.0, 0.9, 0.6])


def test_a_narrow_bump_is_draped_as_finely_as_it_needs():
    """4 mm high, 6 mm wide, at 3 mm at first: the net given is within 0.05°; a spacing that the
    job gives is kept, refused, with a spacing that would do."""
    height = shapes.heightfield(
        lambda x, y: 4.0 * np.exp(-(x * x + y * y) / 36.0), 60.0, 50.0, 180, 150
    )
    region = sheet(height)
    flush = {e.name: 0.0 for e in region.edges}
    start = place(region, [9.0, 4.0, 0.0])
    options = PieceOptions(start, np.array([1.0, 0.3, 0.0]), flush, spacing=3.0)
    free = with_spacing(None)
    piece, (note,) = make_ply(region, options, free, None)
    assert piece.valid
    assert piece.checks.curvature <= CURVATURE_LIMIT
    assert 0.75 <= piece.options.spacing < 2.4
    assert f"made again at {piece.options.spacing:g} mm" in note.text
    given = with_spacing(3.0)
    refused, told = make_ply(region, options, given, None)
    assert (refused.valid, told) == (False, ())
    (finding,) = [f for f in check_findings(given, refused) if "curvature check" in f.text]
    fine = float(re.search(r"a spacing of ([\d.]+) mm", finding.remedy)[1])
    assert make_piece(region, replace(options, spacing=fine)).checks.curvature <= CURVATURE_LIMIT


def test_no_net_is_laid_finer_than_a_quarter(monkeypatch):
    """Asked for 0.47 mm it is 0.5; where 0.2 would be needed the curvature isn't smooth."""
    asked = made_by(monkeypatch, lambda s, laid: False, square_law(16.0 * 0.9))
    assert not made()[0].valid
    assert [s for s, _ in asked] == pytest.approx([2.0, 0.5])
    asked = made_by(monkeypatch, lambda s, laid: False, square_law(90.0))
    assert not made()[0].valid
    assert [s for s, _ in asked] == pytest.approx([2.0, 1.6, 1.2])


def test_a_spacing_that_the_job_gives_is_kept(monkeypatch):
    asked = made_by(monkeypatch, lambda spacing, laid: spacing < 2.0)
    piece, told = made(spacing=2.0)
    assert not piece.valid
    assert (told, asked) == ((), [(2.0, False)])


def test_where_no_net_helps_the_first_is_told_of(monkeypatch):
    made_by(monkeypatch, lambda spacing, laid: False)
    assert made()[0].spacing == 2.0
    made_by(monkeypatch, lambda spacing, laid: None)
    with pytest.raises(AccuracyError, match="can't be had"):
        made()


@pytest.mark.parametrize("there", [False, None])
def test_straight_on_where_the_other_half_cant_be_had(monkeypatch, there):
    made_by(monkeypatch, lambda spacing, laid: there if laid else spacing < 1.9)
    piece, (note, warning) = made(laid=BED)
    assert (piece.laid, piece.spacing, note.level) == (False, 1.6, "note")
    why = "its checks fail" if there is False else "can't be had (2)"
    assert warning.level == "risk"
    assert np.isnan(piece.checks.outline)  # and so how far its edges may be off
    assert warning.text.endswith(f"not laid on the other half: {why}")


def test_no_piece_there_and_a_refused_one_straight_on(monkeypatch):
    """Better a piece that says what is wrong with it than none."""
    made_by(monkeypatch, lambda spacing, laid: None if laid else False)
    piece, (warning,) = made(laid=BED)
    assert (piece.laid, piece.valid, warning.level) == (False, False, "risk")


def test_refused_either_way_stays_on_the_other_half(monkeypatch):
    made_by(monkeypatch, lambda spacing, laid: False)
    piece, told = made(laid=BED)
    assert (piece.laid, told) == (True, ())


def test_no_piece_either_way_tells_of_the_other_half(monkeypatch):
    made_by(monkeypatch, lambda spacing, laid: None)
    with pytest.raises(AccuracyError, match=r"can't be had.*shorter laps"):
        made(laid=BED)


def test_a_finer_net_is_laid_on_the_same_surface(monkeypatch):
    """Past the edges too; only a coarse net needs more of it, to hold its rim."""
    piece = demo_results().plies[0].piece
    coarse = replace(piece, options=replace(piece.options, spacing=4.0))
    calls, whole = [], drape.layup.piece.extend
    monkeypatch.setattr(
        drape.layup.piece, "extend", lambda *a, **k: calls.append(a) or whole(*a, **k)
    )
    again = make_piece(piece.region, piece.options, like=piece)
    assert (again.extended is piece.extended, calls) == (True, [])
    assert again.outlines[0].points == pytest.approx(piece.outlines[0].points, abs=1e-9)
    made = make_piece(piece.region, replace(piece.options, spacing=2.0), like=coarse)
    assert (made.extended is piece.extended, len(calls)) == (False, 1)


def test_places_are_told_without_minus_zero():
    assert place_text((12.34, -0.04, -3.0), 1) == "12.3, 0.0, -3.0"
    assert place_text((0.4, -0.4, -0.6)) == "0, 0, -1"
