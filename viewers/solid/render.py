"""Draws the plies of a packed scene as PNG files: ``python -m viewers.solid.render SCENE FOLDER``.

Run by ``viewers.solid.pictures`` in a process of its own: where no GL library can be loaded, VTK
ends the process rather than raising.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pyvista as pv
from PIL import Image

from viewers.scene.colours import Colour
from viewers.scene.packing import unpacked
from viewers.scene.schema import DrapedPly, Scene
from viewers.solid import drawing
from viewers.solid.bar import with_bar

SIZE = (1200, 800)
QUICK = 1  # of zlib: whoever keeps a picture packs it anew


@contextmanager
def canvas(size: tuple[int, int] = SIZE) -> Iterator[Any]:
    """A plotter without a screen, for any number of pictures: each one's shaders take time."""
    plotter: Any = pv.Plotter(off_screen=True, window_size=list(size), lighting="light kit")
    try:
        plotter.set_background(Colour.PAPER)
        plotter.enable_anti_aliasing("ssaa")
        yield plotter
    finally:
        plotter.close()


def picture(plotter: Any, scene: Scene, ply: DrapedPly) -> Image.Image:
    """One ply in its half of the mould, with the bar of its shear below."""
    plotter.suppress_rendering = True  # else every line that is added draws all of it
    drawing.clear_ply(plotter)
    drawing.show_mould(plotter, drawing.half_of(scene, ply))
    drawing.show_ply(plotter, ply, scene["range_deg"])
    drawing.show_runs(plotter, scene["runs"])
    drawing.look_into(plotter, ply["view"], ply["sheet"]["points"])
    plotter.suppress_rendering = False
    plotter.render()
    pixels = np.asarray(plotter.screenshot(return_img=True))
    return with_bar(Image.fromarray(pixels), scene, ply)


def main(scene_file: str, folder: str) -> int:
    """Write ``<number>.png`` for each ply that has a sheet and none yet, each whole or not."""
    scene: Scene = unpacked(json.loads(Path(scene_file).read_text(encoding="utf-8")))
    with canvas() as plotter:
        for number, ply in enumerate(scene["plies"]):
            path = Path(folder) / f"{number}.png"
            if ply["sheet"] is not None and not path.exists():
                part = path.with_suffix(".part")
                picture(plotter, scene, ply).save(part, format="png", compress_level=QUICK)
                part.replace(path)
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
