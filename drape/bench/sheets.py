"""What the lay-up sheets of a job say: from results and their scene to pages.

The roof: may import viewers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from drape.errors import Finding, place_text
from drape.layup.pattern import Pattern, PatternEdge
from drape.layup.result import LayerResult
from drape.output.marks import allowance_words, edge_label
from drape.output.sheets import PlySheet, to_sheets
from drape.results import Results
from viewers.flat_map import flat_map

CAUTIONS = (
    "Uncured epoxy can sensitise skin; carbon dust irritates and conducts; hot tools, exotherm, "
    "vacuum and pressure can injure. A pressurised bag pushes the mould open with pressure x "
    "projected area (500 x 50 mm at 5 bar: 12.5 kN): clamps, plugs and mould are for a qualified "
    "person. Read the safety data sheet and the material's data sheet; follow local rules.",
    "These sheets predict fit, not strength: parts that carry people or loads are for a qualified "
    "engineer. Zones are risks, never promises.",
)


def bench_sheets(
    results: Results, scene: Mapping[str, Any], pictures: Mapping[int, bytes], footer: str
) -> bytes:
    """The PDF: of each ply its picture, if there is one, and a flat map of its shear."""
    pages = []
    for k, (result, ply) in enumerate(zip(results.plies, scene["plies"], strict=True)):
        images = [pictures[k]] if k in pictures else []
        if ply["sheet"] is not None and ply["pattern"] is not None:
            images.append(flat_map(ply, scene["range_deg"]))
        pages.append(_page(results, result, ply, tuple(images)))
    return to_sheets(pages, results.job.title, footer, CAUTIONS)


def _page(
    results: Results, result: LayerResult, ply: Mapping[str, Any], images: tuple[bytes, ...]
) -> PlySheet:
    job = results.job
    order = f"{ply['half']}, ply {ply['order']} of {ply['of']}"
    pattern = result.pattern
    run = f" from the run {pattern.angle_from}" if pattern and pattern.angle_from else ""
    side = "inside" if job.seen_from == "inside" else "the mould side"
    facts = [
        ("fabric", ply["fabric"]),
        ("angle", f"{ply['angle_deg']:g}°{run}, seen from {side}"),
    ]
    if pattern and pattern.laid:
        facts.append(("laid", f"{pattern.laid}; put the line on the pattern on the parting line"))
    if ply["sheet"] is not None:
        place = place_text(ply["start"]["point"], 1)
        figures = ply["figures"]
        laps = figures["max_shear_in_laps_deg"]
        facts += [
            ("start", f"the cross on the pattern, at {place} mm in the mould"),
            (
                "greatest shear",
                f"{figures['max_shear_deg']:.1f}° (limit {ply['locking_angle_deg']:g}°)"
                + ("" if laps is None else f", in the laps {laps:.1f}°"),
            ),
            ("edges, mm", _edges(pattern)),
        ]
        if result.piece is not None and math.isfinite(result.piece.stated_error):
            error = f"{result.piece.stated_error:.2f} mm of where they should be"
            facts.append(("edges lie within", f"{error} (errors of mesh and net)"))
    findings = [*result.findings, *_at_the_joint(results, result)]
    risks = [_line(f) for f in findings if f.level in ("risk", "error", "warning")]
    strokes = tuple(s["text"] for s in ply.get("strokes", ()))
    return PlySheet(
        f"{ply['name']}: {order}", tuple(facts), images, strokes, tuple(risks), ply["valid"]
    )


def _at_the_joint(results: Results, result: LayerResult) -> list[Finding]:
    """Findings on the joint that name this ply, with their run, which its own don't have."""
    name, own = result.ply.name, set(result.findings)
    return [
        replace(f, text=f"{f.where}: {f.text}")
        for f in results.findings
        if f not in own and name in f.about and f.about != (name,)
    ]


def _edges(pattern: Pattern | None) -> str:
    """What the cut does at each edge, by its numbered marks; mm."""
    edges = pattern.edges if pattern else ()
    return "; ".join(
        f"{k + 1} to {(k + 1) % len(edges) + 1}: {edge_label(edge, edge_words(edge))}"
        for k, edge in enumerate(edges)
    )


def edge_words(edge: PatternEdge) -> str:
    """The allowance as on the pattern, and where along the run it changes."""
    words = allowance_words(edge)
    if edge.stations_mm is None:
        return words
    places = ", ".join(f"{value:g} at {place:g}" for place, value in edge.stations_mm)
    return f"{words} (cut {places} along the run)"


def _line(finding: Finding) -> str:
    return f"{finding.text}; {finding.remedy}" if finding.remedy else finding.text
