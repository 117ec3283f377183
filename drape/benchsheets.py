"""What the lay-up sheets of a job say: from results and their scene to pages.

The roof: may import viewers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drape.errors import Finding, place_text
from drape.output.sheets import PlySheet, to_sheets
from drape.results import PlyResult, Results
from viewers.flatmap import flat_map

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
    results: Results, result: PlyResult, ply: Mapping[str, Any], images: tuple[bytes, ...]
) -> PlySheet:
    job = results.job
    order = f"{ply['half']}, ply {ply['order']} of {ply['of']}"
    facts = [
        ("fabric", ply["fabric"]),
        ("angle", f"{ply['angle_deg']:g}°, counted as seen from the {job.seen_from}"),
    ]
    if ply["sheet"] is not None:
        place = place_text(ply["start"]["point"], 1)
        figures = ply["figures"]
        laps = figures["max_shear_in_laps_deg"]
        facts += [
            ("start", f"{place} mm in the mould: the cross on the pattern"),
            (
                "greatest shear",
                f"{figures['max_shear_deg']:.1f}° (limit {ply['locking_angle_deg']:g}°)"
                + ("" if laps is None else f", in the laps {laps:.1f}°"),
            ),
            ("edges", _edges(ply)),
        ]
    risks = [_line(f) for f in result.findings if f.level in ("risk", "error", "warning")]
    strokes = tuple(s["text"] for s in ply.get("strokes", ()))
    return PlySheet(
        f"{ply['name']}: {order}", tuple(facts), images, strokes, tuple(risks), ply["valid"]
    )


def _edges(ply: Mapping[str, Any]) -> str:
    """What the cut does at each edge, by its numbered marks."""
    edges = ply["pattern"]["edges"] if ply["pattern"] else []
    texts = []
    for k, edge in enumerate(edges):
        value = edge["allowance_mm"]
        word = "flush" if value == 0 else f"{value:+g} mm"
        texts.append(f"{k + 1} to {(k + 1) % len(edges) + 1}: {edge['name']} {word}")
    return "; ".join(texts)


def _line(finding: Finding) -> str:
    return f"{finding.message}. {finding.remedy}".strip()
