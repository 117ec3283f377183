"""The job file that ``plywright new`` starts with."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Sequence
from pathlib import Path

from drape.errors import InputError

_TOP = """\
# A job for plywright. Text after a # is a comment: plywright keeps it when it changes the file.
# Lengths are in mm, angles in degrees.
format = 1
title = {title}
units = "{units}"              # of the mesh files: mm, cm, m, in
seen_from = "inside"        # positive angles turn counter-clockwise seen from: inside, mould

[mould]
# closing = [0, 0, 1]       # from the first half into the second (default: from the flanges)
"""
_HALF = """
[mould.halves.{key}]
mesh = {mesh}
# zero = [1, 0, 0]          # direction of 0 degrees (default: along the hollow)
"""
_TRIM = """
# [mould.parting]           # where the cavities end, if the meshes don't show it:
# height = 0                # along closing; or a plane, or a polyline on the mould

# [mould.trim.A]            # where the part ends inside mouth A; the normal points out of it
# point = [0, 0, 0]
# normal = [-1, 0, 0]

[fabrics.cloth]
take = "twill-200-prepreg"  # a built-in fabric, from memory: measure yours, write it here
# areal_mass = 200          # g/m2 of fibre
# locking_angle = 40        # degrees of shear past which the cloth wrinkles
# thickness = 0.23          # of a cured ply (default: worked out)
# roll_width = 1250
"""
_JOINT = """
[joint]                     # what plies do at the parting line; without it all end flush
lap_half = {half}
laps = [10, 15]             # past the line, one per ply of that half, from the mould inward
set_backs = [0, 5]          # short of the line, one per ply of the other half
run_off = 10                # past each trim line or mouth
"""
_ALONE = """
# [joint]                   # without it all plies end flush
# run_off = 10              # past each trim line or mouth
"""
_PLY = """
[[plies]]                   # in the order of lay-up, from the mould inward
half = {half}
fabric = "cloth"
angle = {angle}
# start = [0, 0, 0]         # where the ply is first pressed down (default: chosen)
# spacing = 2.0             # of the net (default: chosen)
"""
_END = """
[bench]
page = "A4"                 # of patterns.pdf: A4, A3, Letter, roll
# placement = 1.5           # how far off you may lay a ply, in any direction: measure yours
# angle = 1.5               # how many degrees you may turn it, either way
# least_overlap = 10        # required of each pair of plies, however it is laid
# proud = 3                 # past its allowance, for edges listed in trim_in_mould

[report]
fail_on = []                # ["risk"]: exit code 1 when there are risks
# date = 2026-01-31         # on the pages (default: a box to fill in)
"""


def starter_job(
    mesh_paths: Sequence[str | os.PathLike[str]], title: str = "New part", units: str = "mm"
) -> str:
    """TOML text of a job with two plies per half, with comments, ready to be edited.

    Parameters
    ----------
    mesh_paths : one or two paths
        As they are to stand in the file: relative to it, or absolute.
    title : str
    units : str
        Of the mesh files.

    Raises
    ------
    InputError
        Not one or two meshes, or a file name that isn't text.
    """
    meshes = [Path(p).as_posix() for p in mesh_paths]
    if not 1 <= len(meshes) <= 2:
        raise InputError("wrong number of meshes", value=len(meshes), limit="1 or 2, one per half")
    names = half_names(meshes)
    parts = [_TOP.format(title=_quoted(title), units=units)]
    for half, mesh in zip(names, meshes, strict=True):
        parts.append(_HALF.format(key=half, mesh=_quoted(mesh)))
    parts.append(_TRIM)
    parts.append(_JOINT.format(half=_quoted(names[0])) if len(names) == 2 else _ALONE)
    parts += [_PLY.format(half=_quoted(h), angle=a) for h in names for a in (0, 45)]
    return "".join(parts) + _END


def half_names(meshes: Sequence[str]) -> list[str]:
    """Names for the halves: the parts in which the files' names differ, if these are usable."""
    stems = [Path(m).stem for m in meshes]
    if len(stems) == 1:
        return ["half"]
    same = [a == b for a, b in zip(*stems, strict=False)]
    common = same.index(False) if False in same else len(same)
    words = re.match(r".*[\W_]|", stems[0][:common])  # cut at the start of a word
    cut = words.end() if words else 0
    names = [re.sub(r"[^A-Za-z0-9]+", "-", s[cut:]).strip("-")[:40] for s in stems]
    good = all(names) and names[0].casefold() != names[1].casefold()
    return names if good else ["first", "second"]


def _quoted(text: str) -> str:
    # JSON's escapes are TOML's too, except that TOML wants DEL escaped and no surrogates
    if re.search("[\ud800-\udfff]", text):
        raise InputError(
            "the file name can't be written as text", value=ascii(text), remedy="rename the file"
        )
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
