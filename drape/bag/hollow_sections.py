"""Plane sections of triangles, and sections square to a hollow.

A hollow's sections follow a scalar field that grows along it (0 at its first mouth): each lies
in a plane through the middle of a level set. It is square to the field's mean gradient there,
or to the direction that its walls' normals are most nearly square to, whichever gives the
shorter section: beside a fork the field leans, while the walls of an arm don't.
Where the hollow branches, a level set has a part in each branch, and each gets its section.
The triangles of both halves must share their vertices along the parting line.

Lengths in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.optimize import linear_sum_assignment
from scipy.sparse.csgraph import connected_components

from drape.errors import InputError
from drape.geometry.harmonic import face_gradients
from drape.geometry.plane_section import cut_edges, plane_section
from drape.geometry.surface import Floats, Ints, face_vectors, unit

# of a level set: its middle, unit mean gradient, and what its walls' normals are square to
Part = tuple[Floats, Floats, Floats]

LEVELS = 200  # in which the distance along the hollow is summed up
MOST_LEAN = 0.7  # cosine: walls whose direction is farther off the field's aren't an arm's
FADED = 0.3  # of the mean gradient: less is a fork's, not the hollow's
NUDGE = 1e-7  # of the field's range: keeps levels off vertices


@dataclass(frozen=True, eq=False)
class Section:
    """One section of a hollow.

    Attributes
    ----------
    place : float, mm
        Along the hollow from its first mouth.
    branch : int
        Number among the parts at the same place, from 0.
    centre, normal : (3,), mm and unit, along the hollow
    chain : (k, 3), mm
        The cut; for a closed one the first point isn't repeated.
    closed : bool
        False where the plane runs out through a mouth.
    level : float
        Value of the field in its middle.
    """

    place: float
    branch: int
    centre: Floats
    normal: Floats
    chain: Floats
    closed: bool
    level: float = np.nan

    @property
    def girth(self) -> float:
        """Length of the cut, mm."""
        ring = np.vstack([self.chain, self.chain[:1]]) if self.closed else self.chain
        return float(np.linalg.norm(np.diff(ring, axis=0), axis=1).sum())

    @property
    def outline(self) -> Floats:
        """(k, 2) the cut in its plane, mm from the centre; it may run either way round."""
        across = unit(np.cross(self.normal, np.eye(3)[np.argmin(np.abs(self.normal))]))
        axes = np.stack([across, np.cross(self.normal, across)], axis=1)
        return (self.chain - self.centre) @ axes


def hollow_sections(
    vertices: Floats, faces: Ints, field: Floats, step: float
) -> tuple[Section, ...]:
    """Sections every ``step`` mm or less along a hollow, the mouths left out by half a step.

    Parameters
    ----------
    vertices (n, 3), faces (m, 3) : both halves, joined along the parting line
    field : (n,), growing along the hollow
    step : mm

    Raises
    ------
    InputError
        A step that isn't positive, or a field that is the same everywhere.
    """
    if not step > 0.0:
        raise InputError("the step between sections must be positive", value=f"{step:g} mm")
    gradient = face_gradients(vertices, faces, field)
    levels, places = _places(vertices, faces, field, gradient)
    count = max(1, int(np.ceil(places[-1] / step)))
    wanted = (np.arange(count) + 0.5) * places[-1] / count
    out: list[Section] = []
    before: list[Part] = []
    for place, level in zip(wanted, np.interp(wanted, places, levels), strict=True):
        before = _in_order(before, _parts(vertices, faces, field, gradient, level))
        for branch, (centre, *normals) in enumerate(before):
            cuts = []
            for normal in normals:
                found = plane_section(vertices, faces, centre, normal)
                if found:
                    chain, closed = min(found, key=lambda c: _off(c[0], centre))
                    at = float(place), branch, centre, normal, chain, closed, float(level)
                    cuts.append(Section(*at))
            if cuts:
                out.append(min(cuts, key=lambda s: (not s.closed, s.girth)))
    return tuple(out)


def _places(
    vertices: Floats, faces: Ints, field: Floats, gradient: Floats
) -> tuple[Floats, Floats]:
    """Levels, and the distance along the hollow at each: the integral of the mean 1/|gradient|.

    Where a hollow branches the gradient fades out at the fork: it is kept from below there.
    """
    used = field[faces]
    low, high = float(used.min()), float(used.max())
    if not high > low:
        raise InputError("the field along the hollow is the same everywhere", value=f"{low:g}")
    levels = low + (high - low) * (np.arange(LEVELS) + 0.5) / LEVELS
    slowness = []
    for level in levels:
        _, length, crossed = _cuts(vertices, faces, field, level + NUDGE * (high - low))
        steep = np.linalg.norm(gradient[crossed], axis=1)
        least = FADED * float(length @ steep) / length.sum()
        slowness.append(float(length @ (1.0 / np.maximum(steep, least))) / length.sum())
    width = (high - low) / LEVELS
    ends = np.concatenate([[0.0], np.cumsum(slowness) * width])
    return np.linspace(low, high, LEVELS + 1), ends


def _cuts(
    vertices: Floats, faces: Ints, field: Floats, level: float
) -> tuple[Floats, Floats, Ints]:
    """Middles (c, 3) and lengths (c,) of the level set in each face it crosses, and which."""
    crossed, _, ends = cut_edges(vertices, faces, field - level)
    return ends.mean(axis=1), np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1), crossed


def _parts(
    vertices: Floats, faces: Ints, field: Floats, gradient: Floats, level: float
) -> list[Part]:
    """Each connected part of a level set, in order of place."""
    middle, length, index = _cuts(vertices, faces, field, level)
    walls = unit(face_vectors(vertices, faces[index]))
    corner = faces[index]
    rows = np.repeat(np.arange(len(index)), 3)
    touch = sparse.csr_matrix((np.ones(3 * len(index)), (rows, corner.ravel())))
    count, label = connected_components(touch @ touch.T, directed=False)
    out = []
    for part in range(count):
        weight = length * (label == part)
        if weight.sum() > 0.0:
            centre = weight @ middle / weight.sum()
            along = unit(weight @ gradient[index])
            out.append((centre, along, _square_to(walls, weight, along)))
    return sorted(out, key=lambda pair: tuple(np.round(pair[0], 3)))


def _square_to(walls: Floats, weight: Floats, along: Floats) -> Floats:
    """Unit direction that normals (c, 3) are most nearly square to; ``along`` if it's far off."""
    axis = np.linalg.eigh((walls * weight[:, None]).T @ walls)[1][:, 0]
    lean = float(axis @ along)
    return axis * np.sign(lean) if abs(lean) > MOST_LEAN else along


def _in_order(before: list[Part], parts: list[Part]) -> list[Part]:
    """Parts in the order of those before them that they follow on; else as they are."""
    if len(before) != len(parts):
        return parts
    gap = [[float(np.linalg.norm(a[0] - b[0])) for b in parts] for a in before]
    return [parts[k] for k in linear_sum_assignment(gap)[1]]


def _off(chain: Floats, centre: Floats) -> float:
    """Distance of a chain's middle, weighted by length, from a place."""
    length = np.linalg.norm(np.diff(chain, axis=0), axis=1) + 1e-12  # a chain may be a point
    middle = length @ (0.5 * (chain[1:] + chain[:-1])) / length.sum()
    return float(np.linalg.norm(middle - centre))
