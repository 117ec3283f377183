"""Records of summary.json on what becomes of the cloth: zones at risk, smoothing order.

mm and degrees at this surface.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, FiniteFloat

from drape.output.summary.base import Amount, Model, Point2, Point3, Vector3

Range = tuple[FiniteFloat, FiniteFloat]


class WrinkleZone(Model):
    """A connected area sheared past the locking angle: a risk of wrinkles.

    ``centre_mm`` and ``flat_mm`` are the place of the greatest shear, on the mould and on the
    pattern. ``least_mm2`` and ``greatest_mm2``: its area with the limit off by the band;
    ``own_area_mm2`` is what lies inside the ply's own edges. Wefts between the u's and
    warps between the v's cross it. ``edges``: those it touches; ``trimmed_away``: it lies
    past the own edges, and all of those it touches are trimmed in the mould.
    """

    area_mm2: Amount
    least_mm2: Amount | None = None
    greatest_mm2: Amount | None = None
    own_area_mm2: Amount | None = None
    max_shear_deg: Amount | None = None
    lengthens_deg: Literal[45, -45] | None = None
    centre_mm: Point3 | None = None
    flat_mm: Point2 | None = None
    u_mm: Range | None = None
    v_mm: Range | None = None
    edges: tuple[str, ...] = ()
    trimmed_away: bool = False


class WrinkleBand(Model):
    """How uncertain the zones are: all of their area with the limit off by ``plus_minus_deg``.

    Its parts (of the mesh, the net's spacing, the fabric's scatter) add as squares.
    """

    area_mm2: Amount
    least_mm2: Amount
    greatest_mm2: Amount
    plus_minus_deg: Amount
    mesh_deg: Amount
    net_deg: Amount
    fabric_deg: Amount


class BridgingZone(Model):
    """A connected place where yarns would bend more tightly than they can: a risk.

    ``concave``: hollow seen from inside, and ``radius_mm`` the mould's (0: sharp); the cloth
    would span it with a gap ``height_mm`` high. ``convex``: an outside corner, and the radius
    of the ply itself.
    """

    kind: Literal["concave", "convex"]
    area_mm2: Amount
    radius_mm: Amount
    limit_mm: Amount
    height_mm: Amount
    centre_mm: Point3
    yarns: tuple[Literal["warp", "weft"], ...]
    u_mm: Range
    v_mm: Range


class StrokeRecord(Model):
    """A stroke of the smoothing order; ``sector`` 0 is along the first yarns.

    ``lengthens_deg``: the diagonal to pull along, +45 between +warp (x of the pattern) and
    +weft (y), −45 between +warp and −weft, null where hardly any shear is needed;
    ``shear_direction`` is its direction on the mould at the stroke's end.
    """

    number: Annotated[int, Field(ge=1)]
    sector: Annotated[int, Field(ge=0)]
    from_mm: Point3
    to_mm: Point3
    from_flat_mm: Point2
    to_flat_mm: Point2
    greatest_shear_deg: Amount
    lengthens_deg: Literal[45, -45] | None = None
    shear_direction: Vector3 | None = None
