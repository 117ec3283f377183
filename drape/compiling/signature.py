"""A kernel's signature: its annotations as a small tree of kinds.

An argument is an ``Array``, a ``Scalar`` or a ``Group`` (a tuple or NamedTuple) of these.
"""

from __future__ import annotations

import typing
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np

from drape.compiling.words import Layout

SCALARS = {int: "int64", float: "float64", bool: "bool"}


@dataclass(frozen=True)
class Scalar:
    """A number: ``dtype`` is int64, float64 or bool."""

    dtype: str


@dataclass(frozen=True)
class Array:
    """A C-contiguous array of ``axes`` axes."""

    dtype: str
    axes: int


@dataclass(frozen=True)
class Group:
    """A tuple, or a NamedTuple of class ``made_by`` with these ``fields``."""

    items: tuple[Kind, ...]
    made_by: type | None = None
    fields: tuple[str, ...] = ()


Kind = Scalar | Array | Group


@dataclass(frozen=True)
class Signature:
    """Names and kinds of the arguments; the result's kind, None where there is none."""

    names: tuple[str, ...]
    arguments: tuple[Kind, ...]
    result: Kind | None


class Declared(Protocol):
    """What has a signature: a kernel, as those see it who needn't know how it is called."""

    function: Callable[..., Any]
    name: str

    def __hash__(self) -> int:
        """Kernels are told apart by themselves."""

    @property
    def signature(self) -> Signature:
        """Kinds of its arguments and result."""


def kind_of(hint: Any, where: str) -> Kind:
    """The kind that an annotation means.

    Raises
    ------
    TypeError
        The annotation is none of the words of ``compiling.words``.
    """
    if hint in SCALARS:
        return Scalar(SCALARS[hint])
    for layout in getattr(hint, "__metadata__", ()):
        if isinstance(layout, Layout):
            return Array(layout.dtype, layout.axes)
    if typing.get_origin(hint) is tuple:
        return Group(tuple(kind_of(item, where) for item in typing.get_args(hint)))
    if isinstance(hint, type) and hasattr(hint, "_fields"):
        hints = typing.get_type_hints(hint, include_extras=True)
        items = tuple(kind_of(hints[f], f"{where}.{f}") for f in hint._fields)
        return Group(items, hint, hint._fields)
    raise TypeError(f"{where}: {hint!r} is no kind of argument that kernels know")


def signature_of(function: Callable[..., Any]) -> Signature:
    """The signature that a kernel's annotations declare."""
    hints = typing.get_type_hints(function, include_extras=True)
    names = tuple(function.__code__.co_varnames[: function.__code__.co_argcount])
    where = f"{function.__module__}.{function.__qualname__}"
    missing = [name for name in (*names, "return") if name not in hints]
    if missing:
        raise TypeError(f"{where}: no annotation of {', '.join(missing)}")
    result = hints["return"]
    return Signature(
        names,
        tuple(kind_of(hints[name], f"{where}, {name}") for name in names),
        None if result in (None, type(None)) else kind_of(result, f"{where}, result"),
    )


def leaves(kind: Kind) -> list[Scalar | Array]:
    """The numbers and arrays of a kind, in order."""
    if isinstance(kind, Group):
        return [leaf for item in kind.items for leaf in leaves(item)]
    return [kind]


def words_of(kind: Kind) -> int:
    """How many words of 8 bytes an argument takes where it is handed over: see ``calling``."""
    return sum(1 + leaf.axes if isinstance(leaf, Array) else 1 for leaf in leaves(kind))


def itemsize(array: Array) -> int:
    """Bytes of an element."""
    return np.dtype(array.dtype).itemsize
