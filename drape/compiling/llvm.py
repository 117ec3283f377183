"""From the kernels' joined code to machine code for this processor, by llvmlite alone.

The joined code is one LLVM module: all kernels, internal but for the entries' wrappers. It goes
through the optimiser once and becomes one object file, which is kept and loaded.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import platform
import sys
from collections.abc import Callable
from functools import cache
from typing import Any

import llvmlite
import llvmlite.binding as llvm

LEVEL = 3  # of optimisation
WRAPPER = "plywright.entry."  # before an entry's name and the hash of its signature
# What machine code may call: the C library's. Anything else would be an address of nowhere.
EXTERNALS = frozenset(
    {"acos", "asin", "atan", "atan2", "ceil", "cos", "exp", "floor", "pow", "sin", "sqrt"}
)


@cache
def initialise() -> None:
    """Once a process."""
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()


@cache
def host() -> tuple[str, str]:
    """Name and features of this processor, as LLVM gives them."""
    return llvm.get_host_cpu_name(), llvm.get_host_cpu_features().flatten()


def machine_words() -> tuple[str, ...]:
    """All that an object file depends on, besides the code that it is made from."""
    version = ".".join(str(n) for n in llvm.llvm_version_info)
    python = f"{platform.python_implementation()} {sys.version_info.major}.{sys.version_info.minor}"
    system = (platform.system(), platform.machine(), *platform.libc_ver()[:1])
    abi = f"{sys.byteorder} {ctypes.sizeof(ctypes.c_void_p)}"
    options = f"O{LEVEL} vectorised, no contraction"
    return (llvmlite.__version__, version, python, *system, abi, *host(), options)


def _target_machine(any_processor: bool = False) -> Any:
    """For this processor, or for any of its kind."""
    initialise()
    target = llvm.Target.from_triple(llvm.get_process_triple())
    name, features = ("", "") if any_processor else host()
    x86 = llvm.Target.from_default_triple().name.startswith("x86")
    return target.create_target_machine(
        cpu=name,
        features=features,
        opt=LEVEL,
        reloc="static" if x86 else "default",
        codemodel="jitdefault",
        jit=True,
    )


def parsed(code: bytes | str) -> Any:
    """A module from bitcode or text, for this machine."""
    initialise()
    module = llvm.parse_bitcode(code) if isinstance(code, bytes) else llvm.parse_assembly(code)
    module.triple = llvm.get_process_triple()
    return module


def join(codes: list[bytes | str]) -> Any:
    """One module from those of all kernels; what is no entry's wrapper becomes internal."""
    whole = parsed("")
    for code in codes:
        whole.link_in(parsed(code))
    keep_only(whole, lambda name: name.startswith(WRAPPER))
    whole.verify()
    check_externals(whole)
    return whole


def keep_only(module: Any, visible: Callable[[str], bool]) -> None:
    """Make all functions of a module internal but those whose names are to be visible."""
    for function in module.functions:
        if not function.is_declaration and not visible(function.name):
            function.linkage = "internal"


def optimise(module: Any, any_processor: bool = False) -> None:
    """Run the optimiser over a module, in place; for this processor, or before that for any."""
    machine = _target_machine(any_processor)
    module.data_layout = str(machine.target_data)
    options = llvm.create_pipeline_tuning_options(speed_level=LEVEL)
    options.loop_vectorization = options.slp_vectorization = not any_processor
    builder = llvm.create_pass_builder(machine, options)
    builder.getModulePassManager().run(module, builder)


def emitted(module: Any) -> bytes:
    """The object file of a module."""
    return _target_machine().emit_object(module)


def check_externals(module: Any) -> None:
    """Raise LookupError where a module calls what isn't in the C library."""
    called = {f.name for f in module.functions if f.is_declaration}
    unknown = {n for n in called if not n.startswith("llvm.")} - EXTERNALS
    if unknown:
        raise LookupError(f"kernels call what isn't there: {', '.join(sorted(unknown))}")


class Loaded:
    """An object file in memory, ready to run; never let go of while the process lives."""

    def __init__(self, contents: bytes) -> None:
        machine = _target_machine()
        self._engine = llvm.create_mcjit_compiler(parsed(""), machine)
        self._engine.add_object_file(llvm.ObjectFileRef.from_data(contents))
        self._engine.finalize_object()

    def address(self, symbol: str) -> int:
        """Of the wrapper of an entry, by its symbol (``Kernel.symbol``).

        Raises
        ------
        LookupError
            There is none of that name.
        """
        found = self._engine.get_function_address(WRAPPER + symbol)
        if not found:
            raise LookupError(f"no entry {symbol}")
        return found
