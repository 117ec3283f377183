"""Other starts for the plies of a job that has been run: to look at, compare and keep.

Window and live page share it. Lengths in mm, angles in degrees as the job gives them.
"""

from __future__ import annotations

import math
from typing import Any

from drape.errors import InputError
from drape.job.file import write_back
from drape.job.job import load_job
from drape.job.layers import Ply, Strip
from drape.layup.draping import start_and_warp, start_in_job
from drape.layup.start_places import nearest
from drape.layup.trial import SPACING, Trial, try_start
from drape.pipeline import LayerResult, Results
from viewers.scene.ply import trial_scene
from viewers.scene.schema import ScenePly

Kept = tuple[tuple[float, ...] | None, float]  # start and angle
DECIMALS = 3  # of what is written to the job: a micron


class Trials:
    """Drapes plies of finished results again, and writes a start that is to stay."""

    def __init__(self, results: Results) -> None:
        self.results = results
        self._kept: dict[int, Kept] = {}

    def drape(
        self, ply: int, point: tuple[float, ...], angle_deg: float, spacing: float = SPACING
    ) -> Trial:
        """A ply (by its place in the job, from 0) from a start point (3,) mm, at an angle.

        Raises
        ------
        InputError
            No such ply, one without a piece, or a start off the cavity.
        AccuracyError
            No net could be made from there.
        """
        result = self._result(ply)
        if result.piece is None:
            raise InputError("this ply couldn't be draped; see the findings", where=result.ply.name)
        job = self.results.job
        at = (float(point[0]), float(point[1]), float(point[2]))
        tried = result.ply.from_start(at, job.sense * math.radians(angle_deg), angle_deg)
        start, warp, _ = start_and_warp(job, tried, result.ground, start_in_job(job, tried))
        return try_start(result.piece, start, warp, spacing)

    def scene(self, ply: int, point: tuple[float, ...], angle_deg: float) -> ScenePly:
        """The same, as a ply of a scene."""
        trial = self.drape(ply, point, angle_deg)
        layer = self._result(ply).ply
        return trial_scene(layer.from_start(layer.start, layer.angle, angle_deg), trial)

    def keep(self, ply: int, point: tuple[float, ...], angle_deg: float) -> None:
        """Write a start and angle to the job file; the rest of it stays as it is.

        Raises
        ------
        InputError
            As ``drape``; or the file's ply at that place is no longer the one that was run.
        """
        result = self._result(ply)
        start = (
            round(float(point[0]), DECIMALS),
            round(float(point[1]), DECIMALS),
            round(float(point[2]), DECIMALS),
        )
        angle = round(angle_deg, 2)
        nearest(result.ground.region, start, result.ply.name)
        self._unmoved(result)
        entry = result.ply.place_in_job
        changes: dict[Any, Any] = {
            (*entry, "start"): list(start),
            (*entry, "angle"): int(angle) if angle == int(angle) else angle,
        }
        write_back(self.results.job.path, changes)
        self._kept[ply] = (start, angle)

    def _unmoved(self, result: LayerResult) -> None:
        """The job file may have been edited since the run: another ply may stand there now."""
        job = load_job(self.results.job.path)
        layer = result.ply.layer
        listed = job.plies if isinstance(layer, Ply) else job.wraps
        there = listed[layer.index] if layer.index < len(listed) else None
        given: Kept = (result.ply.start, layer.angle_deg)
        start, angle = self._kept.get(result.ply.index, given)
        wanted = (layer.name, layer.half, layer.fabric.name, start, angle)
        if there is None or wanted != (
            there.name, there.half, there.fabric.name, there.start, there.angle_deg
        ):  # fmt: skip
            raise InputError(
                "the job file was changed since this was computed: nothing was written",
                where=result.ply.name,
                value="no such ply" if there is None else f"ply {layer.index + 1} is another there",
                remedy="run the job again, then try the start again",
            )

    def _result(self, ply: int) -> LayerResult:
        plies = self.results.plies
        if not 0 <= ply < len(plies):
            raise InputError("no such ply", value=ply + 1, limit=f"1 to {len(plies)}")
        if isinstance(plies[ply].ply.layer, Strip):
            what = "a joint strip starts in the middle of its run; it has no other start"
            raise InputError(what, where=plies[ply].ply.name)
        return plies[ply]
