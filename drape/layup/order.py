"""Every layer of a job in its place in the lay-up: where it lies, and where it ends.

Lengths in mm: + past an edge, − short of it. Edge names are the job's (mouths renamed).

Every ply of a half reaches every run of the parting line (there are no patches yet). So the
i-th ply of a half takes the i-th lap or set-back at every run, and a ply with a value of its
own at a run keeps its number: the plies after it don't move up.

Laid first are the plies of each half, then the strips laid before closing; then the halves
close; then come the strips laid after closing, then the wrapped plies.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from types import MappingProxyType

from drape.fabric.fabric import Fabric
from drape.job.allowance import Allowance
from drape.job.job import Job
from drape.job.joint_settings import Joint
from drape.job.layers import Ply, Strip, Vector, Wrapped
from drape.mould.mould import Mould

Span = tuple[Allowance, Allowance]


@dataclass(frozen=True)
class LaidLayer:
    """A layer of cloth in its place in the order of laying.

    Attributes
    ----------
    layer : Ply, Strip or Wrapped
        As the job gives it.
    name : str
        A strip without a run is one layer along each.
    halves : tuple of str
        Those it lies in by the job; the first is the one whose side of the line it counts from.
    own, other : str
        That half, and the one past the line; ``other`` is empty for one half alone.
    index : int
        Place among all layers, from 0: plies, strips, wrapped plies.
    order, of : int
        Place among what is laid in its half or halves, from 1, and how many these are.
    run : str
        Along which a strip lies, or where a wrapped ply has its seam.
    parting : float
        A ply's allowance at runs that ``runs`` doesn't name: + lap, 0 flush, − set-back.
    run_off : float
        Past mouths and trim lines.
    edges : mapping of edge name to mm
        Edges that have a value of their own, or stations.
    runs : mapping of run to mm
        As ``parting``, where the lap half is given run by run.
    trimmed : names of the edges that are cut proud and trimmed in the mould
    proud : float
        How far past its allowance such an edge is cut.
    """

    layer: Ply | Strip | Wrapped
    name: str
    halves: tuple[str, ...]
    own: str
    other: str
    index: int
    order: int
    of: int
    run: str = ""
    parting: float = 0.0
    run_off: float = 0.0
    edges: Mapping[str, Allowance] = field(default_factory=dict)
    runs: Mapping[str, float] = field(default_factory=dict)
    trimmed: Collection[str] = ()
    proud: float = 0.0

    @property
    def half(self) -> str:
        """The halves it lies in, in words."""
        return " + ".join(self.halves)

    @property
    def fabric(self) -> Fabric:
        return self.layer.fabric

    @property
    def thickness(self) -> float:
        """Cured, mm."""
        return self.layer.fabric.thickness

    @property
    def angle(self) -> float:
        """Radians, seen from inside."""
        return self.layer.angle

    @property
    def angle_deg(self) -> float:
        """As given."""
        return self.layer.angle_deg

    @property
    def spacing(self) -> float | None:
        """Of the net, mm; None: chosen."""
        return self.layer.spacing

    @property
    def start(self) -> Vector | None:
        """Where it is pressed down first, mm; None: chosen."""
        return None if isinstance(self.layer, Strip) else self.layer.start

    @property
    def is_ply(self) -> bool:
        """Whether it is a ply of one half, neither joint strip nor wrapped ply."""
        return isinstance(self.layer, Ply)

    @property
    def place_in_job(self) -> tuple[str | int, ...]:
        """Its table in the job file, for messages."""
        if isinstance(self.layer, Ply):
            return ("plies", self.layer.index)
        kind = "strips" if isinstance(self.layer, Strip) else "wraps"
        return ("joint", kind, self.layer.index)

    @property
    def laid(self) -> str:
        """For the bench: where and when cloth across the line is laid; empty for plies."""
        layer = self.layer
        if isinstance(layer, Strip):
            return f"strip over {self.run}, laid {layer.laid} closing"
        if isinstance(layer, Wrapped):
            return f"wrapped: begins at {self.run} on {self.own}, ends {layer.overlap:g} mm past it"
        return ""

    def allowance(self, edge: str, kind: str) -> Allowance:
        """At the edge called ``edge``, of a region's edge kind."""
        parting = self.runs.get(edge, self.parting)
        by_kind = {"parting": parting, "mouth": self.run_off, "trim": self.run_off}
        return self.edges.get(edge, by_kind.get(kind, 0.0))

    def cut(self, edge: str, kind: str) -> Allowance:
        """Allowance at which the edge is cut: proud where it is trimmed in the mould."""
        return self.allowance(edge, kind) + (self.proud if edge in self.trimmed else 0.0)

    def spans(self, run: str, side: str) -> tuple[Span, ...]:
        """Stretches across a run that it covers, each from, to; each counts as a layer.

        Places from the line along the cavity, mm, negative on the side of the half ``side``;
        infinite where it goes on to the half's middle. A wrapped ply covers its seam with its
        beginning, then with its end.
        """
        layer, here = self.layer, self.own == side
        if isinstance(layer, Strip):
            half = 0.5 * layer.width
            return ((-half, half),) if run == self.run else ()
        if isinstance(layer, Ply):
            end = self.allowance(run, "parting")
            return ((-inf, end),) if here else ((-end, inf),)
        if run != self.run:
            return ((-inf, inf),)
        end = layer.overlap
        return ((-inf, 0.0), (-end, inf)) if here else ((0.0, inf), (-inf, end))

    def from_start(self, start: Vector | None, angle: float, angle_deg: float) -> LaidLayer:
        """The same from another start, at another angle."""
        if isinstance(self.layer, Strip):
            return self  # it starts in the middle of its run
        changed = replace(self.layer, start=start, angle=angle, angle_deg=angle_deg)
        return replace(self, layer=changed)


Layup = tuple[LaidLayer, ...]


def layup_of(job: Job, mould: Mould) -> Layup:
    """All layers: the plies in the job's order, the strips run by run, the wrapped plies."""
    below = laid_plies(job) + _strips(job, mould)
    return below + _wraps(job, mould, len(below))


def laid_plies(job: Job) -> Layup:
    """The plies of the halves, in the job's order.

    At each run the i-th ply of its lap half gets + ``laps[i]``, the i-th of the other half
    − ``set_backs[i]``; without a joint all is flush.
    """
    joint = job.joint or Joint()
    per_run = isinstance(joint.lap_half, Mapping)
    return tuple(
        LaidLayer(
            ply,
            ply.name,
            (ply.half,),
            ply.half,
            next((h.name for h in job.halves if h.name != ply.half), ""),
            ply.index,
            ply.order,
            ply.of,
            parting=0.0 if per_run else _parting(joint, ply, ""),
            run_off=joint.run_off,
            edges=ply.allowances,
            runs=_by_run(joint, ply),
            trimmed=ply.trim_in_mould,
            proud=job.bench.proud,
        )
        for ply in job.plies
    )


def _by_run(joint: Joint, ply: Ply) -> Mapping[str, float]:
    if not isinstance(joint.lap_half, Mapping):
        return MappingProxyType({})
    return MappingProxyType({run: _parting(joint, ply, run) for run in joint.lap_half})


def _parting(joint: Joint, ply: Ply, run: str) -> float:
    lap_half = joint.lap_half_at(run)
    if lap_half is None:
        return 0.0
    if ply.half == lap_half:
        return joint.laps[ply.order - 1]
    return 0.0 - joint.set_backs[ply.order - 1]  # not −0.0


def _strips(job: Job, mould: Mould) -> Layup:
    out: list[LaidLayer] = []
    for strip in job.strips:
        runs = [r for r in mould.runs if strip.run in (None, r)]
        for run in runs:
            own = strip.half or joint_half(job, mould, run)
            name = strip.name if len(runs) == 1 else f"{strip.name}-{run}"
            out.append(_across(job, mould, strip, name, own, run, len(job.plies) + len(out)))
    early = [s for s in out if is_early(s)]
    late = [s for s in out if not is_early(s)]
    for half in mould.halves:
        early = _counted(early, [s for s in early if s.own == half], len(job.plies_of(half)), 0)
    late = _counted(late, late, len(job.plies) + len(early), len(job.wraps))
    return tuple(sorted(early + late, key=lambda s: s.index))


def _counted(
    strips: list[LaidLayer], same: list[LaidLayer], under: int, over: int
) -> list[LaidLayer]:
    """The strips, with places among the ``same`` after ``under`` layers and before ``over``."""
    of = under + len(same) + over
    return [replace(s, order=under + 1 + same.index(s), of=of) if s in same else s for s in strips]


def _wraps(job: Job, mould: Mould, below: int) -> Layup:
    """The wrapped plies, over ``below`` other layers."""
    out = []
    for wrap in job.wraps:
        own, index = wrap.half or joint_half(job, mould, wrap.seam), below + wrap.index
        each = _across(job, mould, wrap, wrap.name, own, wrap.seam, index)
        out.append(replace(each, order=index + 1, of=below + len(job.wraps)))
    return tuple(out)


def _across(
    job: Job, mould: Mould, layer: Strip | Wrapped, name: str, own: str, run: str, index: int
) -> LaidLayer:
    """Cloth across a run, not yet counted among the others."""
    other, run_off = mould.other(own), job.joint.run_off if job.joint else 0.0
    early = isinstance(layer, Strip) and layer.laid == "before"
    halves = (own,) if early else (own, other)
    return LaidLayer(layer, name, halves, own, other, index, 0, 0, run=run, run_off=run_off)


def joint_half(job: Job, mould: Mould, run: str) -> str:
    """The half whose side counts negative at a run: the lap half, else that of the first
    strip laid before closing or of a seam there, else the first."""
    lap_half = job.joint.lap_half_at(run) if job.joint else None
    laid = [s.half for s in job.strips if s.half is not None and s.run in (None, run)]
    laid += [w.half for w in job.wraps if w.half is not None and w.seam == run]
    return lap_half or next(iter([*laid, *mould.halves]))


def lapping_half(job: Job, mould: Mould, run: str) -> str | None:
    """The lap half at a run; with none, the half whose side counts negative where there is
    a strip or a wrapped ply; None where nothing joins the halves there."""
    lap_half = job.joint.lap_half_at(run) if job.joint else None
    joined = bool(job.wraps) or any(s.run in (None, run) for s in job.strips)
    return joint_half(job, mould, run) if lap_half is None and joined else lap_half


def is_early(layer: LaidLayer) -> bool:
    """Whether it is laid before closing."""
    return len(layer.halves) == 1


def under(layup: Sequence[LaidLayer], layer: LaidLayer) -> list[LaidLayer]:
    """What lies under cloth across the line, or comes to when the halves close; in order.

    Under a strip, of all strips those along its own run alone.
    """
    strips = [e for e in layup if isinstance(e.layer, Strip) and isinstance(layer.layer, Strip)]
    elsewhere = [e for e in strips if e.run != layer.run]
    return [e for e in layup if _comes_first(e, layer) and e not in elsewhere]


def _comes_first(each: LaidLayer, layer: LaidLayer) -> bool:
    if is_early(layer):  # what is laid early in the other half comes with it
        return is_early(each) and (each.own != layer.own or each.index < layer.index)
    return is_early(each) or each.index < layer.index
