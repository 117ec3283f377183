"""Rows of docs/speed.md on what is looked at: the page, pictures, another start."""

import shutil
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from drape import pipeline, publish
from drape.job.job import load_job
from viewers.page.webpage import page
from viewers.scene.scene import make_scene
from viewers.solid.pictures import pictures
from viewers.trials import Trials

FLAGS = ["--no-sandbox", "--use-gl=angle", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]


def rows():
    with tempfile.TemporaryDirectory() as folder:
        results = pipeline.run(load_job(publish.copy_demo(Path(folder))))
        scene = make_scene(results)
        content = page(scene)
        yield "`view.html` of the demo", f"{len(content) / 1e6:.2f} MB", "3 MB"
        trials = Trials(results)
        seconds = [
            _another_start(trials, scene, k)
            for k, ply in enumerate(results.plies)
            if ply.strip is None
        ]
        yield (
            "another start at 5 mm: net, outline, colours; the slowest ply of the demo",
            f"{max(seconds) * 1e3:.0f} ms",
            "120 ms",
        )
        start = time.perf_counter()
        images, _ = pictures({**scene, "plies": scene["plies"][:1]})
        if images:
            taken = time.perf_counter() - start
            yield "a picture without a screen, its process started for it", f"{taken:.1f} s", ""
        if shutil.which("chromium"):
            file = Path(folder) / "view.html"
            file.write_bytes(content)
            yield "`view.html` in Chromium, software GL, to its first picture", _opened(file), ""


def _another_start(trials, scene, ply):
    """Least of three, seconds."""
    start = scene["plies"][ply]["start"]["point"]
    times = []
    for angle in (10.0, 20.0, 30.0):
        begin = time.perf_counter()
        trials.scene(ply, tuple(start), angle)
        times.append(time.perf_counter() - begin)
    return min(times)


def _opened(file):
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        tab = browser.new_page()
        begin = time.perf_counter()
        tab.goto(file.as_uri())
        while not tab.evaluate("Boolean(window.plywright && window.plywright.ready)"):
            time.sleep(0.01)
        tab.evaluate("new Promise(r => requestAnimationFrame(() => requestAnimationFrame(r)))")
        seconds = time.perf_counter() - begin
        browser.close()
    return f"{seconds:.1f} s"
