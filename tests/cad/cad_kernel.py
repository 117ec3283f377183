"""The moulds of ``cad_moulds`` as exact solids of a CAD kernel, and their tessellation.

A half is a block less the hollow; a sheet is such a block's cavity and flange. The kernel
tessellates as for an STL file: the chordal deviation is absolute, and the angular tolerance is so
wide that the chordal one decides everywhere (at 0.2 mm down to a radius of 0.9 mm; the kernel's
usual angle would make cylinders of any size equally fine). Own frame, mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import cadquery as cq
import numpy as np
from cad_profiles import Arc, rounded
from OCP.BRep import BRep_Tool
from OCP.BRepBuilderAPI import BRepBuilderAPI_GTransform
from OCP.BRepGProp import BRepGProp
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.BRepTools import BRepTools
from OCP.gp import gp_GTrsf, gp_Mat, gp_XYZ
from OCP.GProp import GProp_GProps
from OCP.TopAbs import TopAbs_REVERSED
from OCP.TopLoc import TopLoc_Location
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

VERSION = f"cadquery {cq.__version__}"
ANGULAR = 1.35  # rad, angular tolerance of all tessellations
DEEP = 400.0  # mm, hollows that open at a block's end go on past it
WELD = 1e-6  # mm, points of two faces nearer than this are one
ON = 1e-4  # mm, points nearer to a surface than this lie on it
OVER = 30.0  # mm that a profile's hollow goes on above its rim


@dataclass(frozen=True)
class Cut:
    """What a mould is made of.

    hollow : solid; its boundary is the cavity
    plan : (x0, x1, y0, y1) of the blocks
    wall : mm of the blocks below and above z = 0
    below : solid below the parting surface; None: z = 0
    rim : radius of the cavity's rim
    block : solid of both halves instead of one from ``plan`` and ``wall``
    """

    hollow: cq.Shape
    plan: tuple[float, float, float, float] | None = None
    wall: float = 45.0
    below: cq.Shape | None = None
    rim: float = 0.0
    block: cq.Shape | None = None


@dataclass(frozen=True)
class ExactHalf:
    """A half's exact shape, and its cavity's area, mm²: up to the parting surface, as if its rim
    weren't rounded."""

    shape: cq.Shape
    area: float

    def distances(self, points: np.ndarray) -> np.ndarray:
        """(n,) mm from points (n, 3), own frame, to the exact surface of the half."""
        return np.array([self.shape.distance(cq.Vertex.makeVertex(*p)) for p in points])


def exact_half(cut: Cut, half: str, form: str) -> ExactHalf:
    """A half of a mould, a "solid" block or a "sheet" of cavity and flange."""
    block, below = cut.block, cut.below
    if block is None:
        x0, x1, y0, y1 = cut.plan
        size = (x1 - x0, y1 - y0, 2.0 * cut.wall)
        block = cq.Solid.makeBox(*size, cq.Vector(x0, y0, -cut.wall))
    if below is None:
        corner = cq.Vector(-2.0 * DEEP, -2.0 * DEEP, -DEEP)
        below = cq.Solid.makeBox(4.0 * DEEP, 4.0 * DEEP, DEEP, corner)
    piece = block.intersect(below) if half == "lower" else block.cut(below)
    shape = piece.cut(cut.hollow)
    cavity = [f for f in shape.Faces() if _on(cut, _nodes(f))]
    area = sum(map(_area, cavity))
    if cut.rim > 0.0:
        edges = [e for e in shape.Edges() if abs(_middle(e)[2]) < ON and _on(cut, [_middle(e)])]
        shape = shape.Solids()[0].fillet(cut.rim, edges)
    if form == "sheet":
        flange = [f for f in shape.Faces() if np.abs(_nodes(f)[:, 2]).max() < ON]
        shape = cq.Shell.makeShell([*cavity, *flange])
    return ExactHalf(shape, area)


def _area(face: cq.Face) -> float:
    """Integrated by halves: still up to 0.2 % off on faces that are made of ellipses."""
    found = GProp_GProps()
    BRepGProp.SurfaceProperties_s(face.wrapped, found, 1e-7, False)
    return found.Mass()


def _middle(edge: cq.Edge) -> np.ndarray:
    return np.array(edge.positionAt(0.5).toTuple())


def _on(cut: Cut, points) -> bool:
    """Whether all points lie on the hollow's boundary."""
    skin = cq.Compound.makeCompound(cut.hollow.Faces())
    return all(skin.distance(cq.Vertex.makeVertex(*p)) < ON for p in points)


def _nodes(face: cq.Face) -> np.ndarray:
    """(n, 3) points of a face: a coarse tessellation's vertices, on the exact surface."""
    alone = face.copy()
    BRepTools.Clean_s(alone.wrapped)
    return _tessellated(alone, 0.5)[0]


def tessellated(shape: cq.Shape, deviation: float) -> tuple[np.ndarray, np.ndarray]:
    """Vertices (n, 3) float64 and faces (m, 3) int32, normals out of the material."""
    BRepTools.Clean_s(shape.wrapped)
    points, faces = _tessellated(shape, deviation)
    return _welded(points, faces)


def _tessellated(shape: cq.Shape, deviation: float) -> tuple[np.ndarray, np.ndarray]:
    BRepMesh_IncrementalMesh(shape.wrapped, deviation, False, ANGULAR, False)
    points, faces, count = [], [], 0
    for face in shape.Faces():
        place = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face.wrapped, place)
        move = place.Transformation()
        nodes = (mesh.Node(i).Transformed(move) for i in range(1, mesh.NbNodes() + 1))
        points += [(p.X(), p.Y(), p.Z()) for p in nodes]
        corners = (mesh.Triangle(i).Get() for i in range(1, mesh.NbTriangles() + 1))
        turned = face.wrapped.Orientation() == TopAbs_REVERSED
        faces += [(a, c, b) if turned else (a, b, c) for a, b, c in corners]
        faces[-mesh.NbTriangles() :] = [
            tuple(k - 1 + count for k in f) for f in faces[-mesh.NbTriangles() :]
        ]
        count += mesh.NbNodes()
    return np.array(points), np.array(faces, np.int32)


def _welded(points: np.ndarray, faces: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points that faces share made one, and triangles that vanish thereby dropped."""
    pairs = cKDTree(points).query_pairs(WELD, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (len(points),) * 2)
    label = connected_components(graph, directed=False)[1]
    first = np.unique(label, return_index=True)[1]
    faces = label[faces].astype(np.int32)
    a, b, c = faces.T
    return points[first], faces[(a != b) & (b != c) & (c != a)]


# --- hollows ---------------------------------------------------------------------------


def bar(radius: float, first: float, last: float, z: float = 0.0) -> cq.Solid:
    """Cylinder along x."""
    return cq.Solid.makeCylinder(radius, last - first, cq.Vector(first, 0, z), cq.Vector(1, 0, 0))


def _wire(parts, plane: str) -> cq.Workplane:
    """Lines and arcs of a profile as an open chain in the plane "YZ" or "XZ"."""
    chain = cq.Workplane(plane).moveTo(*parts[0].first)
    for part in parts:
        to = tuple(part.last)
        chain = (
            chain.threePointArc(tuple(part.middle), to)
            if isinstance(part, Arc)
            else chain.lineTo(*to)
        )
    return chain


def profile_hollow(points) -> cq.Shape:
    """Along x: below a profile (y, z, radius), carried on along its end walls."""
    parts = rounded(points)
    grown = list(points)
    for end, way in ((0, parts[0].first - parts[0].last), (-1, parts[-1].last - parts[-1].first)):
        y, z = np.array(points[end][:2]) + way / abs(way[1]) * OVER
        grown[end] = (y, z, 0.0)
    return _wire(rounded(grown), "YZ").close().extrude(DEEP, both=True).val()


def below_step(points) -> cq.Shape:
    """Solid below a parting surface whose profile is (x, z, radius), extruded across."""
    parts = rounded(points)
    x0, x1 = parts[0].first[0], parts[-1].last[0]
    chain = _wire(parts, "XZ").lineTo(x1, -DEEP).lineTo(x0, -DEEP)
    return chain.close().extrude(DEEP, both=True).val()


def stretched(solid: cq.Shape, a: float, b: float, c: float) -> cq.Shape:
    """A solid stretched along x, y and z."""
    matrix = gp_Mat(a, 0, 0, 0, b, 0, 0, 0, c)
    maker = BRepBuilderAPI_GTransform(solid.wrapped, gp_GTrsf(matrix, gp_XYZ(0, 0, 0)), True)
    return cq.Shape.cast(maker.Shape())


def ball(radius: float, x: float = 0.0, y: float = 0.0, z: float = 0.0) -> cq.Solid:
    """Sphere, its poles along z."""
    whole = cq.Workplane("XY").sphere(radius).val()
    return whole.translate(cq.Vector(x, y, z))


def swept(path: list[tuple[float, ...]], section: Callable[[], cq.Workplane], plane="YZ"):
    """A tube of bends in the plane z = 0.

    ``path``: rows (length,) straight on or (radius, angle) to the left (angle > 0) or right.
    ``section``: workplane with a closed outline round the origin of its plane, made anew.
    """
    tube, at, heading = None, np.zeros(2), 0.0
    for row in path:
        if len(row) == 1:
            part = section().extrude(row[0]).val()
            moved = row[0] * np.array([1.0, 0.0])
            turn = 0.0
        else:
            radius, turn = row
            side = np.sign(turn)
            part = section().revolve(
                abs(np.degrees(turn)), (side * radius, 0, 0), (side * radius, side, 0)
            )
            part = part.val()
            moved = radius * np.array([np.sin(abs(turn)), side * (1 - np.cos(turn))])
        axis = (cq.Vector(0, 0, 0), cq.Vector(0, 0, 1))
        part = part.rotate(*axis, np.degrees(heading)).translate(cq.Vector(*at, 0))
        tube = part if tube is None else tube.fuse(part)
        c, s = np.cos(heading), np.sin(heading)
        at, heading = at + np.array([[c, -s], [s, c]]) @ moved, heading + turn
    return tube


def tray(length: float, width: float, depth: float, draft: float, fillet: float) -> cq.Shape:
    """A pan below z = 0, its walls ``draft`` degrees off upright, all inner edges filleted."""
    pan = cq.Workplane("XY").rect(length, width).extrude(-depth, taper=draft).val()
    inner = [e for e in pan.Edges() if _middle(e)[2] < -ON]
    return pan.fillet(fillet, inner)


def revolved(first: tuple[float, float], rest) -> cq.Shape:
    """Round the x axis: a chain from ``first`` (x, r) over rows (to,) or (over, to)."""
    chain = cq.Workplane("XY").moveTo(*first)
    for row in rest:
        chain = chain.lineTo(*row[0]) if len(row) == 1 else chain.threePointArc(*row)
    return chain.close().revolve(360, (0, 0, 0), (1, 0, 0)).val()
