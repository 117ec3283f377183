"""Annotations of kernels → kinds of arguments (compiling/signature, compiling/words)."""

from typing import NamedTuple

import pytest

from drape.compiling.signature import Array, Group, Scalar, leaves, signature_of, words_of
from drape.compiling.words import Floats1, Floats3, Ints32x2


class Pair(NamedTuple):
    rows: Floats3
    count: int


def example(a: int, b: Floats1, c: Pair, d: tuple[float, bool]) -> tuple[int, float]:
    return a, d[0]


def test_each_word_becomes_its_kind():
    signature = signature_of(example)
    assert signature.names == ("a", "b", "c", "d")
    assert signature.arguments == (
        Scalar("int64"),
        Array("float64", 1),
        Group((Array("float64", 3), Scalar("int64")), Pair, ("rows", "count")),
        Group((Scalar("float64"), Scalar("bool"))),
    )
    assert signature.result == Group((Scalar("int64"), Scalar("float64")))


def test_words_are_counted_by_hand():
    """An address and a length an axis for arrays, one for numbers."""
    assert words_of(Scalar("bool")) == 1
    assert words_of(Array("float64", 3)) == 4
    assert sum(words_of(kind) for kind in signature_of(example).arguments) == 1 + 2 + 5 + 2
    assert leaves(signature_of(example).arguments[2])[1] == Scalar("int64")


def test_no_result_is_none():
    def nothing(a: Ints32x2) -> None: ...

    assert signature_of(nothing).result is None


def no_annotation(a: int, b) -> None: ...


def no_result(a: int): ...


def unknown(a: str) -> None: ...


@pytest.mark.parametrize(
    ("function", "told"),
    [(no_annotation, "no annotation of b"), (no_result, "return"), (unknown, "a.*no kind")],
)
def test_what_is_missing_or_unknown_is_said(function, told):
    with pytest.raises(TypeError, match=told):
        signature_of(function)
