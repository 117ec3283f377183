"""Job: what is to be made, read from a job file and checked.

Conventions: mm and radians. Directions have length one. Ply angles are positive
counter-clockwise seen from inside the hollow; ``angle_deg`` is as the job gives it, which
``seen_from`` says how to read. Edge names use the mouths' new names. Plies stand in the
order of lay-up, from the mould inward.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from drape.fabric.fabric import Fabric, fabric_from, started_from
from drape.job.bag_settings import Bag, bag_from
from drape.job.bench_settings import Bench, bench_from
from drape.job.check import Sections, Values, checked
from drape.job.file import JobFile, read_job_file, write_back
from drape.job.joint_settings import Joint, joint_from
from drape.job.keys import MESH_SUFFIXES, PAGES, UNITS
from drape.job.layers import Ply, Strip, Vector, Wrapped, plies_from, strips_from, wraps_from
from drape.job.parting_settings import parting_from
from drape.job.starter import starter_job
from drape.job.toml_lines import renamed
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

    @property
    def sense(self) -> float:
        """1 where the job counts angles as seen from inside, −1 from the mould's side."""
        return -1.0 if self.seen_from == "mould" else 1.0

    def half(self, name: str) -> HalfFile:
        """The half of this name."""
        return next(h for h in self.halves if h.name == name)

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
    layers = (fabrics, sign, s.mouths)
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
        plies=plies_from(s.plies, *layers),
        page=s.bench.get("page", "A4"),
        bench=bench_from(s.bench),
        fail_on=s.report.get("fail_on", ()),
        date=s.report.get("date"),
        file=file,
        bag=None if s.bag is None else bag_from(s.bag),
        strips=strips_from(s.strips, *layers),
        wraps=wraps_from(s.wraps, *layers),
        parting=None if s.parting is None else parting_from(s.parting, file),
    )


def _half(file: JobFile, name: str, values: Values) -> HalfFile:
    return HalfFile(name, file.path.parent / values["mesh"], values.get("zero"))
