"""numba's types of kernels' arguments, and its code for the local arrays of ``compiling.words``."""

from __future__ import annotations

import functools
import math
from typing import Any

import llvmlite.ir as ir
import numpy as np
from numba.core import types
from numba.extending import lower_builtin, type_callable
from numba.np import arrayobj

from drape.compiling import words
from drape.compiling.signature import Array, Declared, Group, Kind

NUMBERS = {"int64": types.int64, "float64": types.float64, "bool": types.boolean}
ELEMENTS = {**NUMBERS, "int32": types.int32, "int8": types.int8}


def type_of(kind: Kind) -> Any:
    """numba's type of an argument."""
    if isinstance(kind, Group):
        items = tuple(type_of(item) for item in kind.items)
        return types.BaseTuple.from_types(items, kind.made_by)
    if isinstance(kind, Array):
        return types.Array(ELEMENTS[kind.dtype], kind.axes, "C")
    return NUMBERS[kind.dtype]


def types_of(kernel: Declared) -> tuple[Any, tuple[Any, ...]]:
    """numba's types of a kernel's result and arguments."""
    signature = kernel.signature
    result = types.none if signature.result is None else type_of(signature.result)
    return result, tuple(type_of(kind) for kind in signature.arguments)


@functools.cache
def register_words() -> None:
    """Tell numba what the local arrays of ``compiling.words`` are: memory of the caller's."""
    for function, dtype, axes in (
        (words.local_vector, types.float64, 1),
        (words.local_matrix, types.float64, 2),
        (words.local_indices, types.int64, 1),
    ):
        _register_local(function, dtype, axes)


def _register_local(function: Any, dtype: Any, axes: int) -> None:
    def result(*sizes: Any) -> Any:
        constant = all(isinstance(size, types.IntegerLiteral) for size in sizes)
        return types.Array(dtype, axes, "C") if constant else None

    @type_callable(function)
    def typed(_context: Any) -> Any:
        return (lambda n: result(n)) if axes == 1 else (lambda n, m: result(n, m))

    @lower_builtin(function, *[types.IntegerLiteral] * axes)
    def lowered(context: Any, builder: Any, signature: Any, _arguments: Any) -> Any:
        shape = [size.literal_value for size in signature.args]
        element = context.get_data_type(dtype)
        with builder.goto_entry_block():
            memory = builder.alloca(ir.ArrayType(element, math.prod(shape)))
            memory.align = 16
        data = builder.bitcast(memory, element.as_pointer())
        return array_on(context, builder, signature.return_type, data, shape)


def array_on(context: Any, builder: Any, array_type: Any, data: Any, shape: list[Any]) -> Any:
    """A C-contiguous array struct on ``data``; lengths are numbers or LLVM values."""
    lengths = [context.get_constant(types.intp, n) if isinstance(n, int) else n for n in shape]
    itemsize = context.get_constant(types.intp, np.dtype(str(array_type.dtype)).itemsize)
    strides: list[Any] = []
    step = itemsize
    for length in reversed(lengths):
        strides.insert(0, step)
        step = builder.mul(step, length)
    out = context.make_array(array_type)(context, builder)
    arrayobj.populate_array(
        out, data=data, shape=lengths, strides=strides, itemsize=itemsize, meminfo=None
    )
    return out._getvalue()
