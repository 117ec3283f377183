"""Errors and findings: one line each, and what is said of several things is said once."""

from __future__ import annotations

import pytest

from drape.errors import (
    AccuracyError,
    Finding,
    InputError,
    InputErrors,
    as_place,
    merged,
    place_text,
    plain,
    raise_any,
)


def test_an_error_is_one_line_whatever_it_was_given():
    error = InputError(
        "is\nodd", value="a\tb", limit="1 to 2", remedy="mend it", where="job.toml, line 3"
    )
    assert error.line() == str(error)
    assert error.line() == "job.toml, line 3: is odd; got a b; allowed: 1 to 2; mend it"
    assert InputError("is odd").line() == "is odd"
    assert InputError("is odd", value=0).line() == "is odd; got 0"


def test_an_error_elsewhere_is_the_same_error():
    error = InputError("is odd", value=3, limit="2", remedy="mend it", where="here").at("there")
    assert type(error) is InputError
    assert error.line() == str(error) == "there: is odd; got 3; allowed: 2; mend it"


def test_elsewhere_an_error_keeps_what_it_holds():
    both = InputErrors([InputError("a", where="x"), InputError("b")]).at("there")
    assert [e.line() for e in both.errors] == ["there: a", "there: b"]
    half_done = AccuracyError("too coarse", partial="a net").at("there")
    assert (half_done.partial, half_done.line()) == ("a net", "there: too coarse")


def test_one_error_is_raised_by_itself_and_several_together():
    one, other = InputError("a", where="x"), InputError("b")
    raise_any([])
    with pytest.raises(InputError) as caught:
        raise_any([one])
    assert caught.value is one
    with pytest.raises(InputErrors) as caught:
        raise_any([one, other])
    assert caught.value.errors == (one, other)
    assert str(caught.value) == "x: a | b"


def test_findings_alike_are_merged_where_the_first_stood():
    found = [
        Finding("risk", ("A-B.1", "lower-1"), "thick", "thin it"),
        Finding("note", ("bag",), "none"),
        Finding("risk", ("A-B.1", "lower-2"), "thick", "thin it"),
        Finding("risk", ("lower-2",), "thick", "another remedy"),
        Finding("note", ("lower-2",), "thick", "thin it"),
    ]
    assert [f.line() for f in merged(found)] == [
        "risk: A-B.1, lower-1, lower-2: thick; thin it",
        "note: bag: none",
        "risk: lower-2: thick; another remedy",
        "note: lower-2: thick; thin it",
    ]
    assert merged(found)[0].about == ("A-B.1", "lower-1", "lower-2")


def test_pairs_stay_apart_and_one_alone_keeps_its_place():
    pairs = [Finding("risk", ("A-B.1", f"lower-{k}", f"upper-{k}"), "butt") for k in (1, 2)]
    assert merged(pairs) == tuple(pairs)
    there = Finding("risk", ("lower-1",), "locked", place=(1.0, 2.0, 3.0))
    other = Finding("risk", ("lower-2",), "locked", place=(4.0, 5.0, 6.0))
    assert merged([there])[0].place == (1.0, 2.0, 3.0)
    assert merged([there, other])[0].place is None


def test_places():
    assert as_place([1, 2.5, -3]) == (1.0, 2.5, -3.0)
    assert place_text([11.6, 0.2, -0.3]) == "12, 0, 0"  # never -0
    assert place_text([1.25, -0.04, 2.0], 1) == "1.2, 0.0, 2.0"


def test_plain_text_has_no_control_characters():
    assert plain("a\x00b \t\n c\u2028d\ud800e  ") == "a b c d e"
    assert plain("größe, 45°") == "größe, 45°"
