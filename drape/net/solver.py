"""Lay a net on a surface: two straight first yarns, then cell by cell.

The first yarns are geodesics through the start point, square to each other. Every other
node closes a cell whose sides are arc lengths on the surface: a discrete Chebyshev net.
Where no cell has three known corners the net is grown by least shear (cloth.growth).

Lengths in mm, angles in radians.
"""

from __future__ import annotations

import mmap
from dataclasses import dataclass

import numpy as np

from drape.errors import AccuracyError, InputError
from drape.geometry.arrays import owned
from drape.geometry.patches import coarse, make_patches
from drape.geometry.surface import Floats, Ints, Surface, SurfacePoint
from drape.geometry.walk import ROW, Patches, evaluate
from drape.net.filling import NO_CLOTH, fill_from, fill_quadrants, first_yarn
from drape.net.grid import KNOWN, Grid, make_grid
from drape.net.growing import fill_the_rest, grow
from drape.net.net import Net
from drape.net.occupancy import make_occupancy

MOST_PLACES = 30_000_000  # of the grid: about 3.6 GB
LONGEST_SUBSTEP = 0.25  # mm, of the first yarns; their error grows with its square
MOST_SUBSTEPS = 8  # in a step: the error then is still far below the net's own


@dataclass(frozen=True)
class NetOptions:
    """How the net is laid.

    spacing : mm between yarns
    half_phase : start the grid half a cell off the first yarns (a second, different grid
        over the same cloth, for checking)
    fine : measure sides by sampling the surface; without, they are off by some millionths
        and the net takes a third of the time: for searching
    grow : lay further yarns by least shear where the cell rule can't reach
    """

    spacing: float = 2.0
    half_phase: bool = False
    fine: bool = True
    grow: bool = True


def solve_net(
    surface: Surface,
    start: SurfacePoint,
    warp: Floats,
    options: NetOptions | None = None,
    *,
    level: Ints | None = None,
    sheets: Ints | None = None,
) -> Net:
    """Drape a net over ``surface``.

    Parameters
    ----------
    surface : Surface
        Mid-surface, extended past its edges.
    start : SurfacePoint
    warp : (3,) float
        Direction of the warp at the start point; its tangential part is used.
    options : NetOptions, optional
    level : (m,) int, optional
        0 on the faces that must be covered, 1 where the net is needed too, 2 on the margin,
        3 on margins that decide nothing (see ``mould.extension.Extended``).
    sheets : (m,) int, optional
        Of a surface that lies on itself: numbers that distinguish what lies on each other
        (see ``cloth.occupancy``).

    Raises
    ------
    InputError
        Spacing not positive, warp normal to the surface, face number out of range.
    AccuracyError
        Not even the four cells round the start point could be made.
    """
    options = options or NetOptions()
    if not (np.isfinite(options.spacing) and options.spacing > 0.0):
        raise InputError(
            "the spacing must be positive", value=options.spacing, limit="more than 0 mm"
        )
    if not 0 <= start.face < len(surface.faces):
        raise InputError("the start point's face doesn't exist", value=start.face)
    patches = make_patches(surface) if options.fine else coarse(make_patches(surface))
    levels = np.zeros(len(surface.faces), np.int64) if level is None else np.asarray(level)
    apart = np.empty(0, np.int8) if sheets is None else np.asarray(sheets, np.int8)
    reach = _reach(surface, start)
    for enlarge in (1.0, 1.8, 3.5):
        grid, i0 = _empty_grid(enlarge * reach + 3.0 * options.spacing, options)
        columns = _fill(patches, grid, i0, start, np.asarray(warp, float), options, levels, apart)
        if not _touches_end(_square(grid, grid.state)):
            break
    else:
        raise AccuracyError(
            "the yarns don't end",
            value=f"more than {2.0 * float(grid.u.max()):.0f} mm",
            remedy="split the ply: the surface winds round itself",
            partial=_trimmed(surface, patches, grid, i0, columns, sheets),
        )
    net = _trimmed(surface, patches, grid, i0, columns, sheets)
    i, j = net.origin
    if np.count_nonzero(net.known[max(i - 1, 0) : i + 2, max(j - 1, 0) : j + 2]) < 9:
        raise AccuracyError(
            "there is no room for the net round the start point",
            remedy="move the start point away from the edge, or use a smaller spacing",
            partial=net,
        )
    return net


def tangent(warp: Floats, normal: Floats) -> Floats:
    """Unit tangential part of ``warp`` (3,) at a place with unit ``normal`` (3,)."""
    out = warp - (warp @ normal) * normal
    length = np.linalg.norm(out)
    if not length > 1e-6 * np.linalg.norm(warp):
        raise InputError(
            "the warp direction stands square on the surface", value=np.round(warp, 3).tolist()
        )
    return out / length


def _fill(patches, grid, i0, start, warp, options, levels, sheets) -> int:
    node = i0 * (grid.along_u + grid.along_v)
    row = grid.rows[node]
    evaluate(patches, start.face, start.b1, start.b2, row)
    grid.faces[node] = start.face
    grid.state[node] = KNOWN
    along = tangent(warp, row[3:6])
    across = np.cross(row[3:6], along)
    queue = np.empty((len(grid.state) + 1, 2), np.int64)
    queue[0] = i0, i0
    substeps = int(np.clip(np.ceil(options.spacing / LONGEST_SUBSTEP), 2, MOST_SUBSTEPS))
    walls = levels if (levels == NO_CLOTH).any() else np.empty(0, np.int64)
    last, ends = 1, np.empty((4, 2))
    for number, sign in enumerate((1, -1, 1, -1)):
        way = sign * (along if number < 2 else across)
        last = first_yarn(
            patches,
            grid,
            walls,
            i0,
            i0,
            number < 2,
            sign,
            way,
            substeps,
            queue,
            last,
            ends[number],
        )
    nobody = make_occupancy(1, 1.0, sheets)  # the cell rule alone can't come back to itself
    columns = 0
    last = fill_quadrants(patches, grid, walls, nobody, i0, i0, queue, last)
    last = fill_from(patches, grid, walls, nobody, False, queue, 0, last)
    if options.grow:
        last, columns = grow(
            patches, grid, levels, walls, sheets, i0, i0, substeps, ends, queue, last
        )
    if len(walls):
        fill_the_rest(patches, grid, sheets, queue, last)
    return columns


def _empty_grid(extent: float, options: NetOptions) -> tuple[Grid, int]:
    n = int(np.ceil(extent / options.spacing))
    if (2 * n + 1) ** 2 > MOST_PLACES:
        raise InputError(
            "the net would be too large",
            value=f"{2 * n + 1} × {2 * n + 1} yarns, {options.spacing:g} mm apart",
            limit=f"about {int(np.sqrt(MOST_PLACES))} each way",
            remedy="check the units of the mesh files, or use a larger spacing",
        )
    steps = options.spacing * (np.arange(1, n + 1) - (0.5 if options.half_phase else 0.0))
    u = np.concatenate([-steps[::-1], [0.0], steps])
    k = len(u)
    grid = make_grid(
        u,
        u.copy(),
        _pages((k, k, ROW)),
        np.full((k, k), -1, np.int64),
        np.zeros((k, k), np.int8),
        np.zeros((k, k), np.bool_),
    )
    return grid, n


def _pages(shape: tuple[int, int, int]) -> Floats:
    """Memory for rows in small pages: most of the grid is never touched, and what an array
    of this size gets by default, pages of 2 MB, would be cleared whole for a few yarns."""
    size = 8 * int(np.prod(shape))
    try:
        return np.ndarray(shape, buffer=mmap.mmap(-1, size))
    except OSError as error:
        raise InputError(
            "the net needs more memory than the machine has",
            value=f"{size / 1e9:.1f} GB",
            remedy="use a larger spacing",
        ) from error


def _square(grid: Grid, values: np.ndarray) -> np.ndarray:
    """Values at the nodes, (p·q, …), as (p, q, …)."""
    return values.reshape(len(grid.u), len(grid.v), *values.shape[1:])


def _touches_end(state: np.ndarray) -> bool:
    known = state == KNOWN
    return bool(known[[0, -1]].any() or known[:, [0, -1]].any())


def _trimmed(
    surface: Surface, patches: Patches, grid: Grid, i0: int, columns: int, sheets: Ints | None
) -> Net:
    """A Net of the part of the grid that holds known nodes."""
    state = _square(grid, grid.state)
    known = state == KNOWN
    i, j = np.flatnonzero(known.any(axis=1)), np.flatnonzero(known.any(axis=0))
    a, b = slice(i[0], i[-1] + 1), slice(j[0], j[-1] + 1)
    rows, faces = _square(grid, grid.rows), _square(grid, grid.faces)
    arrays = (grid.u[a], grid.v[b], rows[a, b], faces[a, b], state[a, b])
    origin = (int(i0 - i[0]), int(i0 - j[0]))
    u, v, rows, faces, state = (owned(x.copy()) for x in arrays)
    on_facets = owned(_square(grid, grid.on_facets)[a, b] & known[a, b])
    apart = None if sheets is None else owned(np.array(sheets, np.int64))
    return Net(surface, patches, u, v, rows, faces, state, origin, int(columns), on_facets, apart)


def _reach(surface: Surface, start: SurfacePoint) -> float:
    """First guess of how far yarns run from the start: over a bowl π/2 of the chord, mm."""
    origin = surface.vertices[surface.faces[start.face, 0]]
    middle, radius = surface.ball
    return 1.25 * (float(np.linalg.norm(origin - middle)) + radius)
