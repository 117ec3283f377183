"""What a CAD mould of the set is: sizes, exact answers, stored meshes, and how some are spoilt.

Own frame: closing direction +z from the lower half into the upper, parting plane z = 0 unless
stepped. The meshes stand turned and shifted (``CadMould.placed``). Lengths in mm.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np
from scipy.spatial.transform import Rotation

TOLERANCES = (0.2, 0.02)  # mm, chordal deviation
THICKNESS = 0.2  # mm of the one ply each half gets
HEIGHT = THICKNESS / 2.0
LAP = 8.0  # mm, of the lower half's ply where a mould is run with a joint
GENERAL = np.cos(np.radians(15.0))  # no axis of an own frame is nearer to one of the file's

STORED = Path(__file__).parent / "meshes"

Outline = Callable[[str], np.ndarray]


@dataclass(frozen=True)
class CadMould:
    """One mould of the set.

    kind, sizes : what it is made from, see ``cad_cuts``
    starts : by half the start point in the own frame, on the exact surface; never a vertex but by
        chance, so that it is the same for all tessellations
    expected, why : see the module
    outline : half → exact (n, 2) flat outline of its ply, any position; None: none is known
    area : exact mm² of each half's cavity from a closed form; None: the CAD kernel's alone
    shear_deg : exact largest shear; None: not known
    radii : exact distances of the outline from the start along the yarns and between them
    lap : whether the halves' plies lap by ``LAP``
    fault : what is done to the meshes to spoil them: "gap", "swapped", "twice", "inch"
    """

    name: str
    kind: str
    sizes: dict[str, Any]
    starts: dict[str, tuple[float, float, float]]
    form: str = "solid"
    expected: str = "valid"
    why: str = ""
    outline: Outline | None = None
    area: float | None = None
    shear_deg: float | None = None
    radii: tuple[float, float] | None = None
    lap: bool = False
    fault: str = ""

    @property
    def halves(self) -> tuple[str, ...]:
        return tuple(self.starts)

    @property
    def developable(self) -> bool:
        return self.outline is not None

    def placed(self, points) -> np.ndarray:
        """Points (n, 3) of the own frame as they stand in the mesh files."""
        random = np.random.default_rng(crc32(self.name.encode()))
        turn = np.eye(3)
        while np.abs(turn).max() > GENERAL:
            turn = Rotation.from_euler("xyz", random.uniform(-np.pi, np.pi, 3)).as_matrix()
        return np.asarray(points, float) @ turn.T + random.uniform(-80.0, 80.0, 3)

    def own_frame(self, points) -> np.ndarray:
        """The way back from ``placed``."""
        origin = self.placed([[0.0, 0.0, 0.0]])
        turn = self.placed(np.eye(3)) - origin
        return (np.asarray(points, float) - origin) @ turn.T

    def stored(self, deviation: float) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """By half vertices (n, 3) float32 and faces of the stored mesh, before any fault."""
        with np.load(STORED / file_name(self, deviation)) as arrays:
            return {
                half: (arrays[f"{half}/vertices"], arrays[f"{half}/faces"].astype(np.int64))
                for half in self.halves
            }

    def meshes(self, deviation: float) -> dict[str, tuple[np.ndarray, np.ndarray]]:
        """As a run gets them, float32: spoilt if there is a ``fault``."""
        halves = self.stored(deviation)
        if self.fault:
            own = {half: (self.own_frame(v), f) for half, (v, f) in halves.items()}
            spoilt = FAULTS[self.fault](own)
            halves = {h: (self.placed(v).astype(np.float32), f) for h, (v, f) in spoilt.items()}
        return halves


def file_name(mould: CadMould, deviation: float) -> str:
    """Of its stored mesh."""
    return f"{mould.name.replace(' ', '-')}-{deviation:g}.npz"


def _apart(halves):
    vertices, faces = halves["upper"]
    return {**halves, "upper": (vertices + np.array([0.0, 0.0, 0.8]), faces)}


def _swapped(halves):
    vertices, faces = halves["upper"]
    middle = (vertices.max(axis=0) + vertices.min(axis=0)) / 2.0 * [1.0, 1.0, 0.0]
    return {**halves, "upper": ((vertices - middle) * [-1.0, -1.0, 1.0] + middle, faces)}


FAULTS = {
    "gap": _apart,
    "swapped": _swapped,
    "twice": lambda halves: {"lower": halves["lower"], "upper": halves["lower"]},
    "inch": lambda halves: {half: (v / 25.4, f) for half, (v, f) in halves.items()},
}
