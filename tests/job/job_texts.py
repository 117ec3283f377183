"""A job with a bit of everything, changed in one place, and what is said of it."""

from __future__ import annotations

JOB = """\
format = 1
title = "Test part"
units = "cm"
seen_from = "inside"

[mould]
closing = [0, 0, 2]
[mould.halves.lower]
mesh = "lower.stl"
zero = [1, 0, 0]
[mould.halves.upper]
mesh = "sub/upper.PLY"
[mould.trim.A]
point = [1, 2, 3]
normal = [-4, 0, 0]
[mould.mouths]
A = "root"

[fabrics.twill]
weave = "2x2 twill"
areal_mass = 200
locking_angle = 45
[fabrics.heavy]
take = "twill-200"
areal_mass = 400

[joint]
lap_half = "lower"
laps = [10, 15]
set_backs = [0, 5.5]
run_off = 8

[[plies]]
half = "lower"
fabric = "twill"
angle = 0
[[plies]]
name = "outer"
half = "upper"
fabric = "heavy"
angle = 30
start = [1, 2, 3]
spacing = 2.5
first_yarns = "straight"
[plies.allowances]
"A-B.1" = 12
B = -3
[[plies]]
half = "lower"
fabric = "heavy"
angle = -45
start = "auto"
[[plies]]
half = "upper"
fabric = "twill"
angle = 90

[report]
fail_on = ["risk"]
date = 2026-02-03
[bench]
page = "A3"
"""


def replaced(old, new, text=JOB):
    assert text.count(old) == 1, old
    return text.replace(old, new)


BY_RUN = replaced('lap_half = "lower"', 'lap_half = {"A-B.1" = "lower", "A-B.2" = "upper"}')
