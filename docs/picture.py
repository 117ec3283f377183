"""Draws the README's picture from the demo: ``python docs/picture.py``."""

import io
import tempfile
from pathlib import Path

from PIL import Image

from drape import pipeline, publish
from drape.job.job import load_job
from viewers.scene.scene import make_scene
from viewers.solid.pictures import pictures

PLY = 2  # place in the demo's list


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        results = pipeline.run(load_job(publish.copy_demo(Path(folder))))
    scene = make_scene(results)
    images, findings = pictures({**scene, "plies": scene["plies"][PLY : PLY + 1]})
    for finding in findings:
        raise SystemExit(f"{finding.message}; {finding.remedy}")
    picture = Image.open(io.BytesIO(images[0]))
    picture.save(Path(__file__).with_name("ply.png"), optimize=True)


if __name__ == "__main__":
    main()
