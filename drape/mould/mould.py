"""Mould: its halves with their cavities, flanges, parting runs and mouths.

``find_mould`` takes the halves in the closed position. Each may be an open sheet (with or
without flange) or a solid block. Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike

from drape.errors import Finding, InputError
from drape.geometry.surface import Floats, Ints, Surface, build, readonly
from drape.mould import closing_direction as candidates
from drape.mould.choice import checked_direction, choose, contacts, refuse_turned
from drape.mould.crease_patches import Parts, find_patches
from drape.mould.gaps import gap_finding, gap_limit, refuse_open
from drape.mould.naming import Rim, find_rim, name_parts, region_of
from drape.mould.parting_line import Cut, PartingLine, closing_directions, cut_halves, mostly
from drape.mould.plausible import refuse_twice
from drape.mould.region import Region
from drape.mould.rim_stretches import distance_to_polyline
from drape.mould.rounded_rim import Continued, continue_walls

PLACES = 400  # across a mould, on its parting line
OFF_FLANGE = np.cos(np.radians(5.0))


@dataclass(frozen=True, eq=False)
class Half:
    """One half of a mould.

    Attributes
    ----------
    name : str
    surface : Surface, the whole mesh, normals towards the hollow
    region : Region, the cavity
    flange : (k,) face ids of ``surface``
    """

    name: str
    surface: Surface
    region: Region
    flange: Ints


@dataclass(frozen=True, eq=False)
class Mouth:
    """An open end of the hollow: centre (3,) mm, unit normal pointing out, its halves."""

    name: str
    centre: Floats
    normal: Floats
    halves: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Mould:
    """Halves in the order given; ``closing`` points from the first into the second."""

    halves: dict[str, Half]
    closing: Floats
    mouths: tuple[Mouth, ...]
    runs: tuple[str, ...]
    findings: tuple[Finding, ...]

    def other(self, half: str) -> str:
        """Name of the half that isn't this one; empty for one half alone."""
        return next((name for name in self.halves if name != half), "")


def find_mould(
    surfaces: Mapping[str, Surface],
    *,
    closing: ArrayLike | None = None,
    parting: PartingLine | None = None,
) -> Mould:
    """Find cavity, flange, parting runs and mouths of one half or two.

    Parameters
    ----------
    surfaces : Surface by the half's name, in the closed position, normals of closed
        meshes pointing out of the material
    closing : (3,), optional
        From the first half into the second; found from the flanges if not given, or from the
        parting line's plane.
    parting : PartingLine, optional
        Where the cavities end; found if not given.

    Raises
    ------
    InputError
        No half or more than two, no cavity, a closing direction that doesn't fit, halves
        that aren't in the closed position, or a parting line that can't be cut.
    """
    if not 1 <= len(surfaces) <= 2:
        raise InputError("a mould has one half or two", value=len(surfaces))
    refuse_twice(surfaces)
    names = tuple(surfaces)
    cuts: list[Cut | None]
    rounded: list[Finding] = []
    if parting is None:
        direction, parts = _chosen(surfaces, closing)
        cuts, wholes, parts, rounded = _carried_on(surfaces, parts, direction)
    else:
        direction, given, parts = _parted(surfaces, parting, closing)
        cuts, wholes = [*given], [cut.surface for cut in given]
    findings = _told(names, parts, wholes, direction, closing) + rounded
    signs = [1.0, -1.0][: len(names)]
    rims = [
        _rim_of(name, whole, part, sign * direction, cut)
        for name, whole, part, sign, cut in zip(names, wholes, parts, signs, cuts, strict=True)
    ]
    mouths, runs, holes, more = name_parts(rims)
    findings += more
    halves = {}
    for rim, part, run, hole, cut in zip(rims, parts, runs, holes, cuts, strict=True):
        region = region_of(rim, run, mouths, hole)
        whole, flange = rim.whole, part.flange
        if cut is not None:
            uncut = surfaces[rim.half]
            whole, flange = _facing(uncut, part.side), mostly(flange, cut, uncut)
        halves[rim.half] = Half(rim.half, whole, region, readonly(np.flatnonzero(flange)))
    found_mouths = tuple(
        Mouth(m.name, readonly(m.centre), readonly(m.normal), m.halves) for m in mouths
    )
    findings += _gaps(halves, direction)
    run_names = sorted({name for run in runs for name in run.values()})
    return Mould(halves, readonly(direction), found_mouths, tuple(run_names), tuple(findings))


def _chosen(
    surfaces: Mapping[str, Surface], closing: ArrayLike | None
) -> tuple[Floats, list[Parts]]:
    """Closing direction and parts, as found in the meshes."""
    patches = [find_patches(surface) for surface in surfaces.values()]
    return choose(tuple(surfaces), patches, contacts(patches), closing)


def _carried_on(
    surfaces: Mapping[str, Surface], parts: list[Parts], direction: Floats
) -> tuple[list[Cut | None], list[Surface], list[Parts], list[Finding]]:
    """Meshes and parts with walls carried on past rounded rims, and findings on them."""
    cuts: list[Cut | None] = []
    wholes, out, findings = list[Surface](), list[Parts](), list[Finding]()
    for (name, surface), part, sign in zip(surfaces.items(), parts, (1.0, -1.0), strict=False):
        found = continue_walls(surface, part, sign * direction)
        cut = None if found is None else found.cut
        cuts.append(cut)
        wholes.append(surface if cut is None else cut.surface)
        out.append(part if found is None else found.parts)
        if found is not None:
            findings.append(_rounded(name, found, len(surfaces) > 1))
    return cuts, wholes, out, findings


def _rounded(name: str, found: Continued, pair: bool) -> Finding:
    text = f"the cavity's rim is rounded, with a radius of about {found.radius:.1f} mm: "
    if found.cut is None:
        text += "its edge was taken where the rounding ends"
        return Finding("warning", (name,), text, "give the parting line in [mould.parting]")
    text += "its edge was taken where the wall's tangents meet the flange"
    if not pair:
        return Finding("note", (name,), text)
    return Finding("warning", (name,), text, "expect plies to bridge the groove between the rims")


def _parted(
    surfaces: Mapping[str, Surface], parting: PartingLine, closing: ArrayLike | None
) -> tuple[Floats, list[Cut], list[Parts]]:
    """Closing direction, cut meshes and parts, from the parting line given."""
    given = None if closing is None else checked_direction(closing)
    directions = closing_directions(parting, given)
    if directions is None:
        try:
            directions = _chosen(surfaces, None)[0][None]
        except InputError as error:
            raise InputError(
                "no closing direction found, along which the height counts",
                remedy="give closing in [mould]",
                where=parting.where,
            ) from error
    direction, cuts, parts = cut_halves(dict(surfaces), parting, directions)
    if given is not None and direction @ given < 0.0:
        refuse_turned(given)
    return direction, cuts, parts


def _facing(surface: Surface, side: int) -> Surface:
    """The surface with its normals towards the hollow."""
    return surface if side > 0 else build(surface.vertices, surface.faces[:, ::-1])


def _told(
    names: tuple[str, ...],
    parts: list[Parts],
    surfaces: list[Surface],
    direction: Floats,
    given: ArrayLike | None,
) -> list[Finding]:
    """Findings on what was left out, turned over, or doesn't fit the direction given."""
    out = []
    for name, part, surface in zip(names, parts, surfaces, strict=True):
        if part.others:
            further = (
                "1 other cavity was" if part.others == 1 else f"{part.others} other cavities were"
            )
            text = f"{further} left out: only the largest is used"
            out.append(Finding("warning", (name,), text))
        if not part.flange.any():
            out.append(
                Finding("note", (name,), "the sheet has no flange: its border is the cavity's edge")
            )
        elif given is not None:
            flat = candidates.dominant_normals(
                part.side * surface.face_normals[part.flange], surface.face_areas[part.flange]
            )
            cosine = abs(float(flat[0] @ direction))
            if cosine < OFF_FLANGE:
                angle = np.degrees(np.arccos(cosine))
                text = f"the given closing direction is {angle:.1f}° off the flange's normal"
                out.append(Finding("warning", (name,), text, "check the closing direction"))
    return out


def _rim_of(name: str, surface: Surface, part: Parts, closing: Floats, cut: Cut | None) -> Rim:
    """The half's surface turned towards the hollow, its cavity, and the rim's stretches."""
    if cut is None:
        return find_rim(name, _facing(surface, part.side), part.cavity, part.flange, closing)
    if part.side < 0:
        normals = -surface.corner_normals[:, ::-1]
        surface = build(surface.vertices, surface.faces[:, ::-1], corner_normals=normals)
    return find_rim(name, surface, part.cavity, part.flange, closing, line=(cut.across, cut.source))


def _gaps(halves: dict[str, Half], closing: Floats) -> list[Finding]:
    """Findings where the parting lines of two halves don't meet; refused if far apart."""
    if len(halves) < 2:
        return []
    first, second = halves.values()
    limit = gap_limit(h.surface for h in halves.values())
    shared = {e.name for e in first.region.edges} & {e.name for e in second.region.edges}
    worst = (0.0, min(shared, default=""), 0.0, np.zeros(3))
    for name in sorted(shared):
        a, b = (_points(h.region, name) for h in (first, second))
        if first.region.edge(name).kind == "parting":
            off = (distance_to_polyline(a, b), distance_to_polyline(b, a))
            gap, place = max((float(d.max()), i) for i, d in enumerate(off))
            open_by = float((b.mean(axis=0) - a.mean(axis=0)) @ closing)
            if gap > worst[0]:
                worst = (gap, name, open_by, (a, b)[place][off[place].argmax()])
    gap, name, open_by, where = worst
    lines = (_parting_line(first.region), _parting_line(second.region))
    refuse_open(gap, name, where, lines, closing)
    return [gap_finding(gap, name, limit, open_by=open_by, place=where)] if gap > limit else []


def segmentized(points: Floats, longest: float) -> Floats:
    """The polyline (k, 3) with its segments divided until none is longer than ``longest``."""
    line = shapely.segmentize(shapely.LineString(points), longest)
    return shapely.get_coordinates(line, include_z=True)


def _parting_line(region: Region) -> Floats:
    """(k, 3) places close together on a region's parting runs; on all its edges if it has none."""
    runs = [e.name for e in region.edges if e.kind == "parting"] or [e.name for e in region.edges]
    step = region.surface.size / PLACES
    return np.concatenate([segmentized(_points(region, name), step) for name in runs])


def _points(region: Region, name: str) -> Floats:
    edge = region.edge(name)
    chain = edge.ring
    return region.surface.vertices[chain]
