"""A scene on a pyvista plotter: mould, ply, shear map with its limit, yarns, start, laps.

Pictures and window share it. mm.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Literal, get_args

import numpy as np
import pyvista as pv

from drape.geometry.arrays import Floats
from viewers.scene.colours import Colour, colour_map
from viewers.scene.schema import DrapedPly, DrawnRun, HalfMesh, Lap, Scene, ScenePly, View

BAR = "shear, degrees"
LapState = Literal["folded_out", "tucked"]
LAP_STATES: tuple[LapState, ...] = get_args(LapState)


def half_of(scene: Scene, ply: ScenePly) -> HalfMesh:
    """The half a ply is laid in; the first one for a strip across both."""
    named = [half for half in scene["halves"] if half["name"] == ply["half"]]
    return (named or scene["halves"])[0]


def show_mould(plotter: Any, half: HalfMesh) -> None:
    """One half of the mould, dull, so that the ply on it stands out."""
    mesh = _triangles(half["points"], half["triangles"])
    plotter.add_mesh(
        mesh,
        color=Colour.MOULD,
        smooth_shading=True,
        split_sharp_edges=True,
        specular=0.05,
        name="mould",
    )


def show_ply(plotter: Any, ply: DrapedPly, top: float, name: str = "ply") -> None:
    """A ply in the colours of its shear, with the limit's contour, yarns, cut line and start."""
    sheet = ply["sheet"]
    mesh = _triangles(sheet["points"], sheet["triangles"])
    mesh["shear"] = np.abs(sheet["shear_deg"])
    plotter.add_mesh(
        mesh, scalars="shear", cmap=colour_map(), clim=(0.0, top), smooth_shading=True,
        show_scalar_bar=False, specular=0.0, ambient=0.5, diffuse=0.55, name=name,
    )  # fmt: skip
    lift = _Lift(mesh, 0.0012 * ply["view"]["size"])
    _line(plotter, lift.mesh(_polylines(ply["limit"])), Colour.INK, 4, f"{name} limit")
    warp, weft = (lift.mesh(_polylines(ply["yarns"][way])) for way in ("warp", "weft"))
    _line(plotter, warp, Colour.WHITE, 1.5, f"{name} warp", 0.55)
    _line(plotter, weft, Colour.WHITE, 1.0, f"{name} weft", 0.55)
    _line(plotter, lift.mesh(_polylines(ply["cut_line"])), Colour.INK, 2.5, f"{name} cut line")
    zones = [line for z in ply["zones"] for line in (*z["outlines"], *z["hatching"])]
    _line(plotter, lift.mesh(_polylines(zones)), Colour.MARK, 2, f"{name} zones")
    _start(plotter, ply, name)


def clear_ply(plotter: Any, name: str = "ply") -> None:
    """Take a ply, its laps and its bar away."""
    drawn = [actor for actor in plotter.actors if actor.split(" ")[0] in (name, "laps")]
    for actor in drawn:
        plotter.remove_actor(actor, render=False)
    if BAR in plotter.scalar_bars:
        plotter.remove_scalar_bar(BAR, render=False)


def show_runs(plotter: Any, runs: Iterable[DrawnRun]) -> None:
    """The parting line."""
    _line(plotter, _polylines([r["points"] for r in runs]), Colour.PARTING, 3, "parting line")


def show_laps(plotter: Any, laps: Iterable[Lap], which: LapState | None) -> None:
    """Laps ``folded_out`` or ``tucked``, as ribbons; None takes them away."""
    ribbons = [_ribbon(lap[which]) for lap in laps] if which else []
    plotter.remove_actor("laps", render=False)
    if ribbons:
        mesh = pv.merge(ribbons) if len(ribbons) > 1 else ribbons[0]
        plotter.add_mesh(mesh, color=Colour.MARK, opacity=0.8, name="laps", show_edges=False)


def look_into(plotter: Any, view: View, points: Floats, share: float = 1.0) -> None:
    """A view from the hollow of a ply's ``points``, its long way across ``share`` of the window."""
    inward, across, centre = view["inward"], view["across"], view["centre"]
    up = np.cross(inward, across)
    up /= np.linalg.norm(up)
    eye = 0.88 * inward - 0.47 * up
    plotter.camera.up = up
    plotter.camera.parallel_projection = True
    width, height = plotter.window_size
    wide = (points - centre) @ across
    high = points @ np.cross(across, eye / np.linalg.norm(eye))
    middle = centre + 0.5 * (wide.min() + wide.max()) * across
    plotter.camera.focal_point = middle
    plotter.camera.position = middle + 4.0 * float(np.ptp(wide)) * eye
    size = max(np.ptp(wide) * height / (share * width), np.ptp(high))
    plotter.camera.parallel_scale = 0.62 * float(size)
    plotter.reset_camera_clipping_range()


class _Lift:
    """Moves lines off a sheet towards the hollow, so that they aren't half hidden in it."""

    def __init__(self, sheet: pv.PolyData, height: float) -> None:
        normals = sheet.compute_normals(auto_orient_normals=False, split_vertices=False)
        self.sheet = pv.PolyData(sheet.points)
        self.sheet["normal"] = normals.point_data["Normals"]
        self.height = height

    def mesh(self, lines: pv.PolyData | None) -> pv.PolyData | None:
        """The same lines, lifted."""
        if lines is not None and lines.n_points:
            # of the nearest point, by VTK's search: scipy would take a third of a second to load
            normals = lines.interpolate(self.sheet, n_points=1)["normal"]
            lines.points = lines.points + self.height * normals
        return lines


def _start(plotter: Any, ply: DrapedPly, name: str) -> None:
    """Where the ply is pressed down first, and the way its warp runs from there."""
    start = ply["start"]
    size = 0.02 * ply["view"]["size"]
    at = start["point"] + 0.3 * size * start["normal"]
    plotter.add_mesh(
        pv.Sphere(radius=0.45 * size, center=at), color=Colour.MARK, name=f"{name} start"
    )
    arrow = pv.Arrow(
        start=at, direction=start["warp"], scale=4.0 * size, shaft_radius=0.04, tip_radius=0.1
    )
    plotter.add_mesh(arrow, color=Colour.MARK, name=f"{name} arrow")


def _triangles(points: Floats, triangles: Any) -> pv.PolyData:
    return pv.PolyData.from_regular_faces(np.asarray(points, float), np.asarray(triangles))


def _polylines(lines: Iterable[Floats]) -> pv.PolyData | None:
    lines = [np.asarray(line, float) for line in lines if len(line) > 1]
    if not lines:
        return None
    cells, first = [], 0
    for line in lines:
        cells += [len(line), *range(first, first + len(line))]
        first += len(line)
    return pv.PolyData(np.concatenate(lines), lines=np.array(cells))


def _line(
    plotter: Any,
    mesh: pv.PolyData | None,
    color: str,
    width: float,
    name: str,
    opacity: float = 1.0,
) -> None:
    plotter.remove_actor(name, render=False)
    if mesh is not None:
        plotter.add_mesh(
            mesh, color=color, line_width=width, name=name, opacity=opacity, lighting=False
        )


def _ribbon(lines: Floats) -> pv.PolyData:
    """The surface between lines (s, k, 3) from station to station."""
    s, k = lines.shape[:2]
    i, j = (x.ravel() for x in np.indices((s - 1, k - 1)))
    quads = np.stack([i * k + j, (i + 1) * k + j, (i + 1) * k + j + 1, i * k + j + 1], axis=1)
    return pv.PolyData.from_regular_faces(lines.reshape(-1, 3), quads)
