"""What a scene holds, key by key, and the JSON Schema of a packed one.

A scene is a contract between two languages: Python makes it and draws windows and pictures of
it, the page's script draws the same. ``viewers.scene.packing`` makes JSON of it, and
``scene.schema.json`` says what that JSON is.

Lengths in mm, angles in degrees (names end in ``_deg``), points in the mould's coordinates;
``flat`` are places on the cloth, the start point at (0, 0) and the warp along x. Of an array's
shape only the last numbers are fixed, and stand in its name or its comment.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, Literal, NotRequired

from pydantic import ConfigDict, TypeAdapter, WithJsonSchema
from typing_extensions import TypeAliasType, TypedDict

from drape.errors import Level
from drape.geometry.arrays import Floats, Ints

FORMAT: Literal[2] = 2
SCHEMA_FILE = Path(__file__).with_name("scene.schema.json")


def _array(*shape: int | None, whole: bool = False) -> WithJsonSchema:
    """Schema of a packed array; None for any number of rows. ``whole``: indices, no numbers."""
    sizes = [{"type": "integer", "minimum": 0} if n is None else {"const": n} for n in shape]
    width = shape[-1] if len(shape) > 1 else 1
    origin = {"type": "array", "items": {"type": "number"}, "minItems": width, "maxItems": width}
    scale = {"type": "number", "exclusiveMinimum": 0}
    properties: dict[str, Any] = {
        "shape": {"type": "array", "prefixItems": sizes, "minItems": len(shape), "items": False},
        **({"type": {"enum": ["u2", "i4"]}} if whole else {"scale": scale, "origin": origin}),
        "data": {"type": "string", "contentEncoding": "base64"},
    }
    more = {"required": list(properties), "additionalProperties": False}
    return WithJsonSchema({"type": "object", "properties": properties, **more})


# named types: in the schema each stands once
Values = TypeAliasType("Values", Annotated[Floats, _array(None)])
Point = TypeAliasType("Point", Annotated[Floats, _array(3)])
Points = TypeAliasType("Points", Annotated[Floats, _array(None, 3)])
FlatPoint = TypeAliasType("FlatPoint", Annotated[Floats, _array(2)])
FlatPoints = TypeAliasType("FlatPoints", Annotated[Floats, _array(None, 2)])
Segments = TypeAliasType("Segments", Annotated[Floats, _array(None, 2, 3)])
Lines = TypeAliasType("Lines", Annotated[Floats, _array(None, None, 3)])  # of as many points each
Triangles = TypeAliasType("Triangles", Annotated[Ints, _array(None, 3, whole=True)])
ColourTable = TypeAliasType("ColourTable", Annotated[Ints, _array(256, 3, whole=True)])


class SheetMesh(TypedDict):
    """Triangles of a ply, counter-clockwise as seen from the hollow; shear with its sign."""

    points: Points
    flat: FlatPoints
    shear_deg: Values
    triangles: Triangles


class View(TypedDict):
    """How to look from the hollow at a ply: unit vectors ``inward`` (from the cloth into the
    hollow) and ``across`` (its long way, roughly square to that); ``size``: its diagonal."""

    inward: Point
    across: Point
    centre: Point
    size: float


class StartMark(TypedDict):
    """Where a ply is pressed down first; unit vectors of the surface and of the warp there."""

    point: Point
    normal: Point
    warp: Point


class Yarns(TypedDict):
    """Yarns every so often."""

    warp: list[Points]
    weft: list[Points]


class Figures(TypedDict):
    """What is said of a ply."""

    max_shear_deg: float
    p99_shear_deg: float
    mean_shear_deg: float
    max_shear_in_laps_deg: float | None
    cloth_area_mm2: float


class Mark(TypedDict):
    """A numbered mark on the cloth; ``point`` is None where no net reaches it."""

    number: int
    flat: FlatPoint
    point: Point | None


class EdgeLine(TypedDict):
    """Where an edge of the cavity runs on the cloth."""

    name: str
    points: FlatPoints


class FlatPattern(TypedDict):
    """The flat pattern; ``turn``: cosine and sine of the way in which it is longest."""

    outline: FlatPoints
    holes: list[FlatPoints]
    lines: list[EdgeLine]
    snips: list[FlatPoints]
    marks: list[Mark]
    turn: tuple[float, float]


class Zone(TypedDict):
    """A wrinkle or bridging zone; rings on the cloth, lines on the part."""

    kind: str
    text: str
    area_mm2: float
    flat: list[FlatPoints]
    outlines: list[Points]
    hatching: list[Points]


class SmoothingStroke(TypedDict):
    """A stroke of the hand; ``pull``: unit vector at its end, None where nothing is pulled."""

    number: int
    text: str
    points: Points
    flat: FlatPoints
    pull: Point | None
    pull_flat: FlatPoint | None


class Lap(TypedDict):
    """A ply's lap along a run: lines across it, station by station."""

    run: str
    folded_out: Lines
    tucked: Lines


class PlyFacts(TypedDict):
    """Which ply it is, and what may be none: its laps along each run, zones and strokes."""

    name: str
    half: str
    fabric: str
    order: int
    of: int
    angle_deg: float
    locking_angle_deg: float
    valid: bool
    laps: list[Lap]
    zones: list[Zone]
    strokes: list[SmoothingStroke]


class BarePly(PlyFacts):
    """A ply that couldn't be draped. What it lacks is None rather than left out, so that
    nothing of another ply is taken for it."""

    sheet: None
    view: None
    start: None
    figures: None
    pattern: None


class DrapedPly(PlyFacts):
    """A ply on the part and on the cloth; ``limit`` is where its shear is the locking angle."""

    sheet: SheetMesh
    view: View
    start: StartMark
    figures: Figures
    pattern: FlatPattern | None
    limit: Segments
    yarns: Yarns
    cut_line: list[Points]


ScenePly = BarePly | DrapedPly


class HalfMesh(TypedDict):
    """Cavity and flange of a half, thinned for the eye."""

    name: str
    points: Points
    triangles: Triangles


class DrawnRun(TypedDict):
    """A run of the parting line."""

    name: str
    points: Points


class BuildUpBand(TypedDict):
    """Build-up over a stretch across a run; below 0 is the lap half's side."""

    from_mm: float
    to_mm: float
    plies: int
    thickness_mm: float


class Bar(TypedDict):
    """A stretch across a run that a ply covers; None where it goes on into its half."""

    ply: str
    half: str
    from_mm: float | None
    to_mm: float | None


class JointSection(TypedDict):
    """A run's build-up and its plies, at one place ``at_mm`` along it if they change."""

    run: str
    lap_half: str
    at_mm: float | None
    bands: list[BuildUpBand]
    bars: list[Bar]


class SceneFinding(TypedDict):
    """A finding, for people."""

    level: Level
    where: str
    message: str
    remedy: str


class Live(TypedDict):
    """What a page needs to ask the server it came from."""

    token: str


class Scene(TypedDict):
    """Everything that is drawn of a job's results.

    ``format`` stays where keys are added, and is raised where one goes or changes its meaning.
    ``colours`` are the shear map's from 0 to ``range_deg``, ``ticks_deg`` what is written below.
    """

    format: Literal[2]
    title: str
    caution: str
    seen_from: Literal["inside", "mould"]
    colours: ColourTable
    range_deg: float
    ticks_deg: list[float]
    halves: list[HalfMesh]
    runs: list[DrawnRun]
    plies: list[ScenePly]
    joints: list[JointSection]
    findings: list[SceneFinding]
    live: NotRequired[Live]


# of all that is in it, too
Scene.__pydantic_config__ = ConfigDict(  # type: ignore[attr-defined]
    extra="forbid", arbitrary_types_allowed=True
)


def schema() -> str:
    """The JSON Schema of a packed scene, as it stands in ``SCHEMA_FILE``."""
    content = TypeAdapter(Scene).json_schema()
    return json.dumps(content, indent=1, sort_keys=True) + "\n"
