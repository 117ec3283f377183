"""Cut a mesh along a polyline that lies on it: its points become vertices, its segments edges.

Between two points the line follows the plane through both that stands on the surface. New
vertices lie on the smooth surface (curved PN triangles, key ``vlachos2001``), with its
normals. A vertex of the mesh that the line passes nearly is moved onto it, along an edge,
unless it lies on the border or a crease: no slivers. Lengths in mm.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.spatial import cKDTree
from trimesh.triangles import closest_point, points_to_barycentric

from drape.errors import InputError, place_text
from drape.geometry.patches import row_of
from drape.geometry.surface import Floats, Ints, Surface, SurfacePoint, unit
from drape.mould.cubics import cubic_point, edge_cubic, one_edge_normal
from drape.mould.cutting import SNAP

OFF_MESH = 2.0  # mm: a line given may lie that far from the mesh
SAME = 0.01  # mm: points nearer to each other are one
STRONG = np.cos(np.radians(40.0))  # of the turn: a line may end at such a crease of a block
SHRUNK = 0.5  # of its area: faces that a moved vertex would leave smaller keep it where it is
NEAREST = 24  # faces by their middles that are tried at once for the nearest place

Foot = tuple[int, Floats, float]  # face, place, distance


class LineCut:
    """A surface while lines are cut into it.

    Attributes
    ----------
    vertices, faces, normals, source : lists of (3,) places, [3] corners, (3, 3) normals at
        them, and the face of ``surface`` that each is part of
    sections : by such an edge the unit normal of the plane that the line lies in there
    """

    def __init__(self, surface: Surface) -> None:
        self.surface = surface
        self.vertices = list(surface.vertices)
        self.faces = surface.faces.tolist()
        self.normals = list(np.array(surface.corner_normals))
        self.source = list(range(len(self.faces)))
        self.parts: dict[int, list[int]] = {}  # by face of ``surface``, if divided
        self.around: list[set[int]] = [set() for _ in self.vertices]
        for f, corners in enumerate(self.faces):
            for v in corners:
                self.around[v].add(f)
        bound = (surface.neighbours < 0) | surface.crease
        face, k = np.nonzero(bound)
        ends = [surface.faces[face, k], surface.faces[face, (k + 1) % 3]]
        self.bound = set(np.concatenate(ends).tolist())
        self.sections: dict[tuple[int, int], Floats] = {}

    def add(self, points: Floats, where: str) -> None:
        """Cut along a polyline (k, 3): closed, or from border to border.

        Raises
        ------
        InputError
            More than ``OFF_MESH`` off the mesh, open, or crossing itself or another line.
        """
        triangles = self.surface.vertices[self.surface.faces]
        feet = nearest(triangles, points)
        off = np.array([foot[2] for foot in feet])
        _refuse_far(points, off, "the parting line is off the mesh", where)
        closed = float(np.linalg.norm(points[0] - points[-1])) <= OFF_MESH
        feet = feet[:-1] if closed else self._to_border(points, feet, where)
        chain = [self.insert(face, place) for face, place, _ in feet]
        chain = [v for i, v in enumerate(chain) if i == 0 or v != chain[i - 1]]
        if closed and chain[0] != chain[-1]:
            chain.append(chain[0])
        if len(chain) < (4 if closed else 2):
            raise InputError(
                "the parting line is too short", value=f"{len(chain)} points", where=where
            )
        self.bound.update(chain)
        passed = set(chain[:1])
        for p, q in pairwise(chain):
            self._segment(p, q, passed, chain[0] if closed else -1, where)

    def _to_border(self, points: Floats, feet: list[Foot], where: str) -> list[Foot]:
        """The feet of an open line, carried on to the border at both ends."""
        faces, ends = _ending(self.surface)
        if not len(faces):
            gap = float(np.linalg.norm(points[0] - points[-1]))
            raise InputError(
                "the parting line doesn't close, and the mesh has no border",
                value=f"its ends are {gap:.1f} mm apart",
                limit=f"up to {OFF_MESH:g} mm",
                remedy="end it where it begins",
                where=where,
            )
        out, gaps = list(feet), []
        for at in (0, -1):
            place = feet[at][1]
            step = ends[:, 1] - ends[:, 0]
            square = np.maximum((step**2).sum(axis=1), 1e-300)
            share = np.clip(((place - ends[:, 0]) * step).sum(axis=1) / square, 0.0, 1.0)
            on = ends[:, 0] + share[:, None] * step
            away = np.linalg.norm(on - place, axis=1)
            best = int(away.argmin())
            gaps.append(float(away[best]))
            foot = (int(faces[best]), on[best], 0.0)
            if away[best] > SAME:
                out = [foot, *out] if at == 0 else [*out, foot]
            else:
                out[at] = foot
        if max(gaps) > OFF_MESH:
            gap = float(np.linalg.norm(points[0] - points[-1]))
            raise InputError(
                "the parting line neither closes nor reaches the border at both ends",
                value=f"ends {gap:.1f} mm apart, {gaps[0]:.1f} and {gaps[1]:.1f} mm off the border",
                limit=f"up to {OFF_MESH:g} mm",
                remedy="repeat the first point at the end, or continue it to the border",
                where=where,
            )
        return out

    def insert(self, face: int, place: Floats) -> int:
        """Vertex at a place of a face of the uncut surface; an old one if it is as near."""
        pieces = self.parts.get(face, [face])
        corners = np.array([[self.vertices[v] for v in self.faces[f]] for f in pieces])
        spot = np.broadcast_to(place, (len(pieces), 3))
        on = closest_point(corners, spot)
        best = int(np.linalg.norm(on - spot, axis=1).argmin())
        f, triangle = pieces[best], corners[best]
        away = np.linalg.norm(triangle - on[best], axis=1)
        if away.min() < SAME:
            return int(self.faces[f][int(away.argmin())])
        for k in range(3):
            a, b = triangle[k], triangle[(k + 1) % 3]
            share = float((on[best] - a) @ (b - a) / ((b - a) @ (b - a)))
            if np.linalg.norm(a + share * (b - a) - on[best]) < SAME:
                return self._split_edge(self.faces[f][k], self.faces[f][(k + 1) % 3], share)
        whole = self.surface.vertices[self.surface.faces[face]]
        weights = points_to_barycentric(whole[None], on[best][None])[0]
        row = row_of(self.surface, SurfacePoint(face, float(weights[1]), float(weights[2])))
        return self._split_face(f, row[:3].copy(), row[3:6].copy())

    def _new_vertex(self, place: Floats) -> int:
        self.vertices.append(place)
        self.around.append(set())
        return len(self.vertices) - 1

    def _replace(self, f: int, pieces: list[tuple[list[int], Floats]]) -> None:
        """Put pieces (corners, normals) in the place of a face; the first keeps its number."""
        source = self.source[f]
        known = self.parts.setdefault(source, [f])
        for v in self.faces[f]:
            self.around[v].discard(f)
        for i, (corners, normals) in enumerate(pieces):
            g = f if i == 0 else len(self.faces)
            if i == 0:
                self.faces[f], self.normals[f] = corners, normals
            else:
                self.faces.append(corners)
                self.normals.append(normals)
                self.source.append(source)
                known.append(g)
            for v in corners:
                self.around[v].add(g)

    def _split_face(self, f: int, place: Floats, normal: Floats) -> int:
        new, (a, b, c), n = self._new_vertex(place), self.faces[f], self.normals[f]
        corners = (([a, b, new], (n[0], n[1], normal)), ([b, c, new], (n[1], n[2], normal)))
        pieces = [*corners, ([c, a, new], (n[2], n[0], normal))]
        self._replace(f, [(list(v), np.array(m)) for v, m in pieces])
        return new

    def _beside(self, a: int, b: int) -> list[int]:
        return sorted(self.around[a] & self.around[b])

    def _curve(self, a: int, b: int) -> tuple[Floats, list[tuple[int, Floats, Floats]]]:
        """Cubic of an edge, and of each face beside it the normals at ``a`` and ``b``."""
        beside = []
        for f in self._beside(a, b):
            corners, normals = self.faces[f], self.normals[f]
            beside.append((f, normals[corners.index(a)], normals[corners.index(b)]))
        first, last = beside[0], beside[-1]
        control = edge_cubic(
            self.vertices[a][None],
            self.vertices[b][None],
            np.array([[first[1], last[1]]]),
            np.array([[first[2], last[2]]]),
        )
        return control, beside

    def _split_edge(self, a: int, b: int, share: float) -> int:
        control, beside = self._curve(a, b)
        pa, pb = self.vertices[a], self.vertices[b]
        new = self._new_vertex(cubic_point(control, np.array([share]))[0])
        if a in self.bound and b in self.bound:  # it may lie on the border
            self.bound.add(new)
        for f, na, nb in beside:
            between = one_edge_normal(pa, pb, na, nb, share)
            pieces = []
            for old in (b, a):
                corners, normals = list(self.faces[f]), np.array(self.normals[f])
                at = corners.index(old)
                corners[at], normals[at] = new, between
                pieces.append((corners, normals))
            self._replace(f, pieces)
        return new

    def _moved(self, v: int, other: int, share: float) -> bool:
        """Put a vertex at ``share`` of its edge to another, and turn its normal to fit.

        False, and nothing is done, where that would turn a face over or make a sliver of it.
        """
        control, beside = self._curve(v, other)
        place = cubic_point(control, np.array([share]))[0]
        up = beside[0][1]
        for g in self.around[v]:
            corners = np.array([self.vertices[w] for w in self.faces[g]])
            then = corners.copy()
            then[self.faces[g].index(v)] = place
            now, later = (np.cross(p[1] - p[0], p[2] - p[0]) @ up for p in (corners, then))
            if later < SHRUNK * now:  # seen from above: next to a long chord slivers stand upright
                return False
        f, at_v, at_other = beside[0]
        normal = one_edge_normal(self.vertices[v], self.vertices[other], at_v, at_other, share)
        self.vertices[v] = place
        for f in self.around[v]:
            self.normals[f] = np.array(self.normals[f])
            self.normals[f][self.faces[f].index(v)] = normal
        return True

    def _segment(self, p: int, q: int, passed: set[int], first: int, where: str) -> None:
        """Make edges from vertex ``p`` to ``q``; ``passed`` are the line's vertices so far."""
        start, end = self.vertices[p], self.vertices[q]
        plane = unit(np.cross(end - start, self._normal(p) + self._normal(q)))
        at, way = p, [p]
        while at != q:
            at = self._next(at, q, start, end, plane)
            if at < 0 or len(way) > len(self.faces):
                raise InputError(
                    "the parting line can't be followed over the mesh",
                    value=f"from {place_text(start, 1)} to {place_text(end, 1)}",
                    remedy="give more points there",
                    where=where,
                )
            if at in passed and not (at == q == first):
                raise InputError(
                    "the parting line meets itself",
                    value=place_text(self.vertices[at], 1),
                    remedy="give its points in order, each point once",
                    where=where,
                )
            passed.add(at)
            way.append(at)
        self.bound.update(way)
        for a, b in pairwise(way):
            self.sections[min(a, b), max(a, b)] = plane
        track = np.array([self.vertices[v] for v in way])
        along = np.clip((track - start) @ (end - start) / ((end - start) @ (end - start)), 0, 1)
        off = np.linalg.norm(start + along[:, None] * (end - start) - track, axis=1)
        _refuse_far(track, off, "the parting line leaves the mesh between its points", where)

    def _normal(self, v: int) -> Floats:
        normals = [self.normals[f][self.faces[f].index(v)] for f in sorted(self.around[v])]
        return unit(np.sum(normals, axis=0))

    def _next(self, at: int, q: int, start: Floats, end: Floats, plane: Floats) -> int:
        """The vertex where the way in the plane leaves the faces round ``at``; −1: nowhere."""
        here, best, found, straight = self.vertices[at], 0.0, -1, 0.5
        crossing: tuple[int, int, float] | None = None
        for f in sorted(self.around[at]):
            corners = self.faces[f]
            k = corners.index(at)
            b, c = corners[(k + 1) % 3], corners[(k + 2) % 3]
            if q in (b, c):
                return q
            ahead = unit(np.cross(self.normals[f][k], plane))
            side = [float((self.vertices[v] - start) @ plane) for v in (b, c)]
            for v, s in zip((b, c), side, strict=True):
                reach = float(unit(self.vertices[v] - here) @ ahead)
                short = (end - self.vertices[v]) @ (end - start) > 0.0
                if abs(s) < SAME and reach > straight and short:
                    straight, found = reach, v
            if side[0] * side[1] < 0.0:
                share = side[0] / (side[0] - side[1])
                point = (1.0 - share) * self.vertices[b] + share * self.vertices[c]
                reach = float(unit(point - here) @ ahead)
                if reach > best:
                    best, crossing = reach, (b, c, share)
        return found if found >= 0 or crossing is None else self._cross(*crossing)

    def _cross(self, b: int, c: int, share: float) -> int:
        """Vertex on the edge from b to c where it is crossed: moved there, or a new one."""
        for v, w, u in ((b, c, share), (c, b, 1.0 - share)):
            if u < SNAP and v not in self.bound and self._moved(v, w, u):
                return v
        return self._split_edge(b, c, share)

    def arrays(self) -> tuple[Floats, Ints, Floats, Ints]:
        """Vertices, faces, corner normals, source faces of the cut mesh."""
        faces, source = np.array(self.faces, np.int64), np.array(self.source, np.int64)
        return np.array(self.vertices), faces, np.array(self.normals), source


def nearest(triangles: Floats, points: Floats) -> list[Foot]:
    """Nearest face, its place (3,) and the distance, of each of (k, 3) points."""
    middles = triangles.mean(axis=1)
    radii = np.linalg.norm(triangles - middles[:, None], axis=2).max(axis=1)
    tree, out = cKDTree(middles), []
    for point in points:
        close = tree.query(point, k=min(NEAREST, len(middles)))[1]
        near = _closest(triangles, np.atleast_1d(close), point)
        # large faces have their middles far away
        rest = np.flatnonzero(np.linalg.norm(middles - point, axis=1) - radii < near[2])
        out.append(_closest(triangles, rest, point) if len(rest) else near)
    return out


def _closest(triangles: Floats, faces: Ints, point: Floats) -> Foot:
    spot = np.broadcast_to(point, (len(faces), 3))
    on = closest_point(triangles[faces], spot)
    away = np.linalg.norm(on - spot, axis=1)
    best = int(away.argmin())
    return int(faces[best]), on[best], float(away[best])


def _ending(surface: Surface) -> tuple[Ints, Floats]:
    """Faces (e,) and ends (e, 2, 3) of edges that a line may end at: border, sharp creases."""
    f, k = np.nonzero((surface.neighbours < 0) | surface.crease)
    other = surface.neighbours[f, k]
    cosine = np.einsum("ei,ei->e", surface.face_normals[f], surface.face_normals[other])
    keep = (other < 0) | (cosine < STRONG)
    f, k = f[keep], k[keep]
    a, b = surface.faces[f, k], surface.faces[f, (k + 1) % 3]
    return f, np.stack([surface.vertices[a], surface.vertices[b]], axis=1)


def _refuse_far(points: Floats, off: Floats, what: str, where: str) -> None:
    worst = int(off.argmax())
    if off[worst] > OFF_MESH:
        raise InputError(
            what,
            value=f"{off[worst]:.1f} mm at {place_text(points[worst], 1)}",
            limit=f"up to {OFF_MESH:g} mm",
            remedy="give points on the mould, close enough together to follow it",
            where=where,
        )
