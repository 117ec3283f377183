"""Make the demo mould: a sculling boat's rigger elbow in two halves. Invented data.

A bent tube whose section changes from round to a flattened oval, along a bend that is
tightest before its middle; parted in the plane of the bend; each half a closed block with
a flange. Run ``python meshes/make_demo.py`` to write the STL files beside this script.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from exact.split_tubes import HALVES, Centreline, HalfName, Oval, SplitTube, TubeMesh
from scipy.special import betainc

from drape.geometry.surface import Floats, Ints

LENGTH = 310.0  # mm along the centreline
BEND = np.radians(80.0)
ROUND = 25.0  # mm, radius at the first mouth
WIDE, FLAT = 33.0, 15.0  # mm, half-axes of the oval at the second mouth
SEED = 1874
ALONG, AROUND = 130, 60  # facets


def _blend(s: Floats) -> Floats:
    """0 at the first mouth, 1 at the second, level at both."""
    x = np.clip(s / LENGTH, 0.0, 1.0)
    return x * x * (3.0 - 2.0 * x)


def _heading(s: Floats) -> Floats:
    """Direction of the centreline: curvature like x²(1 − x)³, nothing at the mouths."""
    return BEND * betainc(3.0, 4.0, np.clip(s / LENGTH, 0.0, 1.0))


def rigger() -> SplitTube:
    """The exact surface of the demo mould."""
    return SplitTube(
        Centreline(LENGTH, _heading),
        Oval(),
        half_width=lambda s: ROUND + (WIDE - ROUND) * _blend(s),
        depth=lambda s: ROUND + (FLAT - ROUND) * _blend(s),
        flange=25.0,
        wall=15.0,
    )


def rigger_half(half: HalfName) -> TubeMesh:
    """Triangles of one half, a closed block."""
    return rigger().mesh(half, "solid", along=ALONG, around=AROUND, seed=SEED)


def stl_bytes(vertices: Floats, faces: Ints) -> bytes:
    """A binary STL: 80 bytes of header, count, then normal and corners of each triangle."""
    corners = vertices[faces].astype("<f4")
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    kind = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("unused", "<u2")])
    records = np.zeros(len(faces), kind)
    records["normal"], records["corners"] = normals, corners
    header = b"rigger elbow, invented data, mm".ljust(80)
    return header + np.array([len(faces)], "<u4").tobytes() + records.tobytes()


def main() -> None:
    """Write both halves beside this script."""
    for half in HALVES:
        mesh = rigger_half(half)
        path = Path(__file__).with_name(f"rigger_{half}.stl")
        path.write_bytes(stl_bytes(mesh.vertices, mesh.faces))
        print(f"{path.name}: {len(mesh.faces)} triangles")


if __name__ == "__main__":
    main()
