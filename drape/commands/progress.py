"""Progress of long work on a terminal, and imports that the garbage collector passes over."""

from __future__ import annotations

import gc
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from drape.compiling import machine


@contextmanager
def to_stay() -> Iterator[None]:
    """Imports made within are never looked through by the garbage collector."""
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
    """What the pipeline reports progress to: one bar per stage, on a terminal only.

    Elsewhere one line still says that kernels are being compiled, since that takes a while.
    """
    if quiet or not sys.stderr.isatty():
        said: set[str] = set()

        def say_once(what: str, _done: int, _total: int) -> None:
            if what not in said:
                said.add(what)
                say(what)

        with _compiling_reported(None if quiet else say_once):
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

        with _compiling_reported(report):
            yield report


@contextmanager
def _compiling_reported(listener: Callable[[str, int, int], None] | None) -> Iterator[None]:
    """Report to the listener how far kernels are compiled, if they have to be."""
    machine.listener = listener
    try:
        yield
    finally:
        machine.listener = None
