"""What each kind of mould in ``cad_moulds`` is cut from: kind and sizes → ``Cut``.

Own frame, mm.
"""

from __future__ import annotations

import cadquery as cq
import numpy as np
from cad_kernel import (
    DEEP,
    OVER,
    Cut,
    ball,
    bar,
    below_step,
    exact_half,
    profile_hollow,
    revolved,
    stretched,
    swept,
    tray,
)
from cad_mould import CadMould

END = 6.0  # mm that hollows go on past a block's end where they have to stop


def _plan(length: float, half_width: float, flange: float) -> tuple[float, float, float, float]:
    return (-length / 2, length / 2, -half_width - flange, half_width + flange)


def _bar(radius, length, flange, centre=0.0, rim=0.0):
    half_width = np.sqrt(radius**2 - centre**2)
    hollow = bar(radius, -DEEP, DEEP, centre)
    plan = _plan(length, half_width, flange)
    return Cut(hollow, plan, wall=radius - centre + 13.0, rim=rim)


def _cone(first, second, length, flange):
    slope = (second - first) / length
    hollow = cq.Solid.makeCone(
        first - slope * OVER,
        second + slope * OVER,
        length + 2 * OVER,
        cq.Vector(-length / 2 - OVER, 0, 0),
        cq.Vector(1, 0, 0),
    )
    return Cut(hollow, _plan(length, max(first, second), flange))


def _oval_bar(half_width, depth, length, flange):
    hollow = _section("ellipse", half_width, depth).extrude(DEEP, both=True).val()
    return Cut(hollow, _plan(length, half_width, flange))


def _trough(profile, length, flange):
    half_width = max(abs(p[0]) for p in profile)
    return Cut(profile_hollow(profile), _plan(length, half_width, flange))


def _stepped(radius, straight, step, length, flange):
    sides = cq.Workplane("YZ").rect(2 * radius, 2 * straight).extrude(DEEP, both=True).val()
    hollow = sides.fuse(bar(radius, -DEEP, DEEP, straight), bar(radius, -DEEP, DEEP, -straight))
    return Cut(hollow.clean(), _plan(length, radius, flange), below=below_step(step))


def _ball(radius, flange, centre=0.0):
    rim = np.sqrt(radius**2 - centre**2)
    return Cut(ball(radius, z=centre), _plan(2 * (rim + flange), rim, flange))


def _ellipsoid(a, b, c, flange):
    return Cut(stretched(ball(1.0), a, b, c), _plan(2 * (a + flange), b, flange))


def _capsule(radius, length, flange, closed):
    """A tube with one end closed (at +x) or both, by half balls."""
    x0 = -length if closed == 2 else -length - OVER
    hollow = bar(radius, x0, 0.0).fuse(ball(radius))
    if closed == 2:
        hollow = hollow.fuse(ball(radius, -length))
    first = -length - radius - flange if closed == 2 else -length
    plan = (first, radius + flange, -radius - flange, radius + flange)
    return Cut(hollow, plan)


def _nose(radius, depth, nose, length, flange):
    """An elliptic tube whose end is half an ellipsoid."""
    hollow = bar(1.0, -(length + OVER) / nose, 0.0).fuse(ball(1.0))
    plan = (-length, nose + flange, -radius - flange, radius + flange)
    return Cut(stretched(hollow, nose, radius, depth), plan)


def _spindle(half_length, radius, flange):
    """A circular arc turned round its chord: pointed at both ends."""
    hollow = revolved((-half_length, 0.0), [((0.0, radius), (half_length, 0.0))])
    return Cut(hollow, _plan(2 * (half_length + flange), radius, flange))


def _boom_tip(first, last, length, flange):
    """A cone that goes over into the ball of radius ``last`` along a tangent circle."""
    lean = np.arcsin((first - last) / length)
    join = np.array([last * np.sin(lean), last * np.cos(lean)])  # the ball's centre is at 0
    way = np.array([-np.cos(lean), np.sin(lean)])
    start = join + (length + OVER) * way
    half = (np.pi / 2 - lean) / 2
    over = (last * np.cos(half), last * np.sin(half))
    rows = [(tuple(start),), (tuple(join),), (over, (last, 0.0))]
    hollow = revolved((start[0], 0.0), rows)
    widest = first + flange
    return Cut(hollow, (-length, last + flange, -widest, widest))


def _section(kind, *size):
    plane = cq.Workplane("YZ")
    return plane.circle(*size) if kind == "circle" else plane.ellipse(*size)


def _tube(path, section, flange, rim=0.0):
    """Bends joined by straights; the blocks' ends stand square to the tube at its mouths."""
    inside = swept([(END,), *path, (END,)], lambda: _section(*section))
    width, height = 2 * (section[1] + flange), 2 * (section[-1] + 13.0)
    block = swept(path, lambda: cq.Workplane("YZ").rect(width, height))
    return Cut(inside.translate(cq.Vector(-END, 0, 0)), block=block, rim=rim)


def _tray(length, width, depth, draft, fillet, flange, rim=0.0):
    hollow = tray(length, width, depth, draft, fillet)
    return Cut(hollow, _plan(length + 2 * flange, width / 2, flange), wall=depth + 12.0, rim=rim)


def _fork(middle, radius, angles, length, fillet, flange):
    """Arms of one radius from a ball, the edges between them rounded."""
    hollow = ball(middle)
    for angle in angles:
        way = cq.Vector(np.cos(angle), np.sin(angle), 0)
        hollow = hollow.fuse(cq.Solid.makeCylinder(radius, length, cq.Vector(0, 0, 0), way))
    hollow = _filleted(hollow, fillet, length)
    return Cut(hollow, block=_star(angles, radius + flange, middle + flange, length))


def _tee(radius, branch, length, fillet, flange, angles=(0.0, np.pi, np.pi / 2)):
    """Tubes that meet in one point without a ball; ``branch`` is the last one's radius."""
    hollow = None
    for angle, size in zip(angles, (radius, radius, branch), strict=True):
        way = cq.Vector(np.cos(angle), np.sin(angle), 0)
        arm = cq.Solid.makeCylinder(size, length, cq.Vector(0, 0, 0), way)
        hollow = arm if hollow is None else hollow.fuse(arm)
    hollow = hollow.clean()
    if fillet:
        hollow = _filleted(hollow, fillet, length)
    block = _star(angles, radius + flange, radius + flange, length)
    return Cut(hollow, block=block)


def _filleted(hollow, fillet, length):
    """All edges that aren't at the arms' ends."""
    solid = hollow.Solids()[0]
    edges = []
    for edge in solid.Edges():
        far = max(np.linalg.norm(edge.positionAt(t).toTuple()) for t in (0.1, 0.5, 0.9))
        faces = [f for f in solid.Faces() if any(e.isSame(edge) for e in f.Edges())]
        if far < 0.95 * length and len(faces) == 2:  # one: where a face closes on itself
            edges.append(edge)
    return solid.fillet(fillet, edges)


def _star(angles, half_width, middle, length):
    """Blocks along the arms, their ends square to them, a little inside the arms' ends."""
    block = cq.Workplane("XY").circle(middle).extrude(45.0, both=True).val()
    for angle in angles:
        arm = cq.Workplane("XY").rect(length - END, 2 * half_width).extrude(45.0, both=True).val()
        arm = arm.translate(cq.Vector((length - END) / 2, 0, 0))
        block = block.fuse(arm.rotate((0, 0, 0), (0, 0, 1), np.degrees(angle)))
    return block.clean()


KINDS = {
    "bar": _bar,
    "cone": _cone,
    "oval bar": _oval_bar,
    "trough": _trough,
    "stepped": _stepped,
    "ball": _ball,
    "ellipsoid": _ellipsoid,
    "capsule": _capsule,
    "nose": _nose,
    "spindle": _spindle,
    "boom tip": _boom_tip,
    "tube": _tube,
    "tray": _tray,
    "fork": _fork,
    "tee": _tee,
}


def exact_halves(mould: CadMould):
    """By half's name the mould's exact shape, ``ExactHalf``."""
    cut = KINDS[mould.kind](**mould.sizes)
    return {half: exact_half(cut, half, mould.form) for half in mould.halves}
