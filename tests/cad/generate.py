"""Make the stored meshes of the set again: ``python tests/cad/generate.py [NAME ...]``.

Each mould and tolerance is one ``meshes/<name>-<tolerance>.npz``: by half's name float32 vertices
(what a binary STL holds) and int16 or int32 faces, the cavity's exact area from the CAD kernel
(mm²), and the kernel's version. Together 2.7 MB.
"""

from __future__ import annotations

import io
import sys
import zipfile

import numpy as np
from cad_cuts import exact_halves
from cad_kernel import VERSION, tessellated
from cad_mould import STORED, TOLERANCES, CadMould, file_name
from cad_moulds import ALL


def meshes_of(mould: CadMould, exact, deviation: float) -> dict[str, np.ndarray]:
    """What is stored of a mould: arrays by name."""
    out = {"version": np.array(VERSION)}
    for half, piece in exact.items():
        vertices, faces = tessellated(piece.shape, deviation)
        out[f"{half}/vertices"] = mould.placed(vertices).astype(np.float32)
        small = len(vertices) < 2**15
        out[f"{half}/faces"] = faces.astype(np.int16 if small else np.int32)
        out[f"{half}/area"] = np.array(piece.area)
    return out


def packed(arrays: dict[str, np.ndarray]) -> bytes:
    """As the bytes of an npz file without times, so that the same is the same."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as archive:
        for name, array in arrays.items():
            data = io.BytesIO()
            np.save(data, array)
            entry = zipfile.ZipInfo(f"{name}.npy")
            archive.writestr(entry, data.getvalue(), zipfile.ZIP_DEFLATED)
    return out.getvalue()


def main(*names: str) -> None:
    """Write the named moulds, or all."""
    unknown = set(names) - {m.name for m in ALL}
    if unknown:
        sys.exit(f"no such moulds: {', '.join(sorted(unknown))}")
    STORED.mkdir(exist_ok=True)
    for mould in ALL:
        if names and mould.name not in names:
            continue
        exact = exact_halves(mould)
        for deviation in TOLERANCES:
            arrays = meshes_of(mould, exact, deviation)
            data = packed(arrays)
            (STORED / file_name(mould, deviation)).write_bytes(data)
            counts = [len(arrays[f"{half}/faces"]) for half in mould.halves]
            print(f"{mould.name}, {deviation:g} mm: {counts} faces, {len(data) / 1000:.0f} kB")


if __name__ == "__main__":
    main(*sys.argv[1:])
