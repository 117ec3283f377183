"""The grid that a net is filled into, as the kernels want it.

Words
-----
node     crossing of a warp and a weft yarn; grid place (i, j): i counts along the warp
state    of a node: UNKNOWN, KNOWN, OUTSIDE (left the surface), LOCKED (the cell would
         have to close further than cloth can), FAILED (no convergence), TAKEN (other
         cloth of the same net is there already), LATER (left until notches are filled).
         Solvers also answer STUCK (Newton's method on the patches doesn't converge) and
         ON_FACETS (known, but found on the facets for that reason)

Arrays over the nodes are flat: node (i, j) has the number i·along_u + j·along_v. The same
grid with u and v exchanged then is of the same kind, and shares all memory.
"""

from __future__ import annotations

from typing import NamedTuple

from drape.compiling.kernel import kernel
from drape.compiling.words import Bools1, Bytes1, Floats1, Floats2, Ints1
from drape.geometry.walk import ROW

UNKNOWN, KNOWN, OUTSIDE, LOCKED, FAILED, TAKEN, ON_FACETS, STUCK, LATER = range(9)


class Grid(NamedTuple):
    """The net while it is being filled; arrays are written in place.

    u, v : (p,), (q,) yarn coordinates, mm
    rows : (p·q, ROW) points, normals, derivatives, weights
    faces : (p·q,) int
    state : (p·q,) int8
    on_facets : (p·q,) bool, nodes that were found on the facets, for want of a better way
    along_u, along_v : by how much the number grows from a node to the next along u, along v
    """

    u: Floats1
    v: Floats1
    rows: Floats2
    faces: Ints1
    state: Bytes1
    on_facets: Bools1
    along_u: int
    along_v: int


def make_grid(u, v, rows, faces, state, on_facets) -> Grid:
    """Grid on arrays (p, q, ROW) and (p, q), whose memory it shares."""
    q = len(v)
    flat = (rows.reshape(-1, ROW), faces.reshape(-1), state.reshape(-1), on_facets.reshape(-1))
    return Grid(u, v, *flat, q, 1)


@kernel
def swap(grid: Grid) -> Grid:
    """The same grid with u and v exchanged; shares all memory."""
    return Grid(
        grid.v,
        grid.u,
        grid.rows,
        grid.faces,
        grid.state,
        grid.on_facets,
        grid.along_v,
        grid.along_u,
    )


@kernel
def at(grid: Grid, i: int, j: int) -> int:
    """Number of node (i, j)."""
    return i * grid.along_u + j * grid.along_v


@kernel
def face_at(grid: Grid, i: int, j: int) -> int:
    """The face that node (i, j) lies on."""
    return grid.faces[at(grid, i, j)]


@kernel
def state_at(grid: Grid, i: int, j: int) -> int:
    """The state of node (i, j)."""
    return grid.state[at(grid, i, j)]
