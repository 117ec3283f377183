"""Draws the README's picture from the demo: ``python docs/picture.py``.

A ply in its half of the mould beside its flat pattern, both coloured by shear.
"""

import io
import tempfile
from pathlib import Path

import numpy as np
from PIL import Image

from drape import pipeline, publish
from drape.job.job import load_job
from viewers.flat_map import flat_map
from viewers.scene.scene import make_scene
from viewers.solid.pictures import pictures

PLY = 2  # place in the demo's list
HEIGHT, MARGIN = 560, 24  # pixels


def trimmed(png: bytes) -> Image.Image:
    """The picture without its empty border, on white, HEIGHT high."""
    image = Image.open(io.BytesIO(png)).convert("RGB")
    pixels = np.asarray(image).astype(int)
    drawn = np.abs(pixels - pixels[0, 0]).max(axis=2) > 8
    rows, columns = np.flatnonzero(drawn.any(axis=1)), np.flatnonzero(drawn.any(axis=0))
    box = (
        max(int(columns[0]) - MARGIN, 0),
        max(int(rows[0]) - MARGIN, 0),
        min(int(columns[-1]) + MARGIN, image.width),
        min(int(rows[-1]) + MARGIN, image.height),
    )
    part = image.crop(box)
    return part.resize((round(part.width * HEIGHT / part.height), HEIGHT), Image.Resampling.LANCZOS)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        results = pipeline.run(load_job(publish.copy_demo(Path(folder))))
    scene = make_scene(results)
    ply = scene["plies"][PLY]
    images, findings = pictures({**scene, "plies": [ply]})
    for finding in findings:
        raise SystemExit(f"{finding.text}; {finding.remedy}")
    flat = flat_map({**ply, "strokes": ()}, scene["range_deg"])
    both = [trimmed(png) for png in (images[0], flat)]
    picture = Image.new("RGB", (sum(p.width for p in both), HEIGHT), "white")
    left = 0
    for part in both:
        picture.paste(part, (left, 0))
        left += part.width
    picture.save(Path(__file__).with_name("ply.png"), optimize=True)


if __name__ == "__main__":
    main()
