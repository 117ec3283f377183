"""From kernels in Python to LLVM's code, by numba's front end alone.

numba's own way links every callee's code into each caller, optimises and emits it anew, so
that a chain of kernels costs the square of its length. Here each kernel is typed and lowered
once, for its one declared signature, with the kernels that it calls left as declarations; all
are joined into one module afterwards (``compiling.llvm``). An entry gets a wrapper that takes
its arguments from a row of words (``compiling.calling``).

This leans on numba's inner parts: ``compile_extra`` with ``no_compile``, a code library that
keeps the text instead of linking it, templates for callees. Proved with numba 0.61 to 0.68;
where anything of it is missing or differs, kernels are compiled the ordinary way
(``compiling.ordinary``), and their nets are the same.
"""

from __future__ import annotations

import hashlib
import inspect
import re
import types as python_types
from collections.abc import Iterator
from typing import Any

import llvmlite.ir as ir
import numba
import numpy as np
from numba.core import cgutils, compiler, funcdesc, typing
from numba.core.codegen import CPUCodeLibrary
from numba.core.compiler_lock import global_compiler_lock
from numba.core.registry import cpu_target
from numba.core.typing.templates import ConcreteTemplate

from drape.compiling import llvm
from drape.compiling.frontend_types import array_on, register_words, types_of
from drape.compiling.kernel import Kernel
from drape.compiling.llvm import WRAPPER
from drape.compiling.signature import Array, Group, Kind
from drape.compiling.sources import handed_over_digest

PREFIX = "plywright."


class TextLibrary(CPUCodeLibrary):
    """Keeps what is lowered as text; links and compiles nothing."""

    def __init__(self, codegen: Any, name: str) -> None:
        super().__init__(codegen, name)
        self.texts: list[str] = []
        self.own: list[Any] = []

    def add_ir_module(self, ir_module: Any) -> None:
        """Keep a module's text."""
        self.texts.append(str(ir_module))

    def add_linking_library(self, library: Any) -> None:
        """numba's own functions (max, int, …) are kept; kernels that are called aren't linked."""
        if not any(library is known for known in self.own):
            self.own.append(library)

    def finalize(self) -> None:
        """Nothing is left to do."""
        self._finalized = True


class FrontEnd:
    """Lowers kernels to LLVM's text, each for itself."""

    def __init__(self, kernels: dict[str, Kernel]) -> None:
        self.kernels = kernels
        self.typing, self.target = cpu_target.typing_context, cpu_target.target_context
        self.typing.refresh()
        self.target.refresh()
        register_words()
        self.typing.refresh()
        self.target.refresh()
        self.described = {name: self._declare(kernel) for name, kernel in kernels.items()}

    def _declare(self, kernel: Kernel) -> Any:
        """Make a kernel known to others by its signature; its descriptor."""
        result, arguments = types_of(kernel)
        symbol = PREFIX + kernel.name
        described = funcdesc.FunctionDescriptor(
            native=True,
            modname=kernel.function.__module__,
            qualname=kernel.function.__qualname__,
            unique_name=symbol,
            doc="",
            typemap={},
            restype=result,
            calltypes={},
            args=list(kernel.signature.names),
            kws=(),
            mangler=lambda *_args, **_kws: symbol,
            argtypes=arguments,
        )
        template = type(
            "Called", (ConcreteTemplate,),
            {"key": kernel, "cases": [typing.signature(result, *arguments)]},
        )  # fmt: skip
        self.typing.insert_user_function(kernel, template)
        self.target.insert_user_function(kernel, described)
        return described

    def lowered(self, kernel: Kernel) -> str:
        """The LLVM text of one kernel, and of its wrapper if it is an entry."""
        flags: Any = compiler.Flags()
        flags.nrt = False
        flags.no_compile = flags.no_cpython_wrapper = flags.no_cfunc_wrapper = True
        flags.error_model = "numpy"
        result, arguments = types_of(kernel)
        library = TextLibrary(self.target.codegen(), kernel.name)
        made = compiler.compile_extra(
            self.typing, self.target, kernel.function, arguments, result, flags, {}, library=library
        )
        if len(library.texts) != 1:
            raise RuntimeError(f"{kernel.name}: {len(library.texts)} modules")
        module = llvm.parsed(library.texts[0])
        with global_compiler_lock:
            for own in library.own:
                module.link_in(own._get_module_for_linking(), preserve=True)
        symbol = made.fndesc.mangled_name
        llvm.keep_only(module, lambda name: name == symbol)
        return _renamed(str(module), symbol, PREFIX + kernel.name)

    def wrapper(self, kernel: Kernel) -> str:
        """The LLVM text of an entry's wrapper."""
        result, arguments = types_of(kernel)
        module = self.target.codegen()._create_empty_module(kernel.name)
        word = ir.IntType(64)
        function = ir.Function(
            module, ir.FunctionType(ir.IntType(32), [word.as_pointer()]), WRAPPER + kernel.symbol
        )
        builder = ir.IRBuilder(function.append_basic_block())
        reader = _Words(self.target, builder, function.args[0])
        values = [
            reader.value(kind, of)
            for kind, of in zip(kernel.signature.arguments, arguments, strict=True)
        ]
        callee = self.target.declare_function(module, self.described[kernel.name])
        status, value = self.target.call_conv.call_function(
            builder, callee, result, arguments, values
        )
        if kernel.signature.result is not None:
            reader.put(kernel.signature.result, result, value)
        builder.ret(status.code)
        return (
            "\n".join(
                n for n in str(module).splitlines() if not n.startswith(("; ModuleID", "target "))
            )
            + "\n"
        )

    def key(self, kernel: Kernel) -> bytes:
        """Hash of all that a kernel's text depends on: 32 bytes."""
        digest = hashlib.sha256(f"{numba.__version__} {np.__version__}\n".encode())
        digest.update(handed_over_digest().encode())
        digest.update(f"{kernel.name}\n{inspect.getsource(kernel.function)}".encode())
        digest.update(repr(kernel.signature).encode())
        digest.update(repr(kernel.writes is None).encode())
        for name, value in _globals_of(kernel.function):
            if isinstance(value, Kernel):
                digest.update(f"{name}: {value.name} {value.signature!r}\n".encode())
            elif isinstance(value, python_types.FunctionType):  # its repr holds an address
                digest.update(f"{name}: {value.__module__}.{value.__qualname__}\n".encode())
            elif not isinstance(value, python_types.ModuleType):  # its parts are numpy's alone
                digest.update(f"{name} = {value!r}\n".encode())
        return digest.digest()


class _Words:
    """Reads arguments from a row of words and puts the result's numbers behind them."""

    def __init__(self, context: Any, builder: Any, row: Any) -> None:
        self.context, self.builder, self.row, self.place = context, builder, row, 0

    def _next(self) -> Any:
        at = self.builder.gep(self.row, [ir.IntType(64)(self.place)])
        self.place += 1
        return at

    def value(self, kind: Kind, of: Any) -> Any:
        """The next argument."""
        builder = self.builder
        if isinstance(kind, Group):
            parts = [self.value(k, t) for k, t in zip(kind.items, of.types, strict=True)]
            return self.context.make_tuple(builder, of, parts)
        word = builder.load(self._next())
        if isinstance(kind, Array):
            data = builder.inttoptr(word, self.context.get_data_type(of.dtype).as_pointer())
            shape = [builder.load(self._next()) for _ in range(kind.axes)]
            return array_on(self.context, builder, of, data, shape)
        if kind.dtype == "float64":
            return builder.bitcast(word, ir.DoubleType())
        if kind.dtype == "bool":
            return builder.icmp_unsigned("!=", word, ir.IntType(64)(0))
        return word

    def put(self, kind: Kind, of: Any, value: Any) -> None:
        """Store the result, number by number."""
        builder = self.builder
        if isinstance(kind, Group):
            each = zip(kind.items, of.types, cgutils.unpack_tuple(builder, value), strict=True)
            for item, part_type, part in each:
                self.put(item, part_type, part)
            return
        if kind.dtype == "float64":
            value = builder.bitcast(value, ir.IntType(64))
        elif kind.dtype == "bool":
            value = builder.zext(value, ir.IntType(64))
        builder.store(value, self._next())


def _renamed(text: str, symbol: str, name: str) -> str:
    """A kernel's text under its own name, with nothing that differs from run to run.

    numba numbers what it compiles, and the numbers are part of its names.
    """
    text = text.replace(symbol, name)
    numbers: dict[str, int] = {}

    def new(match: re.Match[str]) -> str:
        return f"@{name}.own{numbers.setdefault(match[1], len(numbers))}"

    text = re.sub(r"@(_ZN[\w.$]+)", new, text)
    return re.sub(r"^(; ModuleID|source_filename|target ).*\n", "", text, flags=re.MULTILINE)


def _globals_of(function: Any) -> Iterator[tuple[str, Any]]:
    """Names and values of the globals that a function's code names."""
    for name in sorted(set(function.__code__.co_names)):
        if name in function.__globals__:
            yield name, function.__globals__[name]
