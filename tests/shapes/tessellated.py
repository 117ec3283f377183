"""The shapes of docs/accuracy.md: CAD tessellations by chord tolerance, and even meshes."""

from __future__ import annotations

import numpy as np
from exact import shapes
from tessellations import (
    Shape,
    bowl,
    capsule,
    cone,
    elbow_normals,
    ellipsoid,
    elliptic_groove,
    folded,
    groove,
    regular,
    steps,
    swept,
    wavy,
)


def named(chord: float) -> dict[str, Shape]:
    """The shapes of docs/accuracy.md, tessellated within ``chord`` mm, in general position."""
    half = np.pi / 2

    def around(radius, angle=np.pi):
        return steps(angle, radius, chord)

    n = around(25.0)
    out = {
        "groove": groove(25.0, 200.0, (n, n)),
        "groove, mouths cut askew": groove(25.0, 200.0, (n, n), slant=0.6),
        "groove, rows that differ": groove(25.0, 200.0, (n, n + 3)),
        "half cone": cone(35.0, 20.0, 200.0, (around(35.0), around(35.0))),
        "half cone, rows that differ": cone(35.0, 20.0, 200.0, (around(35.0), around(20.0))),
        "elliptic groove": elliptic_groove(32.0, 18.0, 160.0, (around(57.0), around(57.0))),
        "hemisphere": bowl(60.0, around(60.0, half), around(60.0, 2 * np.pi)),
        "ellipsoid": ellipsoid([70.0, 40.0, 30.0], around(160.0), around(53.0)),
        "cylinder with sphere ends": capsule(25.0, 120.0, around(25.0, half), n),
        "pipe bend with straight ends": swept(
            [(70.0, 0.0), (80.0 * 1.1, 1.1), (90.0, 0.0)],
            22.0,
            around(22.0),
            (1, around(102.0, 1.1), 1),
        ),
        "quarter torus": swept([(80.0 * half, half)], 25.0, n, (around(105.0, half),)),
        "flat, fillet, wall": folded(
            [(60.0, 0.0, 1), (8.0 * 1.4, 1.4, around(8.0, 1.4)), (35.0, 0.0, 1)], 150.0
        ),
        "half-round with flat sides": folded(
            [(40.0, 0.0, 1), (20.0 * np.pi * 0.9, np.pi * 0.9, around(20.0)), (40.0, 0.0, 1)], 180.0
        ),
        "S of two arcs": folded(
            [(30.0 * 1.2, 1.2, around(30.0, 1.2)), (45.0 * 1.0, -1.0, around(45.0, 1.0))], 150.0
        ),
    }
    return {name: shape.turned() for name, shape in out.items()}


def regulars() -> dict[str, Shape]:
    """Even and jittered meshes of the same kinds of surface, on which quadrics do well."""

    def round_x(p):
        return -p * [0.0, 1.0, 1.0]

    def fan(p):  # half cone 35 to 20 over 200
        r = np.hypot(p[:, 1], p[:, 2])
        return np.stack([np.full(len(p), -0.075), -p[:, 1] / r, -p[:, 2] / r], 1)

    out = {}
    for name, jitter in (("", 0.0), (", uneven", 0.3)):
        extra = {"jitter": jitter}

        out["half cylinder" + name] = regular(shapes.trough(25.0, 100.0, 32, 40, **extra), round_x)
        out["half cone" + name] = regular(shapes.half_cone(35.0, 20.0, 200.0, 48, 60, **extra), fan)
        out["elbow" + name] = regular(
            shapes.elbow(80.0, 25.0, np.pi / 2, 36, 60, **extra), elbow_normals(80.0)
        )
        out["fine elbow" + name] = regular(
            shapes.elbow(80.0, 25.0, np.pi / 2, 96, 160, **extra), elbow_normals(80.0)
        )
        out["bump" + name] = wavy(64, **extra)
        out["steep bump" + name] = wavy(64, scale=12.0, width=20.0, **extra)
        out["fine steep bump" + name] = wavy(200, scale=12.0, width=20.0, **extra)
    for rings in (12, 37):
        out[f"hemisphere, {rings} rings"] = regular(shapes.hemisphere(60.0, rings), lambda p: -p)
    return out
