"""The decorators for compiled kernels.

``@kernel`` marks a function that other kernels call, ``@entry`` one that Python calls too (a
``@kernel`` that Python calls runs as Python). Both stay Python functions that can be read, and
run uncompiled where the environment variable PLYWRIGHT_KERNELS says ``python`` (for debugging;
slow). Nothing is compiled on import: the first call of an entry loads the machine code of all
kernels, or has it made.
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Callable
from typing import Any

from drape.compiling import machine
from drape.compiling.calling import PROTOTYPE, Caller
from drape.compiling.signature import Signature, signature_of

KERNELS: dict[str, Kernel] = {}  # all that were marked so far, by name


class Kernel:
    """A function that is compiled with all others of its kind.

    Attributes
    ----------
    function : the Python function
    name : module and name, without the package's
    writes : names of the arguments whose arrays it writes; None: not called from Python
    """

    def __init__(self, function: Callable[..., Any], writes: frozenset[str] | None) -> None:
        functools.update_wrapper(self, function)
        self.function, self.writes = function, writes
        self.name = f"{function.__module__}.{function.__qualname__}".removeprefix("drape.")
        self._run: Callable[..., Any] | None = None
        if self.name in KERNELS:
            raise TypeError(f"two kernels are called {self.name}")
        KERNELS[self.name] = self

    @functools.cached_property
    def signature(self) -> Signature:
        """Kinds of its arguments and result, from the annotations."""
        return signature_of(self.function)

    @functools.cached_property
    def symbol(self) -> str:
        """Its name and a hash of its signature: machine code for another one isn't found."""
        digest = hashlib.sha256(repr((self.signature, sorted(self.writes or ()))).encode())
        return f"{self.name}.{digest.hexdigest()[:12]}"

    @functools.cached_property
    def caller(self) -> Caller:
        """What checks and packs its arguments."""
        return Caller(self.name, self.signature, self.writes or frozenset())

    def __call__(self, *arguments: Any) -> Any:
        if self._run is None:
            self._run = self._chosen()
        return self._run(*arguments)

    def _chosen(self) -> Callable[..., Any]:
        """What runs it: machine code, numba's ordinary way, or Python."""
        if self.writes is None or machine.uncompiled():
            return self.function
        address = machine.address(self.symbol)
        if address is None:
            # slow to import, and needed only where machine code can't be had
            from drape.compiling.ordinary import run_ordinarily

            return run_ordinarily(self, self.caller)
        function, call = PROTOTYPE(address), self.caller.call
        return lambda *arguments: call(function, arguments)


def kernel(function: Callable[..., Any]) -> Any:
    """Mark a function that other kernels call."""
    return Kernel(function, None)


def entry(writes: str = "") -> Callable[[Callable[..., Any]], Any]:
    """Mark a kernel that Python calls; ``writes`` names the arguments it writes to."""
    return lambda function: Kernel(function, frozenset(writes.split()))
