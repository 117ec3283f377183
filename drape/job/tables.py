"""The job file's keys, one table per section, and what ``docs/job-file.md`` says of each.

Strips and wrapped plies have theirs in ``layers``, the bag and the parting line in
``bag_settings`` and ``parting_settings``.
"""

from __future__ import annotations

from collections.abc import Mapping

from drape.fabric.composition import BELOW
from drape.fabric.fabric import KINDS, LIMITS
from drape.job.keys import (
    CHOSEN_SPACING,
    COMMON,
    DIRECTION,
    MEMORY,
    MESH_SUFFIXES,
    NAME,
    OURS,
    PAGES,
    POINT,
    TABLE,
    UNITS,
    Key,
    allowance,
    date,
    direction,
    lap_half,
    later_on,
    list_of,
    mesh_name,
    name,
    number,
    one_of,
    point,
    start_or_auto,
    table,
    text,
    this_format,
    yes_no,
)

# What the reference says of the numbers of a fabric: about, default, source.
_FABRIC_NUMBERS: Mapping[str, tuple[str, str, str]] = {
    "areal_mass": (
        "Mass of fibre in the unsheared cloth.",
        "worked out from the other figures, or required",
        "",
    ),
    "prepreg_areal_mass": (
        "Mass of fibre and resin as supplied.",
        "worked out where the resin content is known",
        "",
    ),
    "thickness": (
        "Thickness of one cured, unsheared ply; the stack is built from it.",
        "areal mass / (fibre density × fibre fraction)",
        "",
    ),
    "fibre_density": ("Density of the fibre; the default is carbon's.", "{}", MEMORY),
    "resin_density": ("Density of the cured resin; the default is epoxy's.", "{}", MEMORY),
    "resin_content": (
        "Share of resin as supplied. Leave it out for dry cloth.",
        "dry, or not known",
        "",
    ),
    "fibre_fraction": (
        "Share of fibre in the cured ply.",
        "{} for dry cloth; for prepreg, what its resin content gives without bleed",
        MEMORY,
    ),
    "locking_angle": ("Shear past which the cloth wrinkles.", "required", ""),
    "show_limit": (
        "Shear past which a visible ply looks distorted. It is stored; nothing uses it yet.",
        "{}, or the locking angle if that is less",
        MEMORY,
    ),
    "roll_width": ('Width of the roll, and of pages with `[bench] page = "roll"`.', "{}", MEMORY),
}


def _fabric_number(key: str) -> Key:
    below = key in BELOW
    unit = {
        "areal_mass": "g/m2 of fibre",
        "prepreg_areal_mass": "g/m2 of fibre and resin",
        "locking_angle": "degrees",
        "show_limit": "degrees",
        "fibre_density": "g/cm3",
        "resin_density": "g/cm3",
        "resin_content": "percent by mass",
        "fibre_fraction": "fibre volume fraction",
    }.get(key, "mm")
    end = "less than" if below else "at most"
    allowed = f"{unit}, more than 0, {end} {LIMITS[key]:g}"
    return Key(number(0, LIMITS[key], above=True, below=below), allowed, *_FABRIC_NUMBERS[key])


LATER = Key(later_on, "leave it out for now", "Not built yet.", "")
TOP: Mapping[str, Key] = {
    "format": Key(this_format, "1", "The format of the file.", required=True),
    "title": Key(text, "text", "Printed on every page.", "the file's name: {}"),
    "units": Key(
        one_of(*UNITS),
        ", ".join(UNITS),
        "Unit of the mesh files. Lengths in the job are always mm.",
        source=OURS,
    ),
    "seen_from": Key(
        one_of("inside", "mould"),
        "inside, mould",
        "Side from which positive angles turn counter-clockwise: the hollow or the mould.",
        source=OURS,
    ),
    "mould": Key(table, TABLE, "The mould, see below.", required=True),
    "fabrics": Key(table, "a table of fabrics", "The cloth, see below.", required=True),
    "joint": Key(table, TABLE, "The parting line, see below.", "every ply ends flush"),
    "plies": Key(
        list_of(table),
        "[[plies]] tables, one per ply",
        "In the order of lay-up, from the mould inward; see below.",
        required=True,
    ),
    "report": Key(table, TABLE, "Exit code and date, see below.", "the defaults"),
    "bench": Key(table, TABLE, "How you lay and cut, see below.", "the defaults"),
    "bag": Key(table, TABLE, "The tube bag, see below.", "no bag is worked out"),
    "kit": LATER,
}
MOULD: Mapping[str, Key] = {
    "closing": Key(
        direction,
        DIRECTION,
        "Closing direction, from the first half into the second.",
        "found from the flanges and parting lines",
    ),
    "halves": Key(
        table,
        "one or two tables, [mould.halves.<name>]",
        "The mould's halves, under names of your own.",
        required=True,
    ),
    "parting": Key(
        table,
        "a table with one of: plane, polyline, height",
        "The parting line, where the meshes don't show it; see below.",
        "found in the meshes",
    ),
    "trim": Key(
        table,
        "tables [mould.trim.<mouth>]",
        "Where the part ends inside a mouth, see below.",
        "the part ends at the mouths",
    ),
    "mouths": Key(
        table, 'new names by letter, A = "root"', "Your names for the mouths.", "A, B, C …"
    ),
}
HALF: Mapping[str, Key] = {
    "mesh": Key(
        mesh_name,
        f"a file, {', '.join(MESH_SUFFIXES)}",
        "The half's mesh; the path starts at the job file's folder.",
        required=True,
    ),
    "zero": Key(direction, DIRECTION, "Direction of 0°.", "along the hollow, from mouth A"),
}
TRIM: Mapping[str, Key] = {
    "point": Key(point, POINT, "A point of the trim plane.", required=True),
    "normal": Key(
        direction,
        f"{DIRECTION}, pointing out of the part",
        "The trim plane's normal.",
        required=True,
    ),
}
FABRIC: Mapping[str, Key] = {
    "take": Key(
        text,
        "the name of a built-in fabric",
        "Starts from a built-in fabric; values given beside it replace that fabric's.",
        "none: the fabric is given in full",
    ),
    "weave": Key(
        text,
        "text",
        "Name of the weave. With `plain` in it, yarns are compared modulo 90°.",
        "required for woven cloth; for other kinds the name of the kind",
    ),
    "source": Key(text, "text", "Where your figures come from, for your own notes.", "none"),
    "kind": Key(
        one_of(*KINDS),
        ", ".join(KINDS),
        "Kind of cloth. For kinds that aren't woven a note says what the net means.",
        source=OURS,
    ),
    "bleed": Key(
        yes_no,
        "true, false",
        "Whether the cure lets resin out; if so, give the cured thickness or the fibre fraction.",
        source=OURS,
    ),
    **{key: _fabric_number(key) for key in LIMITS},
}
JOINT: Mapping[str, Key] = {
    "lap_half": Key(
        lap_half,
        'the name of a half, or { "A-B.1" = name, ... }',
        "The half whose plies lap: at every run, or run by run.",
        "every ply ends flush; required with laps, set-backs and targets",
    ),
    "laps": Key(
        list_of(number(0, 1000)),
        "a list of mm, each 0 to 1000",
        "How far the lapping half's plies run past the line, ply by ply.",
        "none",
    ),
    "set_backs": Key(
        list_of(number(0, 1000)),
        "a list of mm, each 0 to 1000",
        "How far the other half's plies stop short of the line, ply by ply.",
        "none",
    ),
    "run_off": Key(
        number(0, 1000),
        "mm, 0 to 1000",
        "How far plies run past trim lines and mouths.",
        source=OURS,
    ),
    "greatest_build_up": Key(
        number(0, 100, above=True),
        "mm, more than 0, at most 100",
        "Target: thickness of all plies together, anywhere across the joint.",
        "no target",
    ),
    "least_overlap": Key(
        number(0, 1000),
        "mm, 0 to 1000",
        "Target: overlap of each pair of plies, as drawn.",
        "no target; beside greatest_build_up, the default of least_overlap under [bench]",
    ),
    "strips": Key(
        list_of(table), "[[joint.strips]] tables, one per strip", "Joint strips, see below.", "none"
    ),
    "wraps": Key(
        list_of(table),
        "[[joint.wraps]] tables, one per wrapped ply",
        "Plies that go round both halves, see below.",
        "none",
    ),
    "yarns": Key(
        one_of("running-through", "mirrored"),
        "running-through, mirrored",
        "What the warps of a pair of plies are to do at the line.",
        "both are measured",
    ),
    "yarns_search": Key(
        yes_no,
        "true, false",
        "Searches for starts and angles that serve `yarns` better. It takes minutes.",
        source=OURS,
    ),
}
ANGLE_TEXT = "degrees, -360 to 360"
PLY: Mapping[str, Key] = {
    "name": Key(name, NAME, "Name of the ply and of its files.", "half and number: {}"),
    "half": Key(text, "the name of a half", "The half it is laid in.", required=True),
    "fabric": Key(text, "the name of a fabric", "Its cloth.", required=True),
    "angle": Key(
        number(-360, 360),
        ANGLE_TEXT,
        "Angle of the warp at the start point, from the half's zero direction.",
        required=True,
    ),
    "start": Key(
        start_or_auto,
        f'"auto", or {POINT}',
        "Where it is first pressed down.",
        "auto, the middle of the half",
        OURS,
    ),
    "first_yarns": Key(
        one_of("straight", later={"steered": "steered first yarns"}),
        "straight",
        "How the two yarns through the start point run.",
        source=OURS,
    ),
    "spacing": Key(
        number(0.05, 100), "mm, 0.05 to 100", "Spacing of the net.", CHOSEN_SPACING, OURS
    ),
    "allowances": Key(
        table,
        "a table of mm by edge",
        "Allowances of this ply alone, see below.",
        "those of [joint]",
    ),
    "trim_in_mould": Key(
        list_of(text),
        'a list of edge names, ["A-B.1"]',
        "Edges that are cut proud, and trimmed to their allowance in the mould.",
        "none",
    ),
    "goal": LATER,
    "region": LATER,
    "splits": LATER,
    "cuts": LATER,
}
ALLOWANCE = Key(
    allowance,
    "mm, -1000 to 1000: + past the edge, - short of it; or stations [[0, 12], [80, 6]], mm along "
    "the edge and allowance, in order",
    "Allowance at the edge of that name: a run, a mouth or a trim line.",
    "that of [joint]",
)
REPORT: Mapping[str, Key] = {
    "fail_on": Key(
        list_of(one_of("note", "warning", "risk")),
        "a list of: note, warning, risk",
        "Findings that end the run with exit code 1.",
        "none",
        OURS,
    ),
    "date": Key(
        date,
        "a date, 2026-01-31",
        "Date on the pages.",
        "a box to fill in, so that the same job always gives the same files",
    ),
}
BENCH: Mapping[str, Key] = {
    "height": LATER,
    "page": Key(one_of(*PAGES), ", ".join(PAGES), "Paper of the full-size patterns.", source=OURS),
    "placement": Key(
        number(0, 100),
        "mm, 0 to 100: how far off a ply may lie, in any direction",
        "How exactly you place a ply.",
        source=MEMORY,
    ),
    "angle": Key(
        number(0, 45),
        "degrees, 0 to 45: how far a ply may be turned, either way",
        "How exactly you align a ply, turned about its start point.",
        source=MEMORY,
    ),
    "least_overlap": Key(
        number(0, 1000),
        "mm, 0 to 1000",
        "Required minimum overlap of each pair of plies, scatter included; less is a risk.",
        source=COMMON,
    ),
    "proud": Key(
        number(0, 100, above=True),
        "mm, more than 0, at most 100",
        "How far past its allowance an edge of trim_in_mould is cut.",
        source=OURS,
    ),
    "bulk": Key(
        number(1, 3),
        "uncured over cured thickness, 1 to 3",
        "How much thicker plies are before the cure, while laps are tucked in.",
        source=MEMORY,
    ),
    "tack_clearance": Key(
        number(0, 10),
        "mm, 0 to 10",
        "Clearance between a tucked lap and the closing half.",
        source=MEMORY,
    ),
    "tuck_limit": Key(
        number(0, 90, above=True),
        "degrees, more than 0, at most 90",
        "How far a lap may have to be tucked in; more is a risk.",
        source=OURS,
    ),
    "bag_width": Key(
        number(0, 10_000, above=True),
        "mm, more than 0, at most 10000",
        "How wide the bag stands at the parting line while the halves close.",
        "not known: whether laps clear the bag is not reported",
    ),
}
