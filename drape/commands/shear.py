"""The commands about cloth, ``fabrics`` and ``shear``: arguments, and the lines they print.

Nothing is printed here.
"""

from __future__ import annotations

import argparse
import math
from math import degrees
from pathlib import Path
from typing import Any

from drape.errors import InputError
from drape.fabric.fabric import Fabric, fabric_from, shipped
from drape.fabric.readings import FORCES
from drape.fabric.shear_test import (
    METHODS,
    Limit,
    Measurement,
    measure_bias,
    measure_frame,
    measure_square,
    measure_yarns,
)
from drape.job.keys import NAME, UNITS, Wrong, name
from drape.output.shear_picture import fabric_entry
from drape.output.terminal import aligned

HELP = {
    "square": "bias square, pulled by hand. Give the diagonal along the pull before (1.414 times "
    "the side), and at the first wrinkle. Columns: before, grown",
    "frame": "picture frame. Columns: displacement and force of the cross-head; one file per pull",
    "bias": "bias extension. Columns: displacement and force of the cross-head; one file per strip",
    "yarns": "shear at which the yarns touch. Columns: width, pitch",
}
# method → the two options that stand for a file of one row
BY_HAND = {"square": ("before", "grown"), "yarns": ("width", "pitch")}
DENSITIES = {1.78: "carbon", 2.54: "E-glass"}


def add_shear(commands: Any, run: Any) -> None:
    """The command ``shear`` and its methods; ``run`` is what they call."""
    shear = commands.add_parser(
        "shear", help="work out a cloth's locking angle from measurements", allow_abbrev=False
    )
    methods = shear.add_subparsers(title="methods", metavar="METHOD", required=True)
    for method, text in HELP.items():
        one = methods.add_parser(method, help=text, description=text, allow_abbrev=False)
        one.set_defaults(command=run, method=method)
        by_hand = method in BY_HAND
        one.add_argument(
            "files", nargs="*" if by_hand else "+", type=Path, metavar="CSV", help="readings"
        )
        for option in BY_HAND.get(method, ()):
            one.add_argument(f"--{option}", type=_size, metavar="MM", help="instead of a file")
        if not by_hand:
            _add_machine(one, method)
        _add_common(one)


def _add_machine(one: argparse.ArgumentParser, method: str) -> None:
    sizes = {
        "frame": {"side": "side of the frame, from hinge to hinge"},
        "bias": {
            "length": "length of the strip between the clamps",
            "width": "width of the strip",
        },
    }
    for option, text in sizes[method].items():
        one.add_argument(f"--{option}", type=_size, metavar="MM", required=True, help=text)
    rule = one.add_mutually_exclusive_group()
    rule.add_argument(
        "--wrinkle-at", type=_size, metavar="MM",
        help="displacement at which you saw the first wrinkle (default: two tangents)",
    )  # fmt: skip
    rule.add_argument(
        "--force-limit", type=_size, metavar="N/MM",
        help="shear force per length to take as the limit (default: two tangents)",
    )  # fmt: skip
    one.add_argument("--picture", type=Path, metavar="SVG", help="file to draw the curves into")
    one.add_argument(
        "--force-unit", choices=tuple(FORCES), default="N",
        help="unit of forces for which the file names none (default: N)",
    )  # fmt: skip


def _add_common(one: argparse.ArgumentParser) -> None:
    one.add_argument(
        "--units", choices=tuple(UNITS), default="mm",
        help="unit of lengths for which the file names none (default: mm)",
    )  # fmt: skip
    one.add_argument(
        "--name", type=_name, default="measured", help="name of the fabric (default: measured)"
    )
    one.add_argument(
        "--take", metavar="FABRIC", help="built-in fabric to take all but the locking angle from"
    )
    one.add_argument("--quiet", action="store_true", help="print only the entry to paste")
    one.add_argument("--json", action="store_true", help="print one JSON object")


def _size(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 < value <= 1e5:
        raise argparse.ArgumentTypeError(f"got {text}; allowed: more than 0, at most 100000")
    return value


def _name(text: str) -> str:
    try:
        return str(name(text))
    except Wrong as wrong:
        raise argparse.ArgumentTypeError(f"{wrong.what}; got {text}; allowed: {NAME}") from wrong


def measured(args: argparse.Namespace) -> Measurement:
    """What the arguments of ``shear`` ask for."""
    method, unit = args.method, args.units
    if method in BY_HAND:
        given = tuple(getattr(args, option) for option in BY_HAND[method])
        if (None in given) != (given == (None, None)) or not (args.files or all(given)):
            both = " and ".join(f"--{option}" for option in BY_HAND[method])
            remedy = f"see 'plywright shear {method} --help'"
            raise InputError("no readings given", limit=f"CSV files, or both {both}", remedy=remedy)
        measure = measure_square if method == "square" else measure_yarns
        return measure(args.files, None if None in given else given, unit)
    limit, units = Limit(args.force_limit, args.wrinkle_at), (unit, args.force_unit)
    if method == "frame":
        return measure_frame(args.files, args.side, limit, units)
    return measure_bias(args.files, args.length, args.width, limit, units)


def measured_lines(found: Measurement) -> list[str]:
    """The locking angle, and that of each specimen."""
    rows: list[tuple[str, ...]] = [("specimen", "locks at", "least", "greatest")]
    for each in found.specimens:
        rows.append((each.name, *(f"{degrees(a):.1f}°" for a in _angles(each))))
    head = f"{METHODS[found.method]}, {found.rule}: locking angle "
    return [f"{head}{degrees(found.locking_angle):.1f}°", *aligned(rows)]


def measured_object(found: Measurement, entry: str) -> dict[str, Any]:
    """As ``measured_lines``, for programs to read; ``entry`` is that of ``fabric_entry``."""
    keys = ("locking_angle_deg", "least_deg", "greatest_deg")
    return {
        "method": found.method,
        "rule": found.rule,
        "locking_angle_deg": round(degrees(found.locking_angle), 3),
        "specimens": [
            {
                "name": s.name,
                **{k: round(degrees(a), 3) for k, a in zip(keys, _angles(s), strict=True)},
            }
            for s in found.specimens
        ],
        "entry": entry,
    }


def _angles(specimen: Any) -> tuple[float, float, float]:
    return specimen.shear, specimen.least, specimen.greatest


def entry_of(found: Measurement, args: argparse.Namespace) -> str:
    """The fabric entry that the arguments ask for."""
    return fabric_entry(found, args.name, args.take)


def shipped_lines() -> list[str]:
    """One line for each built-in fabric, and where its figures come from."""
    head = ("fabric", "weave", "fibre", "g/m²", "with resin", "resin", "cured", "locks at", "roll")
    fabrics = [fabric_from(word, values) for word, values in shipped().items()]
    sources = dict.fromkeys(f.source for f in fabrics)
    return [
        *aligned([head, *map(_row, fabrics)]),
        *(f"All values: {s}" if len(sources) == 1 else f"Values: {s}" for s in sources),
    ]


def _row(fabric: Fabric) -> tuple[str, ...]:
    prepreg, content = fabric.prepreg_areal_mass, fabric.resin_content
    return (
        fabric.name,
        fabric.weave,
        DENSITIES.get(fabric.fibre_density, f"{fabric.fibre_density:g} g/cm³"),
        f"{fabric.areal_mass:g}",
        "-" if prepreg is None else f"{prepreg:.0f}",
        "-" if content is None else f"{100 * content:g} %",
        f"{fabric.thickness:.3f} mm",
        f"{degrees(fabric.locking_angle):.0f}°",
        f"{fabric.roll_width:g} mm",
    )


def shipped_objects() -> dict[str, dict[str, Any]]:
    """The built-in fabrics by name, as a job file would have them, with what follows."""
    out = {}
    for word, values in shipped().items():
        fabric = fabric_from(word, values)
        prepreg = fabric.prepreg_areal_mass
        out[word] = {
            **values,
            "thickness": round(fabric.thickness, 4),
            "fibre_fraction": round(fabric.fibre_fraction, 4),
            "prepreg_areal_mass": None if prepreg is None else round(prepreg, 1),
        }
    return out
