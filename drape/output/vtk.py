"""VTK XML PolyData (.vtp) of a net, written with the standard library.

The file holds the net's nodes and cells, and of every cell the shear in degrees, the
directions of warp and weft, and what else is given. Arrays are inline base64, little-endian,
each after its length in bytes (VTK file formats, XML, `header_type` UInt64).
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

VTK_TYPES = {"<f8": "Float64", "<i8": "Int64"}


def to_vtp(
    points: ArrayLike,
    cells: ArrayLike,
    shear: ArrayLike,
    warp: ArrayLike,
    weft: ArrayLike,
    scalars: Mapping[str, ArrayLike] | None = None,
) -> bytes:
    """A net as a VTK PolyData file.

    Parameters
    ----------
    points : (n, 3) mm
    cells : (k, 4) int
        Nodes of each cell, counter-clockwise.
    shear : (k,) radians, signed
    warp, weft : (k, 3)
        Directions of the yarns in each cell.
    scalars : name → (k,), optional
        More figures of each cell.

    Returns
    -------
    bytes
        Cell data ``shear_deg`` (degrees), ``warp``, ``weft`` and the ``scalars``.

    Raises
    ------
    ValueError
        Shapes that don't fit each other, nodes that don't exist, values not finite.
    """
    xyz = np.asarray(points, dtype="<f8").reshape(-1, 3)
    quads = np.asarray(cells, dtype="<i8").reshape(-1, 4)
    count = len(quads)
    data = {
        "shear_deg": np.degrees(np.asarray(shear, dtype="<f8").reshape(count)),
        "warp": np.asarray(warp, dtype="<f8").reshape(count, 3),
        "weft": np.asarray(weft, dtype="<f8").reshape(count, 3),
    }
    for name, values in (scalars or {}).items():
        data[name] = np.asarray(values, dtype="<f8").reshape(count)
    _check(xyz, quads, data)
    return "\n".join(_lines(xyz, quads, data)).encode("ascii")


def _lines(xyz: NDArray, quads: NDArray, data: dict[str, NDArray]) -> list[str]:
    offsets = 4 * np.arange(1, len(quads) + 1, dtype="<i8")
    return [
        '<?xml version="1.0"?>',
        '<VTKFile type="PolyData" version="1.0" byte_order="LittleEndian" header_type="UInt64">',
        "<PolyData>",
        f'<Piece NumberOfPoints="{len(xyz)}" NumberOfVerts="0" NumberOfLines="0" '
        f'NumberOfStrips="0" NumberOfPolys="{len(quads)}">',
        '<CellData Scalars="shear_deg">',
        *(_array(name, values) for name, values in data.items()),
        "</CellData>",
        f"<Points>{_array('Points', xyz)}</Points>",
        "<Polys>",
        _array("connectivity", quads.ravel()),
        _array("offsets", offsets),
        "</Polys>",
        "</Piece>",
        "</PolyData>",
        "</VTKFile>",
        "",
    ]


def _array(name: str, values: NDArray) -> str:
    kind = VTK_TYPES[values.dtype.newbyteorder("<").str]
    parts = f' NumberOfComponents="{values.shape[1]}"' if values.ndim == 2 else ""
    body = np.ascontiguousarray(values, dtype=values.dtype.newbyteorder("<")).tobytes()
    text = b64encode(len(body).to_bytes(8, "little") + body).decode("ascii")
    return f'<DataArray type="{kind}" Name="{name}"{parts} format="binary">{text}</DataArray>'


def _check(xyz: NDArray, quads: NDArray, data: dict[str, NDArray]) -> None:
    if not all(np.isfinite(values).all() for values in (xyz, *data.values())):
        raise ValueError("a net to be written has values that aren't finite")
    if len(quads) and not (quads.min() >= 0 and quads.max() < len(xyz)):
        raise ValueError("cells name nodes that don't exist")
