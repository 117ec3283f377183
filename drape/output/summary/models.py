"""summary.json: the models of everything that a run reports, and its JSON Schema.

Units stand in the names: ``_mm``, ``_mm2``, ``_deg``, ``_g``; thickness in mm, shear as
its magnitude in degrees. What wasn't computed is null; NaN and infinity are refused.
Adding keys keeps ``format``, changing a meaning raises it.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, FiniteFloat

from drape.output.summary.base import Amount, Model, Point2, Point3, Vector3
from drape.output.summary.cloth_models import BridgingZone, StrokeRecord, WrinkleBand, WrinkleZone
from drape.output.summary.joint_models import Joint

FORMAT: Literal[1] = 1
SCHEMA_FILE = Path(__file__).with_name("summary.schema.json")


class Mouth(Model):
    """An open end of the hollow in one half."""

    name: str
    centre_mm: Point3 | None = None


class Half(Model):
    """A mould half."""

    cavity_area_mm2: Amount | None = None
    parting_length_mm: Amount | None = None
    mouths: tuple[Mouth, ...] = ()
    smallest_inside_radius_mm: Amount | None = None
    undercut_area_mm2: Amount | None = None


class Mould(Model):
    """The mould; ``closing`` is null for one half alone."""

    closing: Vector3 | None = None
    halves: dict[str, Half] = Field(default_factory=dict)


class Shears(Model):
    """Shear inside the own edges, interpolated to them, weighted by surface area."""

    max_shear_deg: Amount | None = None
    p99_shear_deg: Amount | None = None
    mean_shear_deg: Amount | None = None
    max_shear_in_laps_deg: Amount | None = None


class EdgeRecord(Model):
    """A named stretch of the outline from vertex ``first`` to ``last``.

    ``allowance_mm`` is that of the cut, ``trim_to_mm`` what it is trimmed to in the mould.
    Where these change along the edge they are the least; ``stations_mm`` are the places, mm
    along the edge, and the allowances of the cut.
    """

    name: str
    kind: str
    first: Annotated[int, Field(ge=0)]
    last: Annotated[int, Field(ge=0)]
    allowance_mm: FiniteFloat
    trim_in_mould: bool = False
    trim_to_mm: FiniteFloat | None = None
    stations_mm: tuple[tuple[FiniteFloat, FiniteFloat], ...] | None = None


class CheckLimits(Model):
    """Limits that the checks' results must not exceed."""

    curvature_deg: Amount | None = None
    yarn_length: Amount | None = None
    closure_mm: Amount | None = None
    surface_mm: Amount | None = None
    outline_mm: Amount | None = None


class Checks(Model):
    """Results of a run's self-checks; ``yarn_length`` is relative to the yarn's length.

    ``surface_mm``, ``outline_mm``: how far surface and edges may be off because of the mesh;
    ``stated_error_mm``: how far the cut edges may be off in all.
    """

    curvature_deg: Amount | None = None
    yarn_length: Amount | None = None
    closure_mm: Amount | None = None
    surface_mm: Amount | None = None
    outline_mm: Amount | None = None
    stated_error_mm: Amount | None = None
    limits: CheckLimits = CheckLimits()


class PieceRecord(Shears):
    """A piece of a ply: its start, its outline and the figures of its fit."""

    name: str
    start_mm: Point3 | None = None
    warp: Vector3 | None = None
    spacing_mm: Annotated[FiniteFloat, Field(gt=0)] | None = None
    valid: bool
    surface_area_mm2: Amount | None = None
    covered_cavity_area_mm2: Amount | None = None
    cloth_area_mm2: Amount | None = None
    unreached_area_mm2: Amount | None = None
    nodes_on_facets: Annotated[int, Field(ge=0)] | None = None
    outline_mm: tuple[Point2, ...] | None = None
    holes_mm: tuple[tuple[Point2, ...], ...] | None = None
    edges: tuple[EdgeRecord, ...] | None = None
    greatest_thickness_mm: Amount | None = None
    wrinkle_zones: tuple[WrinkleZone, ...] | None = None
    wrinkle_band: WrinkleBand | None = None
    bridging_zones: tuple[BridgingZone, ...] | None = None
    smoothing: tuple[StrokeRecord, ...] | None = None
    checks: Checks | None = None


class StripRecord(Model):
    """A joint strip's run, its width across it, and whether it is laid before closing."""

    run: str
    width_mm: Amount
    laid: Literal["before", "after"]


class WrapRecord(Model):
    """A wrapped ply: the run where it begins on ``half``, and how far past that it ends."""

    seam: str
    overlap_mm: Amount
    half: str


class PlyRecord(Shears):
    """A ply; ``angle_deg`` as the job gives it.

    ``mass_g`` is the fibre's, ``prepreg_mass_g`` with resin as supplied, null where the resin
    content isn't known.
    Joint strips are listed as plies too: ``strip`` says where one lies, ``half`` names both
    halves ("lower + upper") if it is laid after closing, and its angle counts from the run. So
    are wrapped plies: ``wrap`` gives the seam.
    """

    name: str
    half: str
    fabric: str
    angle_deg: FiniteFloat
    locking_angle_deg: Amount | None = None
    mass_g: Amount | None = None
    prepreg_mass_g: Amount | None = None
    pieces: tuple[PieceRecord, ...] = ()
    strip: StripRecord | None = None
    wrap: WrapRecord | None = None


class HollowSection(Model):
    """A section of the hollow, ``station_mm`` along it from the first mouth.

    ``girth_mm`` is inside the laminate, null where that fills the hollow. ``branch`` is the
    mouth it leads to (``B+C``: both) where the hollow branches. A section of a ``fork`` belongs
    to no single tube and isn't counted.
    """

    station_mm: Amount
    girth_mm: Amount | None
    mould_girth_mm: Amount
    branch: str | None = None
    fork: bool = False
    centre_mm: Point3 | None = None


class Way(Model):
    """Length of the hollow between two mouths, ``A-B``; ``A``: from A to the closed end."""

    name: str
    length_mm: Amount


class Envelope(Model):
    """Round the closed mould: the outer bag's lay-flat width and length, the breather's size."""

    lay_flat_mm: Amount
    length_mm: Amount
    breather_width_mm: Amount
    breather_length_mm: Amount


class Thrust(Model):
    """Area and end thrust of a mouth."""

    mouth: str
    area_mm2: Amount
    end_thrust_n: Amount


class Forces(Model):
    """Forces of a pressurised bag on the clamped mould, N."""

    pressure_bar: Amount
    projected_area_mm2: Amount
    opening_force_n: Amount
    mouths: tuple[Thrust, ...]
    caution: str


class Bag(Model):
    """The tube bag that fits.

    ``lay_flat_mm`` and ``stock_mm`` are those of its ``kind``; ``stretch`` is relative, of a
    stretch bag at the largest girth. ``length_mm`` is that of the longest way and the tails.
    """

    kind: Literal["film", "stretch"] | None = None
    largest_girth_mm: Amount | None = None
    smallest_girth_mm: Amount | None = None
    lay_flat_mm: Amount | None = None
    stock_mm: Amount | None = None
    stretch: Amount | None = None
    length_mm: Amount | None = None
    ways: tuple[Way, ...] | None = None
    sections: tuple[HollowSection, ...] | None = None
    envelope: Envelope | None = None
    forces: Forces | None = None


class KitItem(Model):
    """Cloth of one fabric: how much of it, and the figures that the run used.

    Masses without ``prepreg`` are the fibre's; with it fibre and resin as supplied, null where
    the resin content isn't known. ``thickness_mm`` and ``fibre_fraction`` (by volume) are
    those of a cured, unsheared ply. ``source`` says where the figures come from.
    """

    fabric: str
    kind: Literal["woven", "unidirectional", "non-crimp"] = "woven"
    weave: str = ""
    source: str = ""
    areal_mass_g_per_m2: Amount | None = None
    prepreg_areal_mass_g_per_m2: Amount | None = None
    thickness_mm: Amount | None = None
    fibre_fraction: Annotated[FiniteFloat, Field(ge=0, le=1)] | None = None
    cloth_area_mm2: Amount | None = None
    roll_length_mm: Amount | None = None
    used_fraction: Annotated[FiniteFloat, Field(ge=0, le=1)] | None = None
    mass_g: Amount | None = None
    prepreg_mass_g: Amount | None = None


class FindingRecord(Model):
    """Something the user should know.

    ``about`` names each ply, strip, run, half or file that it concerns, whole; ``where`` is the
    same as one text. ``place_mm``: in the mould, null where it isn't at one place.
    """

    level: Literal["note", "warning", "risk", "error"]
    where: str
    message: str
    remedy: str = ""
    about: tuple[str, ...] = ()
    place_mm: Point3 | None = None


class Summary(Model):
    """All of summary.json; ``files`` lists every file of the folder, this one included."""

    format: Literal[1] = FORMAT
    title: str
    version: str
    files: tuple[str, ...]
    mould: Mould
    plies: tuple[PlyRecord, ...] = ()
    joint: Joint | None = None
    bag: Bag | None = None
    kit: tuple[KitItem, ...] = ()
    findings: tuple[FindingRecord, ...] = ()


def to_json(summary: Summary) -> str:
    """The summary as JSON: UTF-8 text, two blanks of indent, points on one line each.

    Raises
    ------
    ValueError
        NaN or infinity got in past the models (``model_construct``).
    """
    return _layout(summary.model_dump(mode="json"), 0) + "\n"


def schema() -> str:
    """The JSON Schema (draft 2020-12) of summary.json."""
    whole: dict[str, Any] = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **Summary.model_json_schema(mode="serialization"),
    }
    return json.dumps(whole, indent=2, sort_keys=True, ensure_ascii=False) + "\n"


def _layout(value: Any, depth: int) -> str:
    """Indented JSON, in which lists of plain numbers stay on one line."""
    inner, outer = "  " * (depth + 1), "  " * depth
    if isinstance(value, dict) and value:
        items = [f"{inner}{_scalar(k)}: {_layout(v, depth + 1)}" for k, v in value.items()]
        return "{\n" + ",\n".join(items) + f"\n{outer}}}"
    if isinstance(value, list) and any(isinstance(v, dict | list) for v in value):
        return "[\n" + ",\n".join(inner + _layout(v, depth + 1) for v in value) + f"\n{outer}]"
    return _scalar(value)


def _scalar(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
