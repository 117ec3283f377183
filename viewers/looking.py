"""Looking at a job's results: the window, or the page served on this machine."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable

from drape.errors import InputError
from drape.pipeline import Results
from viewers.page.live import serve
from viewers.scene.scene import make_scene
from viewers.solid.window import Window
from viewers.trials import Trials

Report = Callable[[str], None]
PROBE = (
    "import pyvista; p = pyvista.Plotter(window_size=[64, 64]); "
    "p.show(auto_close=True, interactive=False)"
)
PATIENCE = 60.0  # seconds


def check_screen() -> None:
    """Open a small window in a process of its own: without a screen or a GL library VTK ends
    the process that tries.

    Raises
    ------
    InputError
        No window can be opened here.
    """
    no_display = sys.platform.startswith("linux") and not os.environ.get("DISPLAY")
    if no_display or not _opened():
        raise InputError(
            "no window can be opened here",
            remedy="use 'view JOB --page', or install Debian's package libgl1",
        )


def _opened() -> bool:
    command = [sys.executable, "-P", "-c", PROBE]  # -P: nothing of the folder one stands in
    try:
        done = subprocess.run(command, timeout=PATIENCE, capture_output=True, check=False)
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0


def show_window(results: Results, report: Report) -> None:
    """The window; returns when it is closed."""
    Window(make_scene(results), Trials(results), report).show()


def show_page(results: Results, report: Report) -> None:
    """The page on this machine, until interrupted."""

    def opened(address: str) -> None:
        report(f"Open {address}")
        report("Only this machine can open it. Press Ctrl+C to stop.")

    serve(make_scene(results), Trials(results), opened)
