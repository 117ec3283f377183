"""For notebooks: objects whose rich form is a page, a pattern or a chart.

>>> from viewers.notebook import show
>>> show(results)                    # the page of a finished run
>>> show(results.plies[0].pattern)   # the flat pattern, as SVG
>>> show(results, run="A-B.1")       # build-up across a run, as a chart
"""

from __future__ import annotations

import html
from dataclasses import dataclass

import numpy as np

from drape.errors import InputError
from drape.layup.pattern import Pattern
from drape.output.drawing import pattern_drawing
from drape.output.plot import Line, plot
from drape.output.svg import to_svg
from drape.pipeline import Results
from viewers.page.webpage import page
from viewers.scene.scene import make_scene

HEIGHT = 900  # pixels of a page in a notebook


@dataclass(frozen=True)
class Page:
    """A page in a frame of its own: its style and script don't meet the notebook's."""

    content: str

    def _repr_html_(self) -> str:
        held = html.escape(self.content, quote=True)
        return (
            f'<iframe sandbox="allow-scripts" srcdoc="{held}" width="100%" '
            f'height="{HEIGHT}" style="border:0"></iframe>'
        )


@dataclass(frozen=True)
class Picture:
    """A drawing as SVG."""

    content: bytes

    def _repr_svg_(self) -> str:
        return self.content.decode("utf-8")


def show(what: Results | Pattern, run: str | None = None) -> Page | Picture:
    """Something to look at in a notebook.

    Parameters
    ----------
    what : Results or Pattern
    run : str, optional
        With results: build-up across this run of the parting line, instead of the page.

    Raises
    ------
    InputError
        The results have no such run.
    """
    if isinstance(what, Pattern):
        return Picture(to_svg(pattern_drawing(what)))
    if run is not None:
        return build_up(what, run)
    return Page(page(make_scene(what)).decode("utf-8"))


def build_up(results: Results, run: str) -> Picture:
    """Thickness across a run, mm, from 0 at the lapping half's side of the outermost change."""
    runs = results.summary.joint.runs if results.summary.joint else {}
    if run not in runs or not runs[run].build_up:
        raise InputError("no build-up of such a run", value=run, limit=", ".join(runs) or "none")
    bands = runs[run].build_up or ()
    first = bands[0].from_mm
    x = np.array([end - first for b in bands for end in (b.from_mm, b.to_mm)])
    y = np.array([b.thickness_mm for b in bands for _ in range(2)])
    labels = (f"mm across the joint, from {first:g} mm", "thickness, mm")
    marked = [(-first, "parting line")]
    return Picture(to_svg(plot(f"Build-up at {run}", [Line(x, y)], labels, marked)))
