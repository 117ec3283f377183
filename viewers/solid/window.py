"""The window: a ply in its mould beside its flat outline; a click starts it there instead.

Mouse: drag turns, wheel zooms, a click on the ply drapes it again from that place.
Keys: n, b the next ply and the one before; right, left turn the warp by 5°; c changes
between what the job has and what is tried; l laps folded out, tucked, away; m the mould;
k writes the start and angle on show to the job file; q quits.

Lengths in mm, angles in degrees as the job gives them.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pyvista as pv
from vtkmodules.vtkRenderingCore import vtkCellPicker

from drape.errors import PlywrightError, place_text
from viewers.scene.colours import Colour, colour_map
from viewers.scene.schema import Scene, ScenePly
from viewers.solid import drawing
from viewers.trials import Trials

SIZE = (1400, 800)
WEIGHTS = [2, 1]  # widths of part and outline
SHARE = WEIGHTS[0] / sum(WEIGHTS)  # of the window's width for the part
TURN = 5.0  # degrees a key press
TAP = 4  # pixels: a press that moves farther turns the view
HELP = (
    "click: start here   n, b: ply   left, right: turn   c: compare   l: laps   m: mould   "
    "k: save to the job   q: quit"
)


class Window:
    """Draws a scene and answers clicks and keys.

    Parameters
    ----------
    scene : as ``viewers.scene.scene.make_scene`` gives it
    trials : Trials
    report : called with a line of text at each change
    """

    def __init__(
        self,
        scene: Scene,
        trials: Trials,
        report: Callable[[str], None] = lambda text: None,
        off_screen: bool = False,
    ) -> None:
        self.scene, self.trials, self.report = scene, trials, report
        self.plotter: Any = pv.Plotter(
            shape=(1, 2), window_size=list(SIZE), off_screen=off_screen, title=scene["title"],
            border=False, lighting="light kit", col_weights=WEIGHTS,
        )  # fmt: skip
        self.at, self.laps, self.mould, self.tried = 0, 0, True, True
        self.trial: dict[int, ScenePly] = {}
        self._pressed = (0, 0)
        self._draw(look=True)
        self._listen()

    @property
    def ply(self) -> ScenePly:
        """The ply that is shown: as the job has it, or as it is tried."""
        given = self.scene["plies"][self.at]
        return self.trial.get(self.at, given) if self.tried else given

    def show(self) -> None:
        """Open the window; returns when it is closed."""
        self.plotter.show(interactive_update=True)  # draws, and goes on
        self.report(self._line())
        self.plotter.iren.start()
        self.plotter.close()

    def start_at(self, point: tuple[float, ...], angle_deg: float | None = None) -> None:
        """Drape the ply again from a place, or say why not."""
        angle = self.ply["angle_deg"] if angle_deg is None else angle_deg
        began = time.perf_counter()
        try:
            self.trial[self.at] = self.trials.scene(self.at, tuple(point), angle)
        except PlywrightError as error:
            self.report(error.line())
            return
        self.tried = True
        self._draw()
        self.report(f"{self._line()} ({1000.0 * (time.perf_counter() - began):.0f} ms)")

    def turn(self, by: float) -> None:
        """Turn the warp about the start point that is shown."""
        ply = self.ply
        if ply["sheet"] is not None:
            angle = (ply["angle_deg"] + by + 90.0) % 180.0 - 90.0
            self.start_at(tuple(ply["start"]["point"]), angle)

    def choose(self, by: int) -> None:
        """Go on to another ply."""
        self.at = (self.at + by) % len(self.scene["plies"])
        self._draw(look=True)
        self.report(self._line())

    def write(self) -> None:
        """Write what is shown to the job file."""
        ply = self.ply
        if ply is self.scene["plies"][self.at]:
            self.report("nothing to save: this is the job's own start")
            return
        if ply["sheet"] is None:
            self.report("nothing to save: from that start the cloth does not reach every edge")
            return
        try:
            self.trials.keep(self.at, tuple(ply["start"]["point"]), ply["angle_deg"])
        except PlywrightError as error:
            self.report(error.line())
            return
        self.report(f"{ply['name']}: saved to {self.trials.results.job.path.name}")

    def _compare(self) -> None:
        self.tried = not self.tried
        self._draw()
        self.report(self._line())

    def _next_laps(self) -> None:
        self.laps = (self.laps + 1) % (len(drawing.LAP_STATES) + 1)
        self._draw()

    def _flip_mould(self) -> None:
        self.mould = not self.mould
        self._draw()

    def _listen(self) -> None:
        for key, action in {
            "n": lambda: self.choose(1),
            "b": lambda: self.choose(-1),
            "Right": lambda: self.turn(TURN),
            "Left": lambda: self.turn(-TURN),
            "c": self._compare,
            "l": self._next_laps,
            "m": self._flip_mould,
            "k": self.write,
        }.items():
            self.plotter.add_key_event(key, action)
        if self.plotter.iren is not None:
            self.plotter.iren.add_observer("LeftButtonPressEvent", self._down)
            self.plotter.iren.add_observer("LeftButtonReleaseEvent", self._up)

    def _down(self, *event: Any) -> None:
        self._pressed = self.plotter.iren.get_event_position()

    def _up(self, *event: Any) -> None:
        x, y = self.plotter.iren.get_event_position()
        if max(abs(x - self._pressed[0]), abs(y - self._pressed[1])) <= TAP:
            point = self.pick(x, y)
            if point is not None:
                self.start_at(point)

    def pick(self, x: int, y: int) -> tuple[float, float, float] | None:
        """The place of the ply at a pixel (from the lower left), None beside it."""
        actor = self.plotter.renderers[0].actors.get("ply")
        if actor is None:
            return None
        picker = vtkCellPicker()
        picker.SetTolerance(1e-4)
        picker.PickFromListOn()
        picker.AddPickList(actor)
        if not picker.Pick(x, y, 0.0, self.plotter.renderers[0]):
            return None
        return picker.GetPickPosition()

    def _draw(self, look: bool = False) -> None:
        self.plotter.suppress_rendering = True
        try:
            self._draw_part(look)
            self._draw_outline()
        finally:
            self.plotter.suppress_rendering = False
        self.plotter.subplot(0, 0)
        self.plotter.render()

    def _draw_part(self, look: bool) -> None:
        plotter, ply = self.plotter, self.ply
        plotter.subplot(0, 0)
        plotter.set_background(Colour.PAPER, all_renderers=False)
        plotter.remove_actor("mould", render=False)
        if self.mould:
            drawing.show_mould(plotter, drawing.half_of(self.scene, ply))
        drawing.show_runs(plotter, self.scene["runs"])
        drawing.clear_ply(plotter)  # else one that couldn't be draped would show what was there
        if ply["sheet"] is not None:
            drawing.show_ply(plotter, ply, self.scene["range_deg"])
            laps = self.scene["plies"][self.at]["laps"]
            drawing.show_laps(plotter, laps, (None, *drawing.LAP_STATES)[self.laps])
            self._bar()
            if look:
                drawing.look_into(plotter, ply["view"], ply["sheet"]["points"], SHARE)
        plotter.add_text(
            self._line(), position="upper_left", font_size=10, color=Colour.INK, name="line"
        )
        plotter.add_text(HELP, position="lower_left", font_size=8, color=Colour.INK, name="help")

    def _bar(self) -> None:
        """Shear in degrees, the limit named on it."""
        actor = self.plotter.renderers[0].actors["ply"]
        limit = self.ply["locking_angle_deg"]
        table = pv.LookupTable(
            colour_map(), scalar_range=(0.0, self.scene["range_deg"]),
            annotations={limit: f"limit {limit:g}°"},
        )  # fmt: skip
        actor.mapper.lookup_table = table
        self.plotter.add_scalar_bar(
            drawing.BAR, mapper=actor.mapper, color=Colour.INK, n_labels=6, fmt="%.0f",
            width=0.5, position_x=0.25, position_y=0.06, height=0.11, title_font_size=14,
            label_font_size=12, render=False,
        )  # fmt: skip

    def _draw_outline(self) -> None:
        """The flat outlines: of the job's own start thin, of what is shown thick."""
        plotter = self.plotter
        plotter.subplot(0, 1)
        plotter.set_background(Colour.CARD, all_renderers=False)
        plotter.renderer.clear_actors()
        given = self.scene["plies"][self.at]
        for ply, width in ((given, 1.5), (self.ply, 3.0)):
            if ply["sheet"] is None or ply["pattern"] is None:
                continue
            for ring in (ply["pattern"]["outline"], *ply["pattern"]["holes"]):
                flat = np.column_stack([ring, np.zeros(len(ring))])
                line = pv.lines_from_points(flat, close=True)
                plotter.add_mesh(line, color=Colour.INK, line_width=width, lighting=False)
        arrow = pv.lines_from_points(np.array([[0.0, 0, 0], [20.0, 0, 0]]))
        plotter.add_mesh(arrow, color=Colour.MARK, line_width=4, lighting=False)
        plotter.add_mesh(pv.Sphere(radius=2.0), color=Colour.MARK, lighting=False)
        plotter.add_text(
            "cut outline, warp to the right", position="upper_left", font_size=9, color=Colour.INK
        )
        plotter.view_xy()
        plotter.camera.parallel_projection = True
        plotter.reset_camera()

    def _line(self) -> str:
        """The ply, its start and its greatest shear; beside it those of the job's own start."""
        ply, given = self.ply, self.scene["plies"][self.at]
        if ply["sheet"] is None:
            return f"{ply['name']}: could not be draped from that start"
        place = place_text(ply["start"]["point"], 1)
        shear = ply["figures"]["max_shear_deg"]
        out = f"{ply['name']}: start {place}, {ply['angle_deg']:g}°, greatest shear {shear:.1f}°"
        if ply is not given and given["sheet"] is not None:
            out += f" (the job's start: {given['figures']['max_shear_deg']:.1f}°)"
        return out
