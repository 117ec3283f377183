"""The demo's scene, and a browser that says what it was asked for."""

import json
import shutil
import time

import pytest
from playwright.sync_api import sync_playwright
from scene_contract import SCENES

from viewers.scene.scene import make_scene

CHROMIUM = shutil.which("chromium")
# Software GL, and none of the browser's own traffic.
FLAGS = [
    "--no-sandbox", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--use-gl=angle",
    "--use-angle=swiftshader", "--enable-unsafe-swiftshader",
]  # fmt: skip


@pytest.fixture(scope="session")
def demo_scene(demo_results):
    return make_scene(demo_results)


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        pytest.skip("needs Chromium: Debian's package chromium")
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield chromium
        chromium.close()


class Watched:
    """A page of the browser with all that it asked for and complained of.

    The scene that it has loaded must be as the schema says.
    """

    def __init__(self, browser, address, width=1280, height=900):
        self.page = browser.new_page(viewport={"width": width, "height": height}, has_touch=True)
        self.asked, self.complaints = [], []
        self.page.on("request", lambda r: self.asked.append(r.url))
        self.page.on("console", lambda m: self.complaints.append(m.text))
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on("dialog", lambda d: (self.complaints.append(d.message), d.dismiss()))
        self.page.goto(address)
        SCENES.validate(json.loads(self.page.inner_text("#scene")))
        self.until("Boolean(window.plywright && window.plywright.ready)")

    def until(self, script, limit=30.0):
        """Wait for a script to be true; the page's own policy forbids asking it in the page."""
        end = time.monotonic() + limit
        while not self.page.evaluate(script):
            assert time.monotonic() < end, script
            time.sleep(0.02)

    def settle(self):
        """Two frames: what was changed is painted then."""
        self.page.evaluate(
            "new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r(true))))"
        )


@pytest.fixture
def watch(browser):
    opened = []

    def open_page(address, **size):
        opened.append(Watched(browser, address, **size))
        return opened[-1]

    yield open_page
    for watched in opened:
        watched.page.close()
