"""Pictures of a scene's plies as PNG, drawn without a screen in a process of its own.

Where no GL library can be loaded VTK ends its process rather than raising; here that costs
the pictures alone, and a finding says what to install.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from drape.errors import Finding
from viewers.packing import packed

TIMEOUT = 300.0  # seconds for all pictures of a job
# Ways of drawing without a screen that VTK has, each with the Debian package it needs.
WAYS = {"vtkOSOpenGLRenderWindow": "libosmesa6", "vtkEGLRenderWindow": "libegl1"}


def pictures(
    scene: Mapping[str, Any], ways: Sequence[str] = tuple(WAYS)
) -> tuple[dict[int, bytes], tuple[Finding, ...]]:
    """PNG of each ply by its place in the scene, and a finding where there can be none.

    Parameters
    ----------
    scene : as ``viewers.scene.make_scene`` gives it
    ways : names of VTK's render windows, tried in turn
    """
    wanted = [k for k, ply in enumerate(scene["plies"]) if ply["sheet"] is not None]
    if not wanted:
        return {}, ()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "scene.json"
        file.write_text(json.dumps(packed(dict(scene)), allow_nan=False), encoding="utf-8")
        for way in ways:
            if _drawn(file, Path(folder), way):
                found = {k: Path(folder) / f"{k}.png" for k in wanted}
                return {k: path.read_bytes() for k, path in found.items()}, ()
    names = " or ".join(WAYS.values())
    message = "no pictures of the plies: nothing here can draw without a screen"
    return {}, (Finding("note", "pictures", message, f"install Debian's package {names}"),)


def _drawn(file: Path, folder: Path, way: str) -> bool:
    """Whether a process of its own drew all of them this way."""
    command = [sys.executable, "-m", "viewers.render", str(file), str(folder)]
    environment = {**os.environ, "VTK_DEFAULT_OPENGL_WINDOW": way}
    try:
        done = subprocess.run(
            command, env=environment, timeout=TIMEOUT, capture_output=True, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return False
    return done.returncode == 0
