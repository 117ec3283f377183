"""A ply's shear on its flat pattern, with the numbered marks and smoothing strokes.

For the sheets: also where no picture can be drawn, since matplotlib needs no GL. Lengths in
mm, flat coordinates.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation

from viewers.colours import colour_map
from viewers.sheet import contour

SIZE = (8.0, 5.3)  # inches
DOTS = 150  # an inch
INK, MARK = "#22303a", "#c8502a"


def flat_map(ply: Mapping[str, Any], top: float) -> bytes:
    """PNG of a ply of a scene that has a sheet; ``top`` is the upper end of the bar, degrees."""
    sheet = ply["sheet"]
    figure = Figure(figsize=SIZE, dpi=DOTS, facecolor="white", layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    flat, triangles = np.asarray(sheet["flat"]), np.asarray(sheet["triangles"])
    shear = np.abs(sheet["shear_deg"])
    mesh = Triangulation(flat[:, 0], flat[:, 1], triangles)
    drawn = axes.tripcolor(mesh, shear, shading="gouraud", cmap=colour_map(), vmin=0.0, vmax=top)
    limit = ply["locking_angle_deg"]
    line = contour(flat, shear, triangles, limit)
    axes.add_collection(LineCollection(list(line), colors=INK, linewidths=1.6))
    for ring in (ply["pattern"]["outline"], *ply["pattern"]["holes"]):
        axes.plot(*np.append(ring, ring[:1], axis=0).T, color=INK, linewidth=1.2)
    for mark in ply["pattern"]["marks"]:
        _number(axes, mark["flat"], mark["number"], INK)
    reach = 0.1 * float(np.ptp(flat[:, 0]))
    _strokes(axes, ply.get("strokes", ()), 0.7 * reach)
    axes.annotate("", (reach, 0.0), (0.0, 0.0), arrowprops={"color": MARK, "width": 1.5})
    axes.plot(0.0, 0.0, "o", color=MARK)
    bar = figure.colorbar(drawn, ax=axes, orientation="horizontal", shrink=0.7, aspect=40)
    bar.ax.axvline(limit, color=INK, linewidth=3.0)
    bar.set_label(f"shear, degrees; the limit is at {limit:g}; the arrow is the warp at the start")
    axes.set_aspect("equal")
    axes.axis("off")
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def _strokes(axes: Any, strokes: Any, reach: float) -> None:
    """Lines with their numbers at the ends they go to, and there an arrow where to pull."""
    for stroke in strokes:
        line = np.asarray(stroke["flat"])
        axes.plot(*line.T, color="#ffffff", linewidth=2.4)
        axes.plot(*line.T, color=MARK, linewidth=1.4)
        if stroke["pull_flat"] is not None:
            tip = line[-1] + reach * np.asarray(stroke["pull_flat"])
            arrow = {"color": MARK, "arrowstyle": "-|>", "linewidth": 1.4}
            axes.annotate("", tip, line[-1], arrowprops=arrow)
        _number(axes, line[-1], stroke["number"], MARK)


def _number(axes: Any, place: Any, number: int, color: str) -> None:
    axes.annotate(
        str(number), place, ha="center", va="center", fontsize=8, color=color, zorder=9,
        bbox={"boxstyle": "circle,pad=0.2", "facecolor": "#ffffff", "edgecolor": color},
    )  # fmt: skip
