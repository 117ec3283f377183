"""Writes ``docs/job-file.md`` from the tables of keys: ``python docs/job_keys.py``.

What a key takes and does is written beside its check. Its default is read from a job without it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import degrees
from pathlib import Path
from typing import Any

from drape.job.bag_settings import BAG, BELONGS
from drape.job.job import Job, load_job
from drape.job.keys import Key, shown
from drape.job.layers import STRIP, WRAP
from drape.job.parting_settings import PARTING
from drape.job.tables import (
    ALLOWANCE,
    BENCH,
    FABRIC,
    HALF,
    JOINT,
    MOULD,
    PLY,
    REPORT,
    TOP,
    TRIM,
)

PAGE = Path(__file__).with_name("job-file.md")
Getter = Callable[[Job], Any]

HEAD = """\
# The job file, key by key

<!-- Written by docs/job_keys.py from the tables of keys: change those, then run it again. -->

A job file is [TOML](https://toml.io). Every length in it is mm and every angle degrees.
`units` is the unit of the mesh files only. Keys that aren't in these tables are refused, with the
file, the line, the key and what is allowed.

**Takes** says which values are allowed. **Default** is what applies without the key; *required*
means that there is none. **From** says where the default comes from: *common practice*, *our
choice*, or *from memory*, which means that nobody has measured it for you. The tables
leave out quotes round words: write `"mm"`, not `mm`.

The [glossary](glossary.md) explains the words. The tasks that the keys serve have pages of their
own, linked in each section.
"""


@dataclass(frozen=True)
class Section:
    """One table of the job file.

    Attributes
    ----------
    header : str
        As the job file has it; ``""``: the top of the file.
    keys : mapping of key to Key
    intro : str
    defaults : mapping of key to what reads its value from a job without it
        None or empty: the job has no value, ``Key.default`` says in words what applies.
    """

    header: str
    keys: Mapping[str, Key]
    intro: str
    defaults: Mapping[str, Getter] = field(default_factory=dict)


def _cloth(job: Job) -> Any:
    return job.fabrics["cloth"]


def _ply(job: Job) -> Any:
    return job.plies[0]


SECTIONS = (
    Section(
        "",
        TOP,
        "These stand at the top of the file, before the first table.",
        {
            "title": lambda job: job.title,
            "units": lambda job: job.units,
            "seen_from": lambda job: job.seen_from,
        },
    ),
    Section(
        "[mould]",
        MOULD,
        "See [your mould](your-mould.md).",
        {"closing": lambda job: job.closing, "mouths": lambda job: dict(job.mouths)},
    ),
    Section(
        "[mould.halves.lower]",
        HALF,
        "One table for each half. `lower` stands for a name of your own.",
        {"zero": lambda job: job.halves[0].zero},
    ),
    Section(
        "[mould.trim.A]",
        TRIM,
        "One table for each mouth inside which the part ends, under the mouth's name.",
    ),
    Section(
        "[mould.parting]",
        PARTING,
        "Only where the meshes don't show the parting line; see "
        "[your mould](your-mould.md#where-the-cavity-ends).",
        {key: lambda job: job.parting for key in PARTING},
    ),
    Section(
        "[fabrics.cloth]",
        FABRIC,
        "One table for each fabric. `cloth` stands for a name of your own; see "
        "[your cloth](cloth.md).",
        {
            "kind": lambda job: _cloth(job).kind,
            "bleed": lambda job: False,
            "source": lambda job: _cloth(job).source,
            "fibre_density": lambda job: _cloth(job).fibre_density,
            "resin_density": lambda job: _cloth(job).resin_density,
            "resin_content": lambda job: _cloth(job).resin_content,
            "prepreg_areal_mass": lambda job: _cloth(job).prepreg_areal_mass,
            "fibre_fraction": lambda job: _cloth(job).fibre_fraction,
            "show_limit": lambda job: degrees(_cloth(job).show_limit),
            "roll_width": lambda job: _cloth(job).roll_width,
        },
    ),
    Section(
        "[joint]",
        JOINT,
        "What plies do at the parting line; see [the joint](joint.md).",
        {
            "lap_half": lambda job: job.joint.lap_half,
            "laps": lambda job: job.joint.laps,
            "set_backs": lambda job: job.joint.set_backs,
            "run_off": lambda job: job.joint.run_off,
            "greatest_build_up": lambda job: job.joint.greatest_build_up,
            "least_overlap": lambda job: job.joint.least_overlap,
            "yarns": lambda job: job.joint.yarns,
            "yarns_search": lambda job: job.joint.yarns_search,
        },
    ),
    Section(
        "[[joint.strips]]",
        STRIP,
        "One table for each strip; see [the joint](joint.md#joint-strips).",
        {
            "name": lambda job: job.strips[0].name,
            "run": lambda job: job.strips[0].run,
            "half": lambda job: job.strips[0].half,
            "spacing": lambda job: job.strips[0].spacing,
        },
    ),
    Section(
        "[[joint.wraps]]",
        WRAP,
        "One table for each wrapped ply; see [the joint](joint.md#wrapped-plies).",
        {
            "name": lambda job: job.wraps[0].name,
            "half": lambda job: job.wraps[0].half,
            "start": lambda job: job.wraps[0].start,
            "spacing": lambda job: job.wraps[0].spacing,
        },
    ),
    Section(
        "[[plies]]",
        PLY,
        "One table for each ply, in the order of lay-up; see [the plies](plies.md).",
        {
            "name": lambda job: _ply(job).name,
            "start": lambda job: _ply(job).start,
            "first_yarns": lambda job: _ply(job).first_yarns,
            "spacing": lambda job: _ply(job).spacing,
            "allowances": lambda job: dict(_ply(job).allowances),
            "trim_in_mould": lambda job: _ply(job).trim_in_mould,
        },
    ),
    Section(
        "[plies.allowances]",
        {'"A-B.1"': ALLOWANCE},
        "Below the ply it belongs to. Names of runs have a dot and need quotes; see "
        "[the joint](joint.md#allowances-of-one-ply).",
        {'"A-B.1"': lambda job: _ply(job).allowances.get("A-B.1")},
    ),
    Section(
        "[bench]",
        BENCH,
        "How you lay and cut; see [the joint](joint.md#placement-scatter).",
        {
            "page": lambda job: job.page,
            "placement": lambda job: job.bench.placement.offset,
            "angle": lambda job: degrees(job.bench.placement.angle),
            "least_overlap": lambda job: job.bench.least_overlap,
            "proud": lambda job: job.bench.proud,
            "bulk": lambda job: job.bench.bulk,
            "tack_clearance": lambda job: job.bench.tack_clearance,
            "tuck_limit": lambda job: degrees(job.bench.tuck_limit),
            "bag_width": lambda job: job.bench.bag_width,
        },
    ),
    Section(
        "[bag]",
        BAG,
        "Without this table no bag is worked out; see [the tube bag](bag.md).",
        {
            "kind": lambda job: job.bag.options.kind,
            "oversize": lambda job: 100.0 * job.bag.options.oversize,
            "undersize": lambda job: 100.0 * job.bag.options.undersize,
            "stock": lambda job: job.bag.stock,
            "tail": lambda job: job.bag.options.tail,
            "least_radius": lambda job: job.bag.options.least_radius,
            "most_fold": lambda job: 100.0 * job.bag.options.most_fold,
            "most_stretch": lambda job: 100.0 * job.bag.options.most_stretch,
            "process": lambda job: job.bag.process,
            "envelope_oversize": lambda job: 100.0 * job.bag.options.envelope_ease,
            "envelope_tail": lambda job: job.bag.options.envelope_tail,
            "breather_overlap": lambda job: job.bag.options.breather_overlap,
            "pressure": lambda job: job.bag.pressure,
        },
    ),
    Section(
        "[report]",
        REPORT,
        "Exit codes are listed on [what comes out](output.md#exit-codes).",
        {"fail_on": lambda job: job.fail_on, "date": lambda job: job.date},
    ),
)
# The least that a job with every table says.
MINIMAL: Mapping[str, tuple[str, ...]] = {
    "": ("format = 1",),
    "[mould]": (),
    "[mould.halves.lower]": ('mesh = "lower.stl"',),
    "[mould.halves.upper]": ('mesh = "upper.stl"',),
    "[fabrics.cloth]": ('weave = "2x2 twill"', "areal_mass = 200", "locking_angle = 45"),
    "[joint]": (),
    "[[joint.strips]]": ("width = 20", "angle = 0", 'fabric = "cloth"', 'laid = "after"'),
    "[[joint.wraps]]": ('seam = "A-B.1"', "overlap = 10", "angle = 0", 'fabric = "cloth"'),
    "[[plies]]": ('half = "lower"', 'fabric = "cloth"', "angle = 0"),
    "[bench]": (),
    "[bag]": (),
    "[report]": (),
}


def job_with(
    folder: Path,
    more: Mapping[str, str] | None = None,
    lines_of: Mapping[str, tuple[str, ...]] = MINIMAL,
) -> Job:
    """The minimal job, with further lines by table, loaded from ``folder``."""
    for half in ("lower", "upper"):
        (folder / f"{half}.stl").write_bytes(b"")
    text = ""
    for header, lines in lines_of.items():
        text += "\n".join([header, *lines, (more or {}).get(header, "")]) + "\n"
    path = folder / "job.toml"
    path.write_text(text, encoding="utf-8")
    return load_job(path)


def settings(section: Section, key: str) -> tuple[str, ...]:
    """What else the section must say for the key to mean something; ``""``: nothing.

    Several where the default depends on it.
    """
    if section.keys is not BAG:
        return ("",)
    if key == "least_radius":
        return tuple(f'kind = "{kind}"' for kind in ("film", "stretch"))
    of = [f'{word} = "{value}"' for (word, value), keys in BELONGS.items() if key in keys]
    return tuple(of) if of and key != "pressure" else ("",)


def default_values(section: Section, key: str) -> dict[str, str]:
    """Setting → the value, as TOML, that a job without the key gets; empty: it gets none."""
    if key not in section.defaults:
        return {}
    out = {}
    for setting in settings(section, key):
        with tempfile.TemporaryDirectory() as folder:
            job = job_with(Path(folder), {section.header: setting} if setting else None)
        value = section.defaults[key](job)
        if value is not None and value not in ((), {}, ""):
            out[setting] = toml(value)
    return out


def toml(value: Any) -> str:
    """A value as the job file spells it."""
    return f"{value:.6g}" if isinstance(value, float) else shown(value)


def default_text(section: Section, word: str) -> str:
    """What the page says of a key's default."""
    key = section.keys[word]
    if key.required:
        return "*required*"
    values = default_values(section, word)
    several = len(values) > 1
    said = [f"`{v}` ({setting})" if several else f"`{v}`" for setting, v in values.items()]
    return key.default.format(", ".join(said))


def row(section: Section, word: str) -> str:
    """A key's row."""
    key = section.keys[word]
    cells = (f"`{word}`", key.allowed, default_text(section, word), key.source, key.about)
    return "| " + " | ".join(cell.replace("<", "&lt;") for cell in cells) + " |"


def page() -> str:
    """The whole page."""
    parts = [HEAD]
    for section in SECTIONS:
        title = f"`{section.header}`" if section.header else "The top of the file"
        parts.append(f"\n## {title}\n\n{section.intro}\n\n")
        parts.append("| key | takes | default | from | what it does |\n|---|---|---|---|---|\n")
        parts.append("".join(f"{row(section, word)}\n" for word in section.keys))
    return "".join(parts)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
