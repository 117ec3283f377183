"""The job file's ``[bag]``: its keys, which of them go together, and the bag they describe.

Lengths in mm, pressure in bar; percentages in the file, shares in ``BagOptions``.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from drape.job.keys import MEMORY, OURS, Check, Key, list_of, number, one_of


@dataclass(frozen=True)
class BagOptions:
    """Kind of bag, and allowances for it, its envelope and breather; defaults from memory."""

    kind: Literal["film", "stretch"] = "film"
    oversize: float = 0.10  # film tube's girth over the largest girth
    undersize: float = 0.10  # bladder's girth under the smallest girth
    tail: float = 150.0  # mm of bag past each mouth
    most_fold: float = 0.35  # film folds where it is larger than the girth by more
    film_radius: float = 3.0  # mm, tightest inside corner that film follows
    bladder_radius: float = 1.0  # mm, the same for a bladder
    envelope_ease: float = 0.20  # envelope's girth over the mould's
    envelope_tail: float = 150.0  # mm past each end of the mould
    breather_overlap: float = 50.0  # mm
    most_stretch: float = 1.0  # of a bladder, relative

    @property
    def least_radius(self) -> float:
        """Tightest inside corner that this kind of bag follows, mm."""
        return self.film_radius if self.kind == "film" else self.bladder_radius


KINDS, PROCESSES = ("film", "stretch"), ("envelope", "clamped")
_MM, _SHARE = number(0, 1000), number(0, 100)


def _remembered(check: Check, allowed: str, about: str, default: str = "{}") -> Key:
    """A key whose default is from memory."""
    return Key(check, allowed, about, default, MEMORY)


BAG: Mapping[str, Key] = {
    "kind": Key(
        one_of(*KINDS),
        ", ".join(KINDS),
        "Film doesn't stretch; a stretch bag, a bladder, does.",
        source=OURS,
    ),
    "oversize": _remembered(
        _SHARE, "percent, 0 to 100", "Of film: girth over the hollow's largest."
    ),
    "undersize": _remembered(
        number(0, 100, below=True),
        "percent, 0 to less than 100",
        "Of a stretch bag: girth under the hollow's smallest.",
    ),
    "stock": Key(
        list_of(number(0, 10_000, above=True)),
        "a list of mm, each more than 0, at most 10000",
        "Lay-flat widths you have in stock; plywright chooses among them.",
        "no list: only the width is worked out",
    ),
    "tail": _remembered(_MM, "mm, 0 to 1000", "Bag past each mouth of the mould."),
    "least_radius": _remembered(
        number(0, 100),
        "mm, 0 to 100",
        "Tightest inside corner that the bag follows.",
    ),
    "most_fold": _remembered(
        number(0, 1000),
        "percent, 0 to 1000",
        "How much larger than the girth film may be before folds are reported.",
    ),
    "most_stretch": _remembered(
        number(0, 1000), "percent, 0 to 1000", "How far a stretch bag may stretch."
    ),
    "process": Key(
        one_of(*PROCESSES),
        ", ".join(PROCESSES),
        "One bag with an envelope round the mould, or a bag inflated in the clamped mould.",
        source=OURS,
    ),
    "envelope_oversize": _remembered(
        _SHARE, "percent, 0 to 100", "Girth of the envelope over that of the closed mould."
    ),
    "envelope_tail": _remembered(_MM, "mm, 0 to 1000", "Envelope past each end of the mould."),
    "breather_overlap": _remembered(_MM, "mm, 0 to 1000", "Breather on itself, and past each end."),
    "pressure": Key(
        number(0, 20, above=True),
        "bar above the surroundings, more than 0, at most 20",
        "Pressure in the bag, for the forces on the mould.",
        'required with `process = "clamped"`',
    ),
}
# Keys that apply to one kind or process only: (key, value of it) → keys.
BELONGS: Mapping[tuple[str, str], tuple[str, ...]] = {
    ("kind", "film"): ("oversize", "most_fold"),
    ("kind", "stretch"): ("undersize", "most_stretch"),
    ("process", "envelope"): ("envelope_oversize", "envelope_tail", "breather_overlap"),
    ("process", "clamped"): ("pressure",),
}


@dataclass(frozen=True)
class Bag:
    """The tube bag that a job asks for.

    Attributes
    ----------
    options : BagOptions
    stock : tuple of float, mm
        Lay-flat widths in stock.
    process : str
        ``envelope``: tube bag and outer envelope are one bag round the closed mould, under
        vacuum. ``clamped``: the tube bag is inflated in the clamped mould.
    pressure : float or None, bar above the surroundings
    """

    options: BagOptions = field(default_factory=BagOptions)
    stock: tuple[float, ...] = ()
    process: Literal["envelope", "clamped"] = "envelope"
    pressure: float | None = None


def misplaced(values: Mapping[str, Any], wrong: Container[str]) -> Iterator[tuple[str, str]]:
    """Keys of another kind or process, and the setting that they are for.

    ``values`` are those that are right in themselves; for a kind or process that is ``wrong``
    nothing is reported.
    """
    default = {"kind": "film", "process": "envelope"}
    for (key, value), words in BELONGS.items():
        if key not in wrong and values.get(key, default[key]) != value:
            yield from ((word, f'{key} = "{value}"') for word in words if word in values)


def bag_from(values: Mapping[str, Any]) -> Bag:
    """The bag of a checked ``[bag]``."""
    given = dict(values)
    common = BagOptions()
    kind = given.get("kind", common.kind)
    radius = "film_radius" if kind == "film" else "bladder_radius"
    names = {
        "oversize": "oversize",
        "undersize": "undersize",
        "most_fold": "most_fold",
        "most_stretch": "most_stretch",
        "envelope_oversize": "envelope_ease",
    }
    options: dict[str, Any] = {to: given[key] / 100.0 for key, to in names.items() if key in given}
    same = ("tail", "envelope_tail", "breather_overlap")
    options |= {key: given[key] for key in same if key in given}
    if "least_radius" in given:
        options[radius] = given["least_radius"]
    return Bag(
        BagOptions(kind=kind, **options),
        given.get("stock", ()),
        given.get("process", "envelope"),
        given.get("pressure"),
    )
