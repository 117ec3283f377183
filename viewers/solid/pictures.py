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
from collections.abc import Sequence
from pathlib import Path

from drape.errors import Finding
from viewers.scene.packing import packed
from viewers.scene.schema import Scene

TIMEOUT = 120.0  # seconds for a picture; software GL on a loaded machine takes ten
# Ways of drawing without a screen that VTK has, each with the Debian package it needs.
WAYS = {"vtkOSOpenGLRenderWindow": "libosmesa6", "vtkEGLRenderWindow": "libegl1"}


def pictures(
    scene: Scene, ways: Sequence[str] = tuple(WAYS)
) -> tuple[dict[int, bytes], tuple[Finding, ...]]:
    """PNG of each ply by its place in the scene, and a finding where one is missing.

    Parameters
    ----------
    scene : as ``viewers.scene.scene.make_scene`` gives it
    ways : names of VTK's render windows, tried in turn
    """
    wanted = [k for k, ply in enumerate(scene["plies"]) if ply["sheet"] is not None]
    if not wanted:
        return {}, ()
    ends: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "scene.json"
        file.write_text(json.dumps(packed(scene), allow_nan=False), encoding="utf-8")
        files = {k: Path(folder) / f"{k}.png" for k in wanted}
        for way in ways:
            ends.append(_draw(file, Path(folder), way, TIMEOUT * len(wanted)))
            if all(path.exists() for path in files.values()):
                break
        drawn = {k: path.read_bytes() for k, path in files.items() if path.exists()}
    return drawn, () if len(drawn) == len(wanted) else (_missing(len(drawn), len(wanted), ends),)


def _missing(drawn: int, wanted: int, ends: Sequence[str]) -> Finding:
    names = " or ".join(WAYS.values())
    causes = "; ".join(dict.fromkeys(ends))
    return Finding(
        "note",
        ("pictures",),
        f"{drawn or 'none'} of {wanted} pictures of the plies could be drawn ({causes})",
        f"where nothing can draw without a screen, install Debian's package {names}",
    )


def _draw(file: Path, folder: Path, way: str, limit: float) -> str:
    """Draw them in a process of its own, those that aren't there yet; how it ended."""
    # -P: a module of the same name in the folder one stands in is none of ours
    command = [sys.executable, "-P", "-m", "viewers.solid.render", str(file), str(folder)]
    environment = {**os.environ, "VTK_DEFAULT_OPENGL_WINDOW": way}
    try:
        done = subprocess.run(
            command, env=environment, timeout=limit, capture_output=True, check=False
        )
    except subprocess.TimeoutExpired:
        return f"not done after {limit:.0f} s"
    except OSError as error:
        return f"{error}"
    last = done.stderr.decode("utf-8", "replace").strip().splitlines()[-1:]
    return last[0][:200] if last else f"ended with {done.returncode}"
