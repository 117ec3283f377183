"""Surfaces and nets that the benchmarks share."""

import sys
from pathlib import Path

import numpy as np

from drape.geometry.surface import SurfacePoint, build
from drape.layup.start_places import nearest
from drape.mould.closed.extension import extend
from drape.mould.mould import find_mould
from drape.mould.region import at_vertex, plain_region
from drape.net.solver import NetOptions, solve_net

sys.path.append(str(Path(__file__).resolve().parents[1] / "cad"))
sys.path.append(str(Path(__file__).resolve().parents[2] / "meshes"))
from cad_moulds import ALL
from exact import shapes


class Case:
    """A shape, extended past its rim, with a start vertex and a warp direction."""

    def __init__(self, mesh, start, warp, margin=10.0):
        self.surface = build(*mesh)
        self.region = plain_region(self.surface)
        self.extended = extend(self.region, self.surface, 1.0, margin)
        gap = np.linalg.norm(self.surface.vertices - np.asarray(start), axis=1)
        self.start: SurfacePoint = at_vertex(self.region, int(np.argmin(gap)))
        self.warp = np.asarray(warp, float)

    def net(self, spacing, **options):
        return solve_net(
            self.extended.surface,
            self.start,
            self.warp,
            NetOptions(spacing, **options),
            level=self.extended.level,
        )


def cad(name, deviation=0.02):
    """The lower half of a CAD mould, from its start, the warp nearly along x where it stands."""
    mould = next(m for m in ALL if m.name == name)
    found = find_mould({"lower": build(*mould.meshes(deviation)["lower"])})
    case = Case.__new__(Case)
    case.region = found.halves["lower"].region
    case.surface = case.region.surface
    case.extended = extend(case.region, case.surface, 1.0, 10.0)
    case.start = nearest(case.region, mould.placed([mould.starts["lower"]])[0], "start")[0]
    case.warp = np.array([1.0, 0.2, 0.1])
    return case


def hemisphere(radius=60.0, rings=52):
    return Case(shapes.hemisphere(radius, rings), [0, 0, -radius], [1, 0, 0])


def elbow(around=48, along=96):
    """90° bend of 80, section 25, warp along the crown."""
    h = np.sqrt(0.5)
    middle = [80 * h, 80 - 80 * h, -25.0]
    return Case(shapes.elbow(80.0, 25.0, np.pi / 2, around, along), middle, [1, 1, 0])
