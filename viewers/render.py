"""Draws the plies of a packed scene as PNG files: ``python -m viewers.render SCENE FOLDER``.

Run by ``viewers.pictures`` in a process of its own: where no GL library can be loaded, VTK
ends the process rather than raising.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyvista as pv
from PIL import Image

from viewers.bar import with_bar
from viewers.drawing3d import PAPER, half_of, look_in, show_mould, show_ply, show_runs
from viewers.packing import unpacked

SIZE = (1200, 800)
Picture = Image.Image


def picture(
    scene: dict[str, Any], ply: dict[str, Any], size: tuple[int, int] = SIZE
) -> Image.Image:
    """One ply in its half of the mould, with the bar of its shear below."""
    plotter: Any = pv.Plotter(off_screen=True, window_size=list(size), lighting="light kit")
    try:
        plotter.set_background(PAPER)
        show_mould(plotter, half_of(scene, ply))
        show_ply(plotter, ply, scene["range_deg"])
        show_runs(plotter, scene["runs"])
        look_in(plotter, ply)
        plotter.enable_anti_aliasing("ssaa")
        pixels = np.asarray(plotter.screenshot(return_img=True))
    finally:
        plotter.close()
    return with_bar(Image.fromarray(pixels), scene, ply)


def main(scene_file: str, folder: str) -> int:
    """Write ``<number>.png`` for each ply that has a sheet and none yet, each whole or not."""
    scene = unpacked(json.loads(Path(scene_file).read_text(encoding="utf-8")))
    for number, ply in enumerate(scene["plies"]):
        path = Path(folder) / f"{number}.png"
        if ply["sheet"] is not None and not path.exists():
            part = path.with_suffix(".part")
            picture(scene, ply).save(part, format="png", optimize=True)
            part.replace(path)
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
