"""How far long work is, on a terminal; and what is imported for it, out of the way."""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from drape.compiling import machine


@contextmanager
def to_stay() -> Iterator[None]:
    """What is imported within stays: no collection of garbage looks through it, then or later."""
    if not gc.isenabled():
        yield
        return
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()


@contextmanager
def progress(
    quiet: bool, say: Callable[[str], None]
) -> Iterator[Callable[[str, int, int], None] | None]:
    """What the pipeline reports progress to: a bar a stage, on a terminal only.

    Where there is none a line still says that kernels are being compiled: it takes a while.
    """
    if quiet or not sys.stderr.isatty():
        told: set[str] = set()

        def tell(what: str, _done: int, _total: int) -> None:
            if what not in told:
                told.add(what)
                say(what)

        with _compiling_told(None if quiet else tell):
            yield None
        return
    from rich import progress as rich
    from rich.console import Console

    columns = (
        rich.TextColumn("{task.description}"),
        rich.BarColumn(),
        rich.MofNCompleteColumn(),
        rich.TimeElapsedColumn(),
    )
    with rich.Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, Any] = {}

        def report(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(stage, total=total)
            bars.update(tasks[stage], completed=done, total=total)

        with _compiling_told(report):
            yield report


@contextmanager
def _compiling_told(listener: Callable[[str, int, int], None] | None) -> Iterator[None]:
    """Have it told how far the compiling of kernels is, should they have to be compiled."""
    machine.listener = listener
    try:
        yield
    finally:
        machine.listener = None
