"""The roof: Results → output folder, whole or not at all; and the demo's files."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files
from pathlib import Path

from drape.bench.sheets import bench_sheets
from drape.errors import InputError
from drape.layup.mesh_fields import MOST_FACES, tables
from drape.output.drawing import Drawing, pattern_drawing
from drape.output.dxf import to_dxf
from drape.output.field_table import field_table
from drape.output.folder import safe_name, write_folder
from drape.output.net_file import net_file
from drape.output.pdf import to_pdf
from drape.output.summary.models import to_json
from drape.output.summary.records import finding_records
from drape.output.svg import to_svg
from drape.pipeline import Results
from viewers.page.webpage import page
from viewers.scene.scene import make_scene
from viewers.solid.pictures import pictures

DEMO_FILES = ("rigger.toml", "rigger_lower.stl", "rigger_upper.stl")


def publish(results: Results, folder: Path) -> tuple[str, ...]:
    """Write the output folder; returns the names of its files.

    Pieces that aren't valid get no cut files.

    Raises
    ------
    InputError
        The folder holds something that a run didn't write, or can't be written.
    """
    content = rendered(results)
    write_folder(folder, content)
    return tuple(content)


def rendered(results: Results) -> dict[str, bytes]:
    """Name → bytes of every file of the output folder."""
    scene = make_scene(results)
    with ThreadPoolExecutor(1) as pool:  # pictures are drawn by a process of their own
        drawing = pool.submit(pictures, scene)
        out = _pieces(results) | _fields(results)
        out["view.html"] = page(scene)
        drawn, findings = drawing.result()
    footer = page_heading(results)
    out["layup-sheets.pdf"] = bench_sheets(results, scene, drawn, footer)
    out["summary.json"] = b""
    summary = results.summary.model_copy(
        update={
            "files": tuple(sorted(out)),
            "findings": (*results.summary.findings, *finding_records(findings)),
        }
    )
    out["summary.json"] = to_json(summary).encode("utf-8")
    return dict(sorted(out.items()))


def _pieces(results: Results) -> dict[str, bytes]:
    """Patterns of the valid pieces and nets of all."""
    out: dict[str, bytes] = {}
    drawings: list[Drawing] = []
    taken: set[str] = set()
    for result in results.plies:
        if result.piece is None or result.pattern is None:
            continue
        name = safe_name(result.pattern.piece, taken)
        taken.add(name)
        if result.piece.valid:
            drawing = pattern_drawing(result.pattern)
            drawings.append(drawing)
            out[f"patterns/{name}.svg"] = to_svg(drawing)
        out[f"nets/{name}.vtp"] = net_file(result.piece.net, result.ply.fabric)
    if drawings:
        out["patterns.dxf"] = to_dxf(drawings)
        out["patterns.pdf"] = _pdf(drawings, results)
    return out


def _fields(results: Results) -> dict[str, bytes]:
    """For each half with valid pieces their cloth on the faces of its mesh."""
    out: dict[str, bytes] = {}
    taken: set[str] = set()
    for half, ground in results.grounds.items():
        mine = [(p.ply, p.piece) for p in results.plies if p.ply.is_ply and p.ply.own == half]
        plies = [(ply.order, ply.fabric, p) for ply, p in mine if p is not None and p.valid]
        if plies and len(ground.file_faces) <= MOST_FACES:
            name = safe_name(half, taken)
            taken.add(name)
            out[f"fields/{name}.csv"] = field_table(
                tables(plies, results.mould.halves[half], ground)
            )
    return out


def copy_demo(folder: Path) -> Path:
    """Copy the demo's job and meshes into ``folder``; returns the job's path."""
    source = files("drape") / "meshes"
    if not source.is_dir():  # a checkout: the folder stands beside the package
        source = files("drape") / ".." / "meshes"
    folder.mkdir(parents=True, exist_ok=True)
    for name in DEMO_FILES:
        item = source / name
        if not item.is_file():
            raise InputError("the demo's files are missing from this installation", value=name)
        (folder / name).write_bytes(item.read_bytes())
    return folder / DEMO_FILES[0]


def _pdf(drawings: list[Drawing], results: Results) -> bytes:
    heading = page_heading(results)
    if results.job.page == "roll":
        width = min(p.ply.fabric.roll_width for p in results.plies)
        return to_pdf(drawings, roll_width=width, heading=heading)
    return to_pdf(drawings, results.job.page, heading=heading)


def page_heading(results: Results) -> str:
    """The heading of every pattern page: pieces that may not be cut, date or a blank, title."""
    job = results.job
    missing = [p.ply.name for p in results.plies if p.piece is None or not p.piece.valid]
    parts = [f"do not cut: {', '.join(missing)}"] if missing else []
    parts.append(job.date.isoformat() if job.date else "date ____________")
    return " · ".join([*parts, job.title])
