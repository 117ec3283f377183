"""How compiled kernels are called: all arguments in one row of 8-byte words.

A number is a word; an array is the address of its data and its lengths; groups are written out.
The result's numbers follow the arguments. Machine code sees nothing but this row, so all that
it relies on is checked here: element type, number of axes, C order, alignment, and that what
it writes may be written.
"""

from __future__ import annotations

import ctypes
import operator
import struct
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from drape.compiling.signature import Array, Group, Kind, Scalar, Signature, leaves, words_of

LETTERS = {"int64": "q", "bool": "q", "float64": "d"}
FROM_WORD = {"int64": int, "bool": bool, "float64": float}
PROTOTYPE = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p)  # lets go of the interpreter's lock


class Caller:
    """Checks, packs and unpacks the arguments of one kernel.

    name : for messages
    signature : of the kernel
    writes : names of the arguments whose arrays it writes
    """

    def __init__(self, name: str, signature: Signature, writes: frozenset[str]) -> None:
        unknown = writes - set(signature.names)
        if unknown:
            raise TypeError(f"{name}: no arguments {', '.join(sorted(unknown))} to write")
        self.name, self.signature = name, signature
        self.written = tuple(n in writes for n in signature.names)
        letters = [
            "q" * words_of(leaf) if isinstance(leaf, Array) else LETTERS[leaf.dtype]
            for kind in signature.arguments
            for leaf in leaves(kind)
        ]
        results = [] if signature.result is None else leaves(signature.result)
        if not all(isinstance(leaf, Scalar) for leaf in results):
            raise TypeError(f"{name}: only numbers can be handed back")
        self.arguments = struct.Struct("=" + "".join(letters))
        self.results = struct.Struct("=" + "".join(LETTERS[leaf.dtype] for leaf in results))

    def call(self, function: Callable[[Any], int], arguments: Sequence[Any]) -> Any:
        """Hand ``arguments`` to machine code; its result."""
        arguments = self.checked(arguments)
        words: list[Any] = []
        for value, kind in zip(arguments, self.signature.arguments, strict=True):
            _add(words, value, kind)
        size = self.arguments.size
        row = ctypes.create_string_buffer(size + self.results.size)
        self.arguments.pack_into(row, 0, *words)
        status = function(ctypes.addressof(row))
        if status != 0:
            raise RuntimeError(f"kernel {self.name} ended with {status}")
        if self.signature.result is None:
            return None
        return _built(self.signature.result, list(self.results.unpack_from(row, size)))

    def checked(self, arguments: Sequence[Any]) -> list[Any]:
        """The arguments as the signature declares them.

        Arrays that are only read may lie in memory in any way; they are copied then.

        Raises
        ------
        TypeError
            One is not what the signature declares.
        """
        names = self.signature.names
        if len(arguments) != len(names):
            raise TypeError(f"{self.name} takes {len(names)} arguments, given: {len(arguments)}")
        each = zip(arguments, self.signature.arguments, names, self.written, strict=True)
        return [self._checked(*one) for one in each]

    def _checked(self, value: Any, kind: Kind, name: str, written: bool) -> Any:
        if isinstance(kind, Group):
            if not isinstance(value, tuple) or len(value) != len(kind.items):
                raise TypeError(f"{self.name}: {name} has to be a tuple of {len(kind.items)}")
            each = enumerate(zip(value, kind.items, strict=True))
            parts = [self._checked(part, item, f"{name}[{k}]", written) for k, (part, item) in each]
            return parts if kind.made_by is None else kind.made_by(*parts)
        if isinstance(kind, Scalar):
            return self._number(value, kind, name)
        fault = _fault(value, kind, written)
        if fault:
            wanted = f"{kind.dtype}, {kind.axes} axes{', contiguous' if written else ''}"
            raise TypeError(f"{self.name}: {name} has to be an array ({wanted}); {fault}")
        return (
            value
            if (value.flags.c_contiguous and value.flags.aligned)
            else np.array(value, order="C")
        )

    def _number(self, value: Any, kind: Scalar, name: str) -> Any:
        try:
            if kind.dtype == "bool" and isinstance(value, bool | np.bool_):
                return bool(value)
            if kind.dtype == "float64" and not isinstance(value, str):
                return float(value)
            if kind.dtype == "int64" and abs(operator.index(value)) < 1 << 63:
                return operator.index(value)
        except (TypeError, ValueError):
            pass
        given = f"{value!r:.40}"
        raise TypeError(f"{self.name}: {name} has to be a number ({kind.dtype}); given: {given}")


def _fault(value: Any, kind: Array, written: bool) -> str | None:
    """What keeps a value from being handed over as an array of this kind; None if nothing."""
    if not isinstance(value, np.ndarray):
        return f"given: {type(value).__name__}"
    if value.dtype != kind.dtype or value.ndim != kind.axes:
        return f"given: {value.dtype}, {value.ndim} axes"
    if not written:
        return None
    if not (value.flags.c_contiguous and value.flags.aligned):
        return "it isn't contiguous"
    return None if value.flags.writeable else "it is written, but read-only"


def _add(words: list[Any], value: Any, kind: Kind) -> None:
    """Append a checked argument's words."""
    if isinstance(kind, Group):
        for part, item in zip(value, kind.items, strict=True):
            _add(words, part, item)
    elif isinstance(kind, Array):
        words.append(value.__array_interface__["data"][0])
        words.extend(value.shape)
    else:
        words.append(value)


def _built(kind: Kind, words: list[Any]) -> Any:
    """The result from its numbers, which are taken out of ``words``."""
    if isinstance(kind, Group):
        parts = [_built(item, words) for item in kind.items]
        return tuple(parts) if kind.made_by is None else kind.made_by(*parts)
    return FROM_WORD[kind.dtype](words.pop(0))
