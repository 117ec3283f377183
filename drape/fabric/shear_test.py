"""From measurements of specimens to a locking angle.

Each ``measure_…`` takes files, or values given by hand, and gives a ``Measurement``. Angles in
radians inside, lengths in mm, forces in N.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import degrees
from pathlib import Path

import numpy as np

from drape.errors import Finding, InputError, plain
from drape.fabric.locking import Locking, shear_at_force, two_tangents
from drape.fabric.readings import FORCES, LENGTHS, Column, Readings, read_columns
from drape.fabric.specimens import (
    ShearCurve,
    bias_curve,
    bias_shear,
    frame_curve,
    frame_shear,
    square_shear,
    yarns_touch,
)
from drape.geometry.arrays import Floats

METHODS: Mapping[str, str] = {
    "square": "bias square",
    "frame": "picture frame",
    "bias": "bias extension",
    "yarns": "yarn width and pitch",
}
UNSURE = 3.0  # degrees between least and greatest: more is reported, a choice of our own
SLIP = 40.0  # degrees: from about here yarns slip in a bias strip; from memory
LEAST_DEG = 1.0  # degrees: below it a unit is wrong
RULES = {"square": "first wrinkle", "yarns": "yarns touch"}
DISPLACEMENT = (
    "displacement", "extension", "elongation", "crosshead", "travel", "stroke", "weg",
    "verschiebung", "traversenweg",
)  # fmt: skip
FORCE = ("force", "load", "kraft", "standardkraft")


@dataclass(frozen=True, eq=False)
class Specimen:
    """One specimen.

    Attributes
    ----------
    name : str
        Its file, with the row where a file holds several; or "given".
    shear, least, greatest : float
        Its locking angle and how far that is uncertain, radians.
    curve : ShearCurve or None
    locking : Locking or None
        Its tangents, where it was found by them.
    """

    name: str
    shear: float
    least: float
    greatest: float
    curve: ShearCurve | None = None
    locking: Locking | None = None


@dataclass(frozen=True, eq=False)
class Measurement:
    """What specimens of one cloth show.

    ``rule`` says how the angle was read; ``files`` are the names of the files, without folder.
    """

    method: str
    rule: str
    files: tuple[str, ...]
    specimens: tuple[Specimen, ...]
    findings: tuple[Finding, ...]

    @property
    def locking_angle(self) -> float:
        """Mean of the specimens, radians."""
        return float(np.mean([s.shear for s in self.specimens]))


@dataclass(frozen=True)
class Limit:
    """How the locking angle is read off a curve; with neither, by two tangents.

    ``force`` is a force per length that is reached, N/mm; ``displacement`` that at which the
    first wrinkle was seen, mm.
    """

    force: float | None = None
    displacement: float | None = None


def measure_square(
    files: Sequence[Path], values: tuple[float, float] | None = None, unit: str = "mm"
) -> Measurement:
    """Bias squares: rows of the diagonal along the pull before, and at the first wrinkle.

    Parameters
    ----------
    files : sequence of Path
    values : (before, grown) mm, of one specimen, instead of files
    unit : str
        Of lengths for which the files name none.
    """
    before = Column("before", ("before", "start", "unsheared"), LENGTHS, unit)
    grown = Column("grown", ("grown", "after", "wrinkle", "pulled"), LENGTHS, unit)
    return _by_rows("square", files, values, (before, grown), square_shear, _half_a_millimetre)


def measure_yarns(
    files: Sequence[Path], values: tuple[float, float] | None = None, unit: str = "mm"
) -> Measurement:
    """Rows of yarn width and pitch; parameters as of ``measure_square``."""
    width = Column("width", ("width",), LENGTHS, unit)
    pitch = Column("pitch", ("pitch", "spacing"), LENGTHS, unit)
    found = _by_rows("yarns", files, values, (width, pitch), yarns_touch, _certain)
    message = (
        "this is the angle at which the yarns touch. They give way when pressed together, and the "
        "cloth may also wrinkle before that"
    )
    note = Finding("note", (METHODS["yarns"],), message, "pull a bias square to check")
    return replace(found, findings=(*found.findings, note))


def measure_frame(
    files: Sequence[Path], side: float, limit: Limit = Limit(), units: tuple[str, str] = ("mm", "N")
) -> Measurement:
    """Picture frame: displacement and force of the cross-head.

    Parameters
    ----------
    files : sequence of Path
        One pull each.
    side : float, mm, of the frame from hinge to hinge
    limit : Limit
    units : of lengths and of forces for which the files name none
    """
    return _by_curves(
        "frame",
        files,
        limit,
        units,
        lambda displacement, force: frame_curve(displacement, force, side),
        lambda displacement: float(frame_shear(np.array(displacement), side)),
    )


def measure_bias(
    files: Sequence[Path],
    length: float,
    width: float,
    limit: Limit = Limit(),
    units: tuple[str, str] = ("mm", "N"),
) -> Measurement:
    """Bias extension: strips of a length between and a width along the clamps, mm.

    The other parameters are as of ``measure_frame``.
    """
    found = _by_curves(
        "bias",
        files,
        limit,
        units,
        lambda displacement, force: bias_curve(displacement, force, length, width),
        lambda displacement: float(bias_shear(np.array(displacement), length, width)),
    )
    if degrees(found.locking_angle) <= SLIP:
        return found
    message = f"past about {SLIP:g}° yarns slip in a bias strip, so the true shear is less"
    remedy = "measure the angle on the strip, or use a frame or a bias square"
    note = Finding("warning", (METHODS["bias"],), message, remedy)
    return replace(found, findings=(*found.findings, note))


def _by_rows(
    method: str,
    files: Sequence[Path],
    values: tuple[float, float] | None,
    columns: tuple[Column, Column],
    formula: Callable[[Floats, Floats], Floats],
    uncertain: Callable[[Floats, Floats], tuple[Floats, Floats]],
) -> Measurement:
    """One specimen per row; ``uncertain`` gives the least and the greatest angle of each."""
    specimens, findings = list[Specimen](), list[Finding]()

    def add(where: str, first: Floats, second: Floats) -> None:
        with _errors_at(where):
            angles = formula(first, second)
        low, high = uncertain(first, second)
        for i, angle in enumerate(angles):
            name = f"{where}, specimen {i + 1}" if where else "given"
            specimens.append(Specimen(name, float(angle), float(low[i]), float(high[i])))

    if values is not None:
        add("", np.array([values[0]]), np.array([values[1]]))
    for file in files:
        read = read_columns(file, columns)
        add(file.name, *(read.columns[c.name] for c in columns))
        findings += _assumed(file, read)
    return _measurement(method, RULES[method], files, specimens, findings)


def _by_curves(
    method: str,
    files: Sequence[Path],
    limit: Limit,
    units: tuple[str, str],
    curve_of: Callable[[Floats, Floats], ShearCurve],
    shear_of: Callable[[float], float],
) -> Measurement:
    """One specimen per file."""
    columns = (
        Column("displacement", DISPLACEMENT, LENGTHS, units[0]),
        Column("force", FORCE, FORCES, units[1]),
    )
    specimens, findings = list[Specimen](), list[Finding]()
    for file in files:
        read = read_columns(file, columns)
        with _errors_at(file.name):
            curve = curve_of(read.columns["displacement"], read.columns["force"])
            specimens.append(_read_off(file.name, curve, limit, shear_of))
        findings += _assumed(file, read) + _gradual(specimens[-1])
    rule = "two tangents"
    if limit.displacement is not None:
        rule = f"wrinkle seen at {limit.displacement:g} mm"
    elif limit.force is not None:
        rule = f"force limit of {limit.force:g} N/mm"
    return _measurement(method, rule, files, specimens, findings)


def _read_off(
    name: str, curve: ShearCurve, limit: Limit, shear_of: Callable[[float], float]
) -> Specimen:
    if limit.displacement is not None:
        angle = shear_of(limit.displacement)
    elif limit.force is not None:
        angle = shear_at_force(curve, limit.force)
    else:
        found = two_tangents(curve)
        return Specimen(name, found.shear, found.least, found.greatest, curve, found)
    return Specimen(name, angle, angle, angle, curve)


def _measurement(
    method: str,
    rule: str,
    files: Sequence[Path],
    specimens: Sequence[Specimen],
    findings: Sequence[Finding],
) -> Measurement:
    for each in specimens:
        if degrees(each.shear) < LEAST_DEG:
            raise InputError(
                "implausibly small locking angle",
                where=each.name,
                value=f"{degrees(each.shear):.2g} degrees",
                limit=f"{LEAST_DEG:g} degrees or more",
                remedy="check the units, and that the first reading is of unsheared cloth",
            )
    names = tuple(plain(f.name) for f in files)
    return Measurement(method, rule, names, tuple(specimens), tuple(findings))


@contextmanager
def _errors_at(where: str) -> Iterator[None]:
    """Give the errors of formulas the place of the values they were given."""
    try:
        yield
    except InputError as e:
        raise InputError(e.what, where=where, value=e.value, limit=e.limit, remedy=e.remedy) from e


def _assumed(file: Path, read: Readings) -> list[Finding]:
    if not read.assumed:
        return []
    message = f"assumed, since the file doesn't say: {', '.join(read.assumed)}"
    remedy = f"if that is wrong, add headings such as '{next(iter(read.columns))} [mm]'"
    return [Finding("note", (file.name,), message, remedy)]


def _gradual(specimen: Specimen) -> list[Finding]:
    low, high = degrees(specimen.least), degrees(specimen.greatest)
    if high - low <= UNSURE:
        return []
    message = f"the curve bends gradually: other choices of tangents give {low:.0f} to {high:.0f}°"
    remedy = "watch for the first wrinkle, and give its displacement or a force of your own"
    return [Finding("warning", (specimen.name,), message, remedy)]


def _half_a_millimetre(before: Floats, grown: Floats) -> tuple[Floats, Floats]:
    """Angles with the grown diagonal misread by half a millimetre either way."""
    sines = [((grown + off) / before) ** 2 - 1.0 for off in (-0.5, 0.5)]
    low, high = (np.arcsin(np.clip(s, 0.0, 1.0)) for s in sines)
    return low, high


def _certain(width: Floats, pitch: Floats) -> tuple[Floats, Floats]:
    angles = yarns_touch(width, pitch)
    return angles, angles
