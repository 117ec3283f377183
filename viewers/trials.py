"""Other starts for the plies of a job that has been run: to look at, compare and keep.

Window and live page share it. Lengths in mm, angles in degrees as the job gives them.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

from drape.errors import InputError
from drape.geometry.surface import Floats
from drape.job.file import write_back
from drape.job.job import Ply, load_job
from drape.job.wraps import Wrapped
from drape.layup.directions import hollow_fields
from drape.layup.draping import start_and_warp
from drape.layup.start_places import nearest
from drape.layup.trial import SPACING, Trial, try_start
from drape.layup.wrap_ground import along_hollow, other_start
from drape.pipeline import PlyResult, Results
from viewers.scene.ply import trial_scene
from viewers.scene.schema import ScenePly

DECIMALS = 3  # of what is written to the job: a micron


class Trials:
    """Drapes plies of finished results again, and writes a start that is to stay."""

    def __init__(self, results: Results) -> None:
        self.results = results
        mould = results.mould
        self._regions = {name: half.region for name, half in mould.halves.items()}
        self._wrap_fields: dict[int, Floats | None] = {}
        self._kept: dict[int, tuple[tuple[float, ...], float]] = {}
        self._fields = hollow_fields(self._regions, [m.name for m in mould.mouths])

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
        angle = (-1.0 if job.seen_from == "mould" else 1.0) * math.radians(angle_deg)
        at = (float(point[0]), float(point[1]), float(point[2]))
        if result.wrap is not None:
            if ply not in self._wrap_fields:
                self._wrap_fields[ply] = along_hollow(self.results.mould, result.wrap.region)
            start, warp = other_start(job, result.wrap, self._wrap_fields[ply], at, angle)
        else:
            tried = replace(result.ply, start=at, angle=angle, angle_deg=angle_deg)
            region, field = self._regions[tried.half], self._fields[tried.half]
            start, warp, _ = start_and_warp(job, tried, region, field)
        return try_start(result.piece, start, warp, spacing)

    def scene(self, ply: int, point: tuple[float, ...], angle_deg: float) -> ScenePly:
        """The same, as a ply of a scene."""
        trial = self.drape(ply, point, angle_deg)
        return trial_scene(replace(self._result(ply).ply, angle_deg=angle_deg), trial)

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
        wrap = result.wrap
        region = self._regions[result.ply.half] if wrap is None else wrap.region
        nearest(region, start, result.ply.name)
        self._unmoved(result)
        entry = ("plies", ply) if wrap is None else ("joint", "wraps", wrap.of.wrapped.index)
        changes: dict[Any, Any] = {
            (*entry, "start"): list(start),
            (*entry, "angle"): int(angle) if angle == int(angle) else angle,
        }
        write_back(self.results.job.path, changes)
        self._kept[ply] = (start, angle)

    def _unmoved(self, result: PlyResult) -> None:
        """The job file may have been edited since the run: another ply may stand there now."""
        job = load_job(self.results.job.path)
        ran: Ply | Wrapped = result.ply if result.wrap is None else result.wrap.of.wrapped
        listed: tuple[Ply | Wrapped, ...] = job.plies if result.wrap is None else job.wraps
        there = listed[ran.index] if ran.index < len(listed) else None
        start, angle = self._kept.get(result.ply.index, (ran.start, ran.angle_deg))
        wanted = (ran.name, ran.half, ran.fabric.name, start, angle)
        if there is None or wanted != (
            there.name, there.half, there.fabric.name, there.start, there.angle_deg
        ):  # fmt: skip
            raise InputError(
                "the job file was changed since this was computed: nothing was written",
                where=result.ply.name,
                value="no such ply" if there is None else f"ply {ran.index + 1} is another there",
                remedy="run the job again, then try the start again",
            )

    def _result(self, ply: int) -> PlyResult:
        plies = self.results.plies
        if not 0 <= ply < len(plies):
            raise InputError("no such ply", value=ply + 1, limit=f"1 to {len(plies)}")
        if plies[ply].strip is not None:
            what = "a joint strip starts in the middle of its run; it has no other start"
            raise InputError(what, where=plies[ply].ply.name)
        return plies[ply]
