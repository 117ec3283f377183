"""The cloth of each half's plies on the faces of the user's own mesh, ready to be written.

Only a half's own faces: a lap lies on the other half's, and isn't listed. Lengths in mm,
angles in radians inside.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from drape.errors import Finding
from drape.fabric.fabric import Fabric
from drape.geometry.surface import Floats, Ints
from drape.layup.piece import Piece
from drape.mould.mould import Half
from drape.net.on_faces import DrapedFaces, draped_faces, thickening, turned_from

HALF = 0.499  # of a face's area; the parts' sum is rounded, and smoothed scans differ a little
# of a half's mesh: a scan of a million would make tables of hundreds of MB; our own choice
MOST_FACES = 300_000


@dataclass(frozen=True, eq=False)
class FileGround:
    """What the fields of a half's cloth refer to.

    file_faces : (m,) number in the file of each face of the half's mesh, −1 for repaired ones
    zero : (f, 3) zero direction at each face of the half's region
    sense : 1 where angles are counted seen from inside, −1 from the mould
    """

    file_faces: Ints
    zero: Floats
    sense: float


@dataclass(frozen=True, eq=False)
class FaceField:
    """One ply on the user's faces.

    faces : (k,) int, their numbers in the file, rising
    middles : (k, 3) mm
    warp, weft : (k, 3) unit
    angle : (k,) radians, of the warp from the zero direction, as the job counts; NaN unknown
    shear : (k,) radians, signed
    thickness : (k,) mm; areal_mass : (k,) g/m²
    """

    faces: Ints
    middles: Floats
    warp: Floats
    weft: Floats
    angle: Floats
    shear: Floats
    thickness: Floats
    areal_mass: Floats

    def columns(self) -> Floats:
        """(k, 13) as ``output.field_table`` has them."""
        angles = np.degrees(np.column_stack([self.angle, self.shear]))
        parts = (self.middles, self.warp, self.weft, angles, self.thickness, self.areal_mass)
        return np.column_stack(parts)


def face_field(piece: Piece, half: Half, ground: FileGround, fabric: Fabric) -> FaceField:
    """One ply on the faces of its half's mesh whose middles it covers.

    A face that a trim line or the other half's vertices divide counts if half of it or more is
    covered, and is listed with the values in the middle of its largest covered part.
    """
    region = half.region
    own = np.flatnonzero(region.inside & (ground.file_faces[region.source_faces] >= 0))
    cut = shapely.Polygon(piece.outlines[0].points, [o.points for o in piece.outlines[1:]])
    seen = draped_faces(piece.net, piece.mid, own, cut)
    source = region.source_faces[seen.faces]
    size = region.surface.face_areas[seen.faces]
    covered = np.bincount(source, size, minlength=len(half.surface.faces))
    enough = np.flatnonzero(covered[source] >= HALF * half.surface.face_areas[source])
    order = enough[np.lexsort((-size[enough], ground.file_faces[source[enough]]))]
    first = np.unique(ground.file_faces[source[order]], return_index=True)[1]
    return _field(seen, order[first], source, half, ground, fabric)


def _field(
    seen: DrapedFaces, rows: Ints, source: Ints, half: Half, ground: FileGround, fabric: Fabric
) -> FaceField:
    zero = ground.zero[seen.faces[rows]]
    more = thickening(seen.shear[rows])
    whole = half.surface
    return FaceField(
        ground.file_faces[source[rows]],
        whole.vertices[whole.faces[source[rows]]].mean(axis=1),
        seen.warp[rows],
        seen.weft[rows],
        ground.sense * turned_from(zero, seen.warp[rows], seen.normals[rows]),
        seen.shear[rows],
        fabric.thickness * more,
        fabric.areal_mass * more,
    )


def face_findings(file_faces: Mapping[str, Ints]) -> list[Finding]:
    """Notes where faces were repaired, so that they have no number in the file, and where a mesh
    has too many for a table."""
    out = []
    for name, faces in file_faces.items():
        if len(faces) > MOST_FACES:
            message = f"no table of fields: the mesh has {len(faces)} faces (limit {MOST_FACES})"
            out.append(Finding("note", (name,), message, "use nets/*.vtp, or give a coarser mesh"))
        elif count := int((faces < 0).sum()):
            message = f"no fields for {count} repaired triangles: they aren't in the mesh file"
            out.append(Finding("note", (name,), message))
    return out


def tables(
    plies: Sequence[tuple[int, Fabric, Piece]], half: Half, ground: FileGround
) -> list[tuple[int, Ints, Floats]]:
    """(order, faces, columns) of a half's plies."""
    out = []
    for order, fabric, piece in plies:
        field = face_field(piece, half, ground, fabric)
        out.append((order, field.faces, field.columns()))
    return out
