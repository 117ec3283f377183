"""Ways through a hollow: where each section lies along it, and how far it is between mouths.

The sections of a hollow make a tree: each follows on the nearest one before it that leads to
the same mouths. Ways run from middle to middle along the tree, in arcs that turn as the sections
do; through a fork they go from the last section before it to the first behind it.

Lengths in mm.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import networkx as nx
import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from drape.bag.hollow_sections import Section
from drape.errors import InputError
from drape.geometry.surface import Floats, Ints, unit

SQUARE = 0.995  # cosine: a mouth that leans more isn't a section of the hollow
FLAT = 0.01  # of its radius: a mouth that is more uneven isn't one either
WIDER = 1.02  # than the branches: a part that widens so much is a fork's
MOST_TURN = 2.0  # between neighbouring sections that are taken for ends of an arc


@dataclass(frozen=True, eq=False)
class Station:
    """A section with its place.

    Attributes
    ----------
    section : Section
    along : float, mm
        From the first mouth, along the way to here.
    towards : tuple of str
        Mouths that this part of the hollow leads to, seen from the first; of the first
        mouth's own part that is all others, and nothing in a closed end.
    fork : bool
        Whether the hollow widens here to divide: the section is that of no tube.
    """

    section: Section
    along: float
    towards: tuple[str, ...]
    fork: bool = False


@dataclass(frozen=True, eq=False)
class Ways:
    """Stations in order of place, and the length of the way between each two mouths, mm.

    ``lengths`` is keyed by the mouths' names; with one mouth only it has ``(first, "")``: the
    way to the closed end.
    """

    stations: tuple[Station, ...]
    lengths: Mapping[tuple[str, str], float]

    @property
    def longest(self) -> float:
        """Length of the longest way, mm."""
        return max(self.lengths.values())


def ways(
    vertices: Floats,
    faces: Ints,
    field: Floats,
    sections: Sequence[Section],
    mouths: Mapping[str, Ints],
) -> Ways:
    """Order sections into ways between mouths.

    Parameters
    ----------
    vertices (n, 3), faces (m, 3), field (n,) : what the sections were made from
    sections : from ``hollow_sections``
    mouths : vertices of each mouth's rim in order round it, by name; the one where the field
        begins first

    Returns
    -------
    Ways, with the mouths that stand square to the hollow among its sections.
    """
    first, *others = mouths
    if not sections:
        raise InputError("no section of the hollow found", remedy="check the mould's mouths")
    towards = _reached(vertices, faces, field, sections, {n: mouths[n] for n in others})
    parents = _parents(sections, towards)
    forks = _forks(sections, parents)
    graph = _chained(sections, parents, forks)
    found: list[tuple[int | str, Section, tuple[str, ...]]] = [
        (k, s, t) for k, (s, t) in enumerate(zip(sections, towards, strict=True))
    ]
    for name, chain in mouths.items():
        at = 0 if name == first else max(k for k, t in enumerate(towards) if name in t)
        graph.add_edge(name, at, weight=_apart(sections[at].centre, _middle(vertices[chain])))
        section = _at_mouth(vertices[chain], sections[at], name == first)
        found += [(name, section, tuple(others) if name == first else (name,))] if section else []
    if not others:
        above = vertices[field > sections[-1].level] - sections[-1].centre
        graph.add_edge("", len(sections) - 1, weight=float((above @ sections[-1].normal).max()))
    along = nx.single_source_dijkstra_path_length(graph, first)
    stations = [
        Station(section, float(along[node]), t, node in forks) for node, section, t in found
    ]
    pairs = itertools.combinations(list(mouths) if others else [first, ""], 2)
    lengths = {(a, b): float(nx.dijkstra_path_length(graph, a, b)) for a, b in pairs}
    return Ways(tuple(sorted(stations, key=lambda s: s.along)), lengths)


def _reached(
    vertices: Floats,
    faces: Ints,
    field: Floats,
    sections: Sequence[Section],
    mouths: Mapping[str, Ints],
) -> list[tuple[str, ...]]:
    """Mouths that the part of the hollow past each section leads to."""
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    out: list[tuple[str, ...]] = []
    for section in sections:
        above = field > section.level
        a, b = edges[above[edges].all(axis=1)].T
        graph = sparse.coo_matrix((np.ones(len(a)), (a, b)), (len(field), len(field)))
        label = connected_components(graph, directed=False)[1]
        high = np.flatnonzero(above)
        beside = label[high[cKDTree(vertices[high]).query(section.chain)[1]]]
        mine = np.bincount(beside).argmax()
        out.append(tuple(name for name, rim in mouths.items() if (label[rim] == mine).any()))
    return out


def _parents(sections: Sequence[Section], towards: Sequence[tuple[str, ...]]) -> list[int | None]:
    """The section before each: of the last ones that lead to its mouths too, the nearest."""
    out: list[int | None] = []
    for k, (section, leads) in enumerate(zip(sections, towards, strict=True)):
        before = [
            j
            for j in range(k)
            if sections[j].level < section.level and set(towards[j]) >= set(leads)
        ]
        last = max((sections[j].level for j in before), default=None)
        near = [j for j in before if sections[j].level == last]
        gap = [_apart(sections[j].centre, section.centre) for j in near]
        out.append(near[int(np.argmin(gap))] if near else None)
    return out


def _forks(sections: Sequence[Section], parents: Sequence[int | None]) -> set[int]:
    """Sections in which a part widens, just before it divides, to more than its branches."""
    out: set[int] = set()
    children: dict[int, list[int]] = {}
    for k, parent in enumerate(parents):
        if parent is not None:
            children.setdefault(parent, []).append(k)
    for last, branches in children.items():
        if len(branches) < 2:
            continue
        widening, at = [last], parents[last]
        while at is not None and sections[at].girth < sections[widening[-1]].girth:
            widening.append(at)
            at = parents[at]
        girths = [sections[b].girth for b in (*branches, widening[-1])]
        out |= {k for k in widening if sections[k].girth > WIDER * max(girths)}
    return out


def _chained(
    sections: Sequence[Section], parents: Sequence[int | None], forks: set[int]
) -> nx.Graph:
    """The sections' tree. Ways leave out forks' sections, and turn there from branch to branch."""
    graph: nx.Graph = nx.Graph()
    graph.add_nodes_from(range(len(sections)))
    branches: dict[int, list[int]] = {}
    for k, (section, parent) in enumerate(zip(sections, parents, strict=True)):
        if parent is None:
            continue
        for twin in branches.setdefault(parent, []):
            other = sections[twin]
            back = replace(other, normal=-other.normal)
            graph.add_edge(twin, k, weight=_arc(back, section))
        branches[parent].append(k)
        before = parent
        while k not in forks and before in forks:
            above = parents[before]
            if above is None:
                break
            before = above
        graph.add_edge(before, k, weight=_arc(sections[before], section))
    return graph


def _apart(a: Floats, b: Floats) -> float:
    return float(np.linalg.norm(b - a))


def _arc(a: Section, b: Section) -> float:
    """Length of the way between two sections: the arc that turns as their normals do."""
    half = 0.5 * float(np.arccos(np.clip(a.normal @ b.normal, -1.0, 1.0)))
    chord = _apart(a.centre, b.centre)
    return chord * half / np.sin(half) if 0.0 < half <= MOST_TURN / 2.0 else chord


def _middle(rim: Floats) -> Floats:
    """Middle (3,) of a rim's line."""
    ahead = np.roll(rim, -1, axis=0)
    length = np.linalg.norm(ahead - rim, axis=1)
    return length @ (0.5 * (rim + ahead)) / length.sum()


def _at_mouth(rim: Floats, beside: Section, first: bool) -> Section | None:
    """The mouth as a section; None where it stands askew to the hollow or isn't plane."""
    middle = _middle(rim)
    r = rim - middle
    normal = unit(np.cross(r, np.roll(r, -1, axis=0)).sum(axis=0))
    way = unit(beside.centre - middle if first else middle - beside.centre)
    off = float(np.abs(r @ normal).max())
    if abs(float(normal @ way)) < SQUARE or off > FLAT * float(np.linalg.norm(r, axis=1).max()):
        return None
    normal = normal * np.sign(normal @ way)
    return Section(0.0, beside.branch, middle, normal, rim, True, beside.level)
