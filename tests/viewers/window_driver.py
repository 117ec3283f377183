"""The window of a job, for a test that clicks in it: ``python window_driver.py JOB``.

Prints where, from the window's upper left, a place of the first ply is (``aim x y``), and
that place; then what the window tells. The last ply is shown as one that couldn't be draped.
"""

import sys

import numpy as np

from drape import pipeline
from drape.job.job import load_job
from viewers.scene.ply import bare_ply
from viewers.scene.scene import make_scene
from viewers.solid.window import SHARE, SIZE, Window
from viewers.trials import Trials


def say(text):
    print(text, flush=True)


def pixel(camera, point):
    """Where a point is in the part's side of the window, from the upper left."""
    width, height = SHARE * SIZE[0], SIZE[1]
    matrix = camera.GetCompositeProjectionTransformMatrix(width / height, -1.0, 1.0)
    x, y, _, w = matrix.MultiplyPoint((*point, 1.0))
    return round(0.5 * (1.0 + x / w) * width), round(0.5 * (1.0 - y / w) * height)


def main(path):
    results = pipeline.run(load_job(path), jobs=1)
    scene = make_scene(results)
    scene["plies"][-1] = bare_ply(results.plies[-1].ply)
    window = Window(scene, Trials(results), say)
    sheet = window.ply["sheet"]
    middle = np.argmin(np.linalg.norm(sheet["flat"] - [12.0, -9.0], axis=1))
    point = sheet["points"][middle]
    x, y = pixel(window.plotter.renderers[0].camera, point)
    say(f"aim {x} {y} {' '.join(map(str, point))}")
    window.show()


if __name__ == "__main__":
    main(sys.argv[1])
