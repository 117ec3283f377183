"""The window on a virtual screen (solid/window, solid/drawing), driven by real clicks and keys."""

import os
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import tomlkit
from PIL import Image

DRIVER = Path(__file__).with_name("window_driver.py")
PATIENCE = 500.0  # seconds for the run before the window


@pytest.fixture(scope="module")
def screen():
    """The number of a virtual screen."""
    for tool, package in (("Xvfb", "xvfb"), ("xdotool", "xdotool"), ("import", "imagemagick")):
        if shutil.which(tool) is None:
            pytest.skip(f"needs {tool}: Debian's package {package}")
    read, write = os.pipe()
    command = ["Xvfb", "-displayfd", str(write), "-screen", "0", "1400x800x24", "-nolisten", "tcp"]
    server = subprocess.Popen(command, pass_fds=[write], stderr=subprocess.DEVNULL)
    os.close(write)
    with os.fdopen(read) as answer:
        number = answer.readline().strip()
    yield f":{number}"
    server.terminate()
    server.wait(30)


class Driven:
    """The window's process, with the lines that it tells."""

    def __init__(self, job, display):
        self.display = display
        environment = {**os.environ, "DISPLAY": display}
        environment.pop("VTK_DEFAULT_OPENGL_WINDOW", None)
        self.process = subprocess.Popen(
            [sys.executable, str(DRIVER), str(job)], env=environment, text=True,
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        self.lines = []
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.append(line.strip())

    def told(self, wanted, after=0, limit=60.0):
        """The first line after ``after`` others that holds a text."""
        end = time.monotonic() + limit
        while time.monotonic() < end:
            found = [line for line in self.lines[after:] if wanted in line]
            if found:
                return found[0]
            assert self.process.poll() is None or self.lines[after:], "the window is gone"
            time.sleep(0.05)
        raise AssertionError(f"no '{wanted}' in {self.lines[after:]}")

    def do(self, *command):
        environment = {**os.environ, "DISPLAY": self.display}
        subprocess.run(["xdotool", *map(str, command)], env=environment, check=True, timeout=30)

    def seen(self, path, wanted, limit=60.0):
        """The first picture of the screen of which a test is true."""
        end = time.monotonic() + limit
        while True:
            picture = self.picture(path)
            if wanted(picture):
                return picture
            assert time.monotonic() < end, f"never seen: {wanted.__name__}"
            time.sleep(0.2)

    def picture(self, path):
        environment = {**os.environ, "DISPLAY": self.display}
        command = ["import", "-window", "root", str(path)]
        subprocess.run(command, env=environment, check=True, timeout=60)
        return np.asarray(Image.open(path).convert("RGB")).astype(int)


def colourful(picture):
    """More than a background: something is drawn."""
    return len(np.unique(picture.reshape(-1, 3), axis=0)) > 200


def blue(picture):
    """Share of the part's side in the colours of little shear; nothing else there is blue."""
    part = picture[100:650, 20:900]
    return (part[..., 2] - part[..., 0] > 40).mean()


def start_of(line):
    """(3,) mm from a line the window told."""
    return np.array([float(x) for x in line.split("start ")[1].split(",")[:3]])


def three_plies(demo, folder):
    """A copy of the demo's job with the plies of its lower half alone: less to wait for."""
    for file in demo.parent.iterdir():
        shutil.copy(file, folder)
    path = folder / demo.name
    job = tomlkit.parse(path.read_text())
    del job["joint"]["strips"], job["joint"]["wraps"], job["plies"][3:]
    path.write_text(tomlkit.dumps(job))
    return path


def test_a_click_starts_the_ply_there(demo_job, screen, tmp_path):
    job = three_plies(demo_job.path, tmp_path)
    driven = Driven(job, screen)
    try:
        aim = driven.told("aim", limit=PATIENCE).split()
        x, y, wanted = int(aim[1]), int(aim[2]), np.array(aim[3:], float)
        first = driven.told("start")
        before = driven.seen(tmp_path / "before.png", colourful)
        count = len(driven.lines)
        driven.do("mousemove", x, y, "click", 1)
        told = driven.told("start", after=count)
        assert np.linalg.norm(start_of(told) - wanted) < 2.0
        assert np.linalg.norm(start_of(first) - wanted) > 5.0

        def changed(after):  # the shear map, and beside it the outline
            off = np.abs(after - before).max(axis=2) > 12
            return off[100:650, 20:900].mean() > 0.02 and off[100:700, 950:].any()

        driven.seen(tmp_path / "after.png", changed)
        count = len(driven.lines)
        driven.do("key", "Right")
        assert "50°" in driven.told("start", after=count)  # 45 and a turn of 5
        count = len(driven.lines)
        driven.do("key", "k")
        driven.told("saved to", after=count)
        assert "angle = 50" in job.read_text()
        count = len(driven.lines)
        driven.do("key", "c")
        driven.told("start", after=count)
        driven.do("key", "k")
        driven.told("the job's own start", after=count)
        driven.do("key", "m")  # the other half would hide what is left over
        driven.do("key", "b")
        driven.told("could not be draped", after=count)
        driven.seen(tmp_path / "none.png", lambda picture: blue(picture) < 0.001)
        driven.do("key", "n")
        driven.seen(tmp_path / "again.png", lambda picture: blue(picture) > 0.02)
        count = len(driven.lines)
        driven.do("key", "n")
        assert "lower-2" in driven.told("start", after=count)
        driven.do("key", "q")
        assert driven.process.wait(60) == 0
    finally:
        driven.process.kill()
        driven.process.wait(30)
