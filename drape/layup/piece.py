"""One piece: from a region, a start and allowances to its net, outline, figures and checks.

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from drape.errors import AccuracyError, Finding, as_place, place_text
from drape.geometry.surface import Bools, Floats, Surface, SurfacePoint, readonly
from drape.job.allowance import Allowance, greatest, values_at
from drape.layup.bed import MARGIN, Laid
from drape.layup.checks import (
    CLOSURE_CEILING,
    CLOSURE_LIMIT,
    CURVATURE_LIMIT,
    YARN_LIMIT,
    Checks,
    closure,
    largest_block_sum,
    yarn_deviation,
)
from drape.layup.coverage import coverage, reach_findings
from drape.layup.edges import EdgeStretch, stretches
from drape.layup.net_check import node_residuals
from drape.layup.outline import Outline, outlines
from drape.layup.outline_error import outline_error
from drape.mould.closed.extension import Extended, extend
from drape.mould.region import Region
from drape.mould.surface_error import surface_error
from drape.net.assessment import Assessment, assess
from drape.net.net import Net
from drape.net.solver import NetOptions, solve_net

UNSURE = 0.3  # of a stated error's limit: more is reported
OTHER_SPACING = 0.8  # of the second net that checks the first


@dataclass(frozen=True)
class PieceOptions:
    """What one piece is made of.

    start : SurfacePoint on the region
    warp : (3,) direction of the warp there
    allowances : edge name → mm, + past the edge, − short of it; or stations along the edge
    trims : edge name → mm, of edges cut proud: the allowance they are trimmed to in the mould
    height : mm from the cavity to the ply's mid-surface, one or (n,) for the region's vertices
    spacing : mm between the net's yarns
    """

    start: SurfacePoint
    warp: Floats
    allowances: Mapping[str, Allowance]
    height: float | Floats = 0.0
    spacing: float = 1.0
    trims: Mapping[str, Allowance] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Piece:
    """A draped piece with all that later stages need.

    moved, trimmed : by edge, at the cut and where it is trimmed in the mould.
    outlines : of the cut; own_outlines : of the edges themselves (allowance 0).
    covered_cavity_area, unreached_area : mm² of the cavity.
    """

    options: PieceOptions
    region: Region
    mid: Surface
    extended: Extended
    net: Net
    moved: dict[str, tuple[EdgeStretch, ...]]
    trimmed: dict[str, tuple[EdgeStretch, ...]]
    outlines: tuple[Outline, ...]
    own_outlines: tuple[Outline, ...]
    assessment: Assessment
    checks: Checks
    covered_cavity_area: float
    unreached_area: float
    findings: tuple[Finding, ...]

    @property
    def valid(self) -> bool:
        """Whether the outline may be cut: all checks passed and nothing is unreached."""
        return bool(self.checks.passed) and not any(f.level == "error" for f in self.findings)

    @property
    def stated_error(self) -> float:
        """How far the cut edges may be off, mm; NaN where the mesh can't show it.

        What the mesh does to the surface and to them, and what the net does: its closure, and its
        false shear times the distance from the start to the farthest edge.
        """
        reach = max(float(np.linalg.norm(o.points, axis=1).max()) for o in self.outlines)
        c = self.checks
        return c.surface + c.outline + c.closure + c.curvature * reach


def make_piece(
    region: Region,
    options: PieceOptions,
    where: str = "piece",
    laid: Laid | None = None,
    like: Piece | None = None,
) -> Piece:
    """Drape, unfold, assess and check one piece.

    ``laid``: what it lies on past the parting line; not given, the surface goes on straight.
    ``like``: the same piece at another spacing; the surface it lies on is then taken from it.

    Raises
    ------
    InputError
        Options that can't be (see ``solve_net``).
    AccuracyError
        The net couldn't be made, or the outline doesn't close; ``partial`` has the net.
    """
    if like is None or _margin(like.options) != _margin(options):
        mid, extended = _extended(region, options, laid)
    else:
        mid, extended = like.mid, like.extended
    net = _net(extended, options, options.spacing)
    proud = [e for e in region.edges if e.name in options.trims]
    moved = _moved(region, region.edges, extended, net, options.allowances, options.height)
    trimmed = _moved(region, proud, extended, net, options.trims, options.height)
    _refuse_gaps(moved, net, where)
    _refuse_gaps(trimmed, net, where)
    cut = outlines(region, moved)
    own = outlines(region, moved, at_base=True)
    cut_polygon, own_polygon = _polygon(cut, where, net), _polygon(own, where, net)
    cover = coverage(region, mid, net, cut_polygon)
    checks = _checks(region, extended, net, moved, cut, cut_polygon, options)
    findings = reach_findings(net, cover, region, extended.turned_over(), where)
    findings += _bridged_findings(moved, where) + _mesh_findings(checks, region, where)
    return Piece(
        options,
        region,
        mid,
        extended,
        net,
        moved,
        trimmed,
        cut,
        own,
        assess(net, cut_polygon, own_polygon),
        checks,
        cover.covered,
        cover.unreached,
        findings,
    )


def _moved(region, edges, extended, net, allowances, height) -> dict[str, tuple[EdgeStretch, ...]]:
    return {
        e.name: stretches(region, extended.surface, net, e, allowances[e.name], height)
        for e in edges
    }


def _margin(options: PieceOptions) -> float:
    """How far the surface goes on past the widest allowance, mm."""
    return max(MARGIN, 4.0 * options.spacing)


def _extended(region: Region, options: PieceOptions, laid: Laid | None) -> tuple[Surface, Extended]:
    """The mid-surface on the region, and the same extended."""
    margin = _margin(options)
    needed = max(0.0, *map(greatest, options.allowances.values())) + 1.0
    if laid is None:
        mid = region.surface.offset(options.height)
        return mid, extend(region, mid, needed, margin)
    bed = laid.bed
    whole = bed.stitched.surface.offset(laid.heights)
    laps = [options.allowances[e.name] for e in region.edges if e.kind == "parting"]
    across = max(0.0, *map(greatest, laps)) + 1.0
    extended = extend(region, whole, needed, margin, bed.stitched, across, bed.past, bed.meeting)
    vertices = readonly(whole.vertices[: bed.stitched.own_count])
    return replace(region.surface, vertices=vertices), extended


def _net(extended: Extended, options: PieceOptions, spacing: float, half: bool = False) -> Net:
    return solve_net(
        extended.surface,
        options.start,
        options.warp,
        NetOptions(spacing=spacing, half_phase=half),
        level=extended.level,
        sheets=extended.sheets,
    )


def _mesh_findings(checks: Checks, region: Region, where: str) -> tuple[Finding, ...]:
    """Findings where the mesh leaves the surface or the outline uncertain."""
    finer = "export a finer mesh to make the pattern more certain"
    if np.isnan(checks.surface):
        text = (
            "how far the mesh is from the mould is unknown: it has too few vertices to measure it"
        )
        return (Finding("note", (where,), text, finer),)
    worst = as_place(surface_error(region).place)
    off = f"its surface may be off by {checks.surface:.2f} mm, most near ({place_text(worst, 1)})"
    coarse = checks.surface > UNSURE * checks.surface_limit
    if np.isnan(checks.outline):
        if not checks.passed:
            return ()  # not asked of a piece that is refused anyway
        text = f"how far the mesh moves the outline is unknown: {off}"
        return (Finding("warning", (where,), text, finer, worst),)
    if coarse:
        text = f"the mesh is coarse: {off}, the outline by {checks.outline:.2f} mm"
        return (Finding("warning", (where,), text, finer, worst),)
    if checks.outline > UNSURE * checks.outline_limit:
        text = f"small changes of the mesh move the ply's edges by {checks.outline:.2f} mm"
        return (Finding("warning", (where,), text, "cut the ply proud and trim it in the mould"),)
    return ()


def _refuse_gaps(moved: dict[str, tuple[EdgeStretch, ...]], net: Net, where: str) -> None:
    for name, parts in moved.items():
        lost = sum(int(np.isnan(s.flat).any(axis=1).sum()) for s in parts)
        lost += sum(int(np.isnan(s.flat_base).any(axis=1).sum()) for s in parts)
        if lost:
            total = 2 * sum(len(s.flat) for s in parts)
            raise AccuracyError(
                f"the cloth doesn't reach edge {name} all along",
                where=where,
                value=f"no cloth at {lost} of {total} places",
                remedy="move the start point, split the ply, or use a smaller spacing",
                partial=net,
            )


def _bridged_findings(moved: dict[str, tuple[EdgeStretch, ...]], where: str) -> tuple[Finding, ...]:
    lost = {n: sum(int((~s.found).sum()) for s in parts) for n, parts in moved.items()}
    return tuple(
        Finding(
            "risk",
            (where,),
            f"the cloth doesn't reach {_places(count)} on edge {name}, where the outline is drawn "
            "straight",
            "expect wrinkles there, and cut the ply proud and trim it in the mould",
        )
        for name, count in lost.items()
        if count
    )


def _edges(names: Sequence[str]) -> str:
    return f"edge{'s' if len(names) > 1 else ''} {', '.join(names)}"


def _places(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"


def _polygon(parts: tuple[Outline, ...], where: str, net: Net) -> shapely.Polygon:
    polygon = shapely.Polygon(parts[0].points, [p.points for p in parts[1:]])
    if not polygon.is_valid or polygon.area <= 0.0:
        raise AccuracyError(
            "the outline crosses itself",
            where=where,
            value=_crossing(polygon),
            remedy="split the ply at the tight corner, or use smaller allowances",
            partial=net,
        )
    return polygon


def _crossing(polygon: shapely.Polygon) -> str:
    """Where an outline crosses itself, on the flat cloth."""
    found = re.search(r"\[(\S+) (\S+)\]", shapely.is_valid_reason(polygon))
    if found is None:
        return "a crossing"
    return "a crossing at ({:.0f}, {:.0f}) mm from the start point".format(
        *map(float, found.groups())
    )


def _checks(region, extended, net, moved, cut, polygon, options) -> Checks:
    """The self-checks; see ``layup.checks``.

    What the mesh does to the outline is measured last, for pieces that pass all else.
    """
    second = _net(extended, options, OTHER_SPACING * options.spacing, half=True)
    flat, wanted = _outline_samples(moved, cut, options.allowances)
    stated = surface_error(region).stated
    checks = Checks(
        largest_block_sum(node_residuals(net, extended)),
        yarn_deviation(net, _nodes_in(net, polygon)),
        closure(second, flat, moved, wanted),
        stated,
        np.nan,
        CURVATURE_LIMIT,
        YARN_LIMIT,
        min(CLOSURE_LIMIT + float(np.nan_to_num(stated)), CLOSURE_CEILING),
    )
    if not checks.passed:
        return checks
    outline = outline_error(region, options.start, options.warp, options.spacing)
    return replace(checks, outline=outline)


def _nodes_in(net: Net, polygon: shapely.Polygon) -> Bools:
    u, v = np.meshgrid(net.u, net.v, indexing="ij")
    return np.asarray(shapely.contains_xy(polygon, u, v))


def _outline_samples(moved, cut: tuple[Outline, ...], allowances):
    """Of each stretch the samples that survived as vertices of the cut outline, by edge; and
    the allowances wanted there."""
    kept = {tuple(p) for part in cut for p in part.points.tolist()}
    flat: dict[str, list[Floats]] = {}
    wanted: dict[str, list[Floats]] = {}
    for name, parts in moved.items():
        there = [s.found & [tuple(p) in kept for p in s.flat.tolist()] for s in parts]
        flat[name] = [s.flat[t] for s, t in zip(parts, there, strict=True)]
        wanted[name] = [
            values_at(allowances[name], s.place[t]) for s, t in zip(parts, there, strict=True)
        ]
    return flat, wanted


def past_the_end(piece: Piece, where: str) -> tuple[Finding, ...]:
    """Findings on run-off that passes the end of the mould; edges with the same one share it."""
    alike: dict[tuple[float, str], list[str]] = {}
    for edge in piece.region.edges:
        allowance = greatest(piece.options.allowances[edge.name])
        if edge.kind not in ("mouth", "trim") or allowance <= 0.0:
            continue
        # the outermost samples lie on the parting line, beside the mould in any case
        past = np.concatenate(
            [piece.extended.source_faces[s.moved_faces[2:-2]] < 0 for s in piece.moved[edge.name]]
        )
        if not past.any():
            continue
        share = "all along" if past.all() else f"along {past.mean():.0%} of"
        alike.setdefault((allowance, share), []).append(edge.name)
    text = "the run-off of {:g} mm passes the mould's end {} {}"
    return tuple(
        Finding("warning", (where,), text.format(*how, _edges(names)), "shorten the run-off")
        for how, names in alike.items()
    )
