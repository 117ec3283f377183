"""Everything that is drawn of a job's results, as one dictionary: ``viewers.scene.schema``
says what it holds. Pictures, window and page draw the same scene.
"""

from __future__ import annotations

import fast_simplification
import numpy as np

from drape.geometry.surface import Floats, Ints
from drape.job.allowance import Allowance, values_at
from drape.mould.mould import Half
from drape.output.summary.joint_models import BuildUp
from drape.pipeline import Results
from viewers.scene.colours import bar_ticks, colour_table, shear_range
from viewers.scene.ply import ply_scene
from viewers.scene.schema import FORMAT, Bar, BuildUpBand, DrawnRun, HalfMesh, JointSection, Scene

TRIANGLES = 12000  # of a mould half: more isn't seen
CAUTION = (
    "Shows where cloth is at risk of wrinkles; it predicts fit, never strength. Uncured epoxy can "
    "sensitise skin and carbon dust irritates: read the material's safety data sheet."
)


def make_scene(results: Results) -> Scene:
    """The scene of a job's results."""
    job = results.job
    closing = dict(results.closing.runs)
    plies = [ply_scene(r, closing, job.seen_from) for r in results.plies]
    greatest = [
        max(p["figures"]["max_shear_deg"], p["figures"]["max_shear_in_laps_deg"] or 0.0)
        for p in plies
        if p["figures"] is not None
    ]
    locking = max((p["locking_angle_deg"] for p in plies), default=0.0)
    top = shear_range(max(greatest, default=0.0), locking)
    return {
        "format": FORMAT,
        "title": job.title,
        "caution": CAUTION,
        "seen_from": job.seen_from,
        "colours": colour_table(),
        "range_deg": top,
        "ticks_deg": bar_ticks(top),
        "halves": [_half(half) for half in results.mould.halves.values()],
        "runs": _runs(results),
        "plies": plies,
        "joints": _joints(results),
        "findings": [
            {"level": f.level, "where": f.where, "message": f.text, "remedy": f.remedy}
            for f in results.findings
        ],
    }


def _half(half: Half) -> HalfMesh:
    """Cavity and flange of a half; the outside of a solid block only hides them."""
    region = half.region
    cavity = region.surface.vertices, region.surface.faces
    flange = half.surface.vertices, half.surface.faces[half.flange]
    parts = [thinned(*part, TRIANGLES // 2) for part in (cavity, flange) if len(part[1])]
    count = np.cumsum([0] + [len(points) for points, _ in parts])
    return {
        "name": half.name,
        "points": np.concatenate([points for points, _ in parts]),
        "triangles": np.concatenate(
            [faces + first for (_, faces), first in zip(parts, count, strict=False)]
        ),
    }


def thinned(points: Floats, faces: Ints, most: int) -> tuple[Floats, Ints]:
    """A mesh with about ``most`` triangles by quadric error, its unused vertices left out."""
    used, index = np.unique(faces, return_inverse=True)
    points, faces = points[used], index.reshape(-1, 3)
    if len(faces) <= most:
        return points, faces
    few, left = fast_simplification.simplify(
        points.astype(np.float32), faces.astype(np.int32), 1.0 - most / len(faces)
    )
    return few.astype(float), left.astype(np.int64)


def _runs(results: Results) -> list[DrawnRun]:
    """Each run once, as the first half that has it tells it."""
    seen: dict[str, Floats] = {}
    for half in results.mould.halves.values():
        surface = half.region.surface
        for edge in half.region.edges:
            if edge.kind == "parting":
                chain = np.append(edge.vertices, edge.vertices[:1] if edge.closed else [])
                seen.setdefault(edge.name, surface.vertices[chain.astype(np.int64)])
    return [{"name": name, "points": points} for name, points in seen.items()]


def _joints(results: Results) -> list[JointSection]:
    """Build-up of each run and where each ply lies there, at the one place that is shown."""
    if results.summary.joint is None:
        return []
    return [
        {
            "run": name,
            "lap_half": run.lap_half,
            "at_mm": run.build_up_at_mm,
            "bands": [_band(b) for b in run.build_up or ()],
            "bars": _bars(results, name, run.lap_half, run.build_up_at_mm or 0.0),
        }
        for name, run in results.summary.joint.runs.items()
    ]


def _band(b: BuildUp) -> BuildUpBand:
    return BuildUpBand(from_mm=b.from_mm, to_mm=b.to_mm, plies=b.plies, thickness_mm=b.thickness_mm)


def _bars(results: Results, run: str, lap_half: str, place: float) -> list[Bar]:
    """Of each layer the stretches across a run that it covers: from, to, mm past the line from
    the lap half; None where it goes on into its half. As they lie at a place along the run.
    """
    bars: list[Bar] = [
        {
            "ply": layer.name,
            "half": layer.half,
            "from_mm": _end(low, place),
            "to_mm": _end(high, place),
        }
        for layer in results.layup
        for low, high in layer.spans(run, lap_half)
    ]
    # the lap half's first, as the bands are counted from it
    return sorted(bars, key=lambda bar: bar["half"] != lap_half)


def _end(end: Allowance, place: float) -> float | None:
    value = float(values_at(end, place))
    return value if np.isfinite(value) else None
