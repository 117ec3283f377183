"""Job: what is to be made, read from a job file and checked.

Conventions: mm and radians. Directions have length one. Ply angles are positive
counter-clockwise seen from inside the hollow; ``angle_deg`` is as the job gives it, which
``seen_from`` says how to read. Edge names use the mouths' new names. Plies stand in the
order of lay-up, from the mould inward.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from drape.fabric.fabric import Fabric, fabric_from, started_from
from drape.job.allowance import Allowance
from drape.job.bag_settings import Bag, bag_from
from drape.job.bench_settings import Bench, bench_from
from drape.job.check import Sections, Values, checked, ply_names
from drape.job.file import JobFile, read_job_file, write_back
from drape.job.joint_settings import Joint, joint_from
from drape.job.keys import MESH_SUFFIXES, PAGES, UNITS
from drape.job.parting_settings import parting_from
from drape.job.starter import starter_job
from drape.job.strips import Strip, strips_from
from drape.job.toml_lines import renamed
from drape.job.wraps import Wrapped, wraps_from
from drape.mould.parting_line import PartingLine

__all__ = [
    "MESH_SUFFIXES",
    "PAGES",
    "UNITS",
    "Bag",
    "HalfFile",
    "Job",
    "Joint",
    "Ply",
    "Strip",
    "Trim",
    "Wrapped",
    "load_job",
    "starter_job",
    "write_back",
]

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class HalfFile:
    """One mould half: its mesh file, and its zero direction if the job gives one."""

    name: str
    mesh: Path
    zero: Vector | None = None


@dataclass(frozen=True)
class Trim:
    """Plane in which the part ends inside a mouth; ``normal`` points out of the part."""

    mouth: str
    point: Vector
    normal: Vector


@dataclass(frozen=True)
class Ply:
    """One layer of cloth.

    Attributes
    ----------
    index : int
        Place in the job's list, from 0.
    order, of : int
        Place among its half's plies, from 1, and how many these are.
    angle : float
        Radians, seen from inside.
    angle_deg : float
        As given.
    start : (x, y, z) mm, or None
        None: chosen.
    spacing : float, mm, or None
        None: chosen.
    allowances : mapping of edge name to mm
        Those the job gives for this ply; + past the edge. Or stations along a run.
    trim_in_mould : tuple of str
        Edges that are cut proud, and trimmed to their allowance in the mould.
    """

    name: str
    half: str
    fabric: Fabric
    index: int
    order: int
    of: int
    angle: float
    angle_deg: float
    start: Vector | None = None
    spacing: float | None = None
    first_yarns: Literal["straight"] = "straight"
    allowances: Mapping[str, Allowance] = field(default_factory=dict)
    trim_in_mould: tuple[str, ...] = ()


@dataclass(frozen=True)
class Job:
    """A checked job.

    Attributes
    ----------
    path : Path
        The job file.
    units, unit_scale : str, float
        Of the mesh files, and mm per unit.
    mouths : mapping of letter to new name
    page : str
        Of the pattern pages: A4, A3, Letter, roll.
    fail_on : tuple of str
        Levels of findings that make exit code 1.
    date : date or None
        None: a box to fill in.
    bag : Bag or None
        None: the job doesn't ask for one.
    strips : tuple of Strip
        Along the joint, in order of lay-up.
    wraps : tuple of Wrapped
        Plies that go round both halves, in order of lay-up.
    parting : PartingLine or None
        None: found in the meshes.
    file : JobFile
        For messages: ``job.where("plies", 0, "start")``.
    """

    path: Path
    title: str
    units: str
    unit_scale: float
    seen_from: Literal["inside", "mould"]
    closing: Vector | None
    halves: tuple[HalfFile, ...]
    trims: tuple[Trim, ...]
    mouths: Mapping[str, str]
    fabrics: Mapping[str, Fabric]
    joint: Joint | None
    plies: tuple[Ply, ...]
    page: str
    bench: Bench
    fail_on: tuple[str, ...]
    date: datetime.date | None
    file: JobFile = field(repr=False, compare=False)
    bag: Bag | None = None
    strips: tuple[Strip, ...] = ()
    wraps: tuple[Wrapped, ...] = ()
    parting: PartingLine | None = None

    def where(self, *path: str | int) -> str:
        """Place of a key for messages, with its line; indices from 0."""
        return self.file.where(path)

    def plies_of(self, half: str) -> tuple[Ply, ...]:
        """The plies of one half, in order of lay-up."""
        return tuple(p for p in self.plies if p.half == half)

    def edge_name(self, found: str) -> str:
        """The job's name of an edge named by letters: ``A`` and ``A-B.1`` with A renamed."""
        return renamed(found, self.mouths)


def load_job(path: Path | str) -> Job:
    """Read and check a job file.

    Raises
    ------
    drape.errors.InputErrors
        Holding every problem found, each with file, line, key, value and what is allowed.
    drape.errors.InputError
        The file can't be read at all.
    """
    file = read_job_file(path)
    return _job(file, checked(file))


def _job(file: JobFile, s: Sections) -> Job:
    units = s.top.get("units", "mm")
    fabrics = {name: fabric_from(name, started_from(v)) for name, v in s.fabrics.items()}
    seen_from = s.top.get("seen_from", "inside")
    sign = -1.0 if seen_from == "mould" else 1.0
    strips = [
        {**values, "run": renamed(values["run"], s.mouths)} if "run" in values else values
        for values in s.strips
    ]
    return Job(
        path=file.path,
        title=s.top.get("title", file.path.stem),
        units=units,
        unit_scale=UNITS[units],
        seen_from=seen_from,
        closing=s.mould.get("closing"),
        halves=tuple(_half(file, name, values) for name, values in s.halves.items()),
        trims=tuple(Trim(renamed(name, s.mouths), **values) for name, values in s.trims.items()),
        mouths=MappingProxyType(s.mouths),
        fabrics=MappingProxyType(fabrics),
        joint=None if s.joint is None else joint_from(s.joint, s.mouths),
        plies=_plies(s, fabrics, sign),
        page=s.bench.get("page", "A4"),
        bench=bench_from(s.bench),
        fail_on=s.report.get("fail_on", ()),
        date=s.report.get("date"),
        file=file,
        bag=None if s.bag is None else bag_from(s.bag),
        strips=strips_from(strips, fabrics, sign),
        wraps=wraps_from(
            [{**values, "seam": renamed(values["seam"], s.mouths)} for values in s.wraps],
            fabrics,
            sign,
        ),
        parting=None if s.parting is None else parting_from(s.parting, file),
    )


def _half(file: JobFile, name: str, values: Values) -> HalfFile:
    return HalfFile(name, file.path.parent / values["mesh"], values.get("zero"))


def _plies(s: Sections, fabrics: Mapping[str, Fabric], sign: float) -> tuple[Ply, ...]:
    halves = [values["half"] for values in s.plies]
    out = []
    for i, (values, name) in enumerate(zip(s.plies, ply_names(s.plies), strict=True)):
        allowances = {renamed(k, s.mouths): v for k, v in values.get("allowances", {}).items()}
        start = values.get("start", "auto")
        ply = Ply(
            name=name,
            half=halves[i],
            fabric=fabrics[values["fabric"]],
            index=i,
            order=halves[: i + 1].count(halves[i]),
            of=halves.count(halves[i]),
            angle=sign * math.radians(values["angle"]) + 0.0,  # never −0.0
            angle_deg=values["angle"],
            start=None if start == "auto" else start,
            spacing=values.get("spacing"),
            allowances=MappingProxyType(allowances),
            trim_in_mould=tuple(renamed(e, s.mouths) for e in values.get("trim_in_mould", ())),
        )
        out.append(ply)
    return tuple(out)
