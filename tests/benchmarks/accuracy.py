"""Write docs/accuracy.md: ``python tests/benchmarks/accuracy.py``."""

import sys
from pathlib import Path

import cases
import numpy as np
import shapely
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from drape.geometry.patches import make_patches, rows_at
from drape.layup.checks import largest_block_sum
from drape.layup.edges import stretches
from drape.layup.net_check import node_residuals
from drape.layup.outline import outlines
from drape.mould.region import plain_region
from drape.mould.surface_error import coarser_region, stated_errors, weighted_quantile

sys.path.append(str(Path(__file__).resolve().parents[1] / "shapes"))
sys.path.append(str(Path(__file__).resolve().parents[2] / "meshes"))
import tessellations
from exact import shapes
from exact_distances import of_named
from tessellated import named, regulars

OUT = Path(__file__).resolve().parents[2] / "docs" / "accuracy.md"
PAGES = "[README](../README.md) · [glossary](glossary.md) · [how far to trust it](trust.md)"
SPACINGS = (4.0, 2.8, 2.0, 1.4, 1.0)
RINGS = (26, 37, 52, 74)


def sphere_shear(s):
    """γ(s) on the unit sphere: s f″ + f′ + sin f = 0, f(0) = π/2, f′(0) = −1."""
    ode = solve_ivp(
        lambda s, f: [f[1], -(f[1] + np.sin(f[0])) / s],
        [1e-9, 2.5],
        [np.pi / 2 - 1e-9, -1.0],
        rtol=1e-11,
        atol=1e-12,
        dense_output=True,
    )
    flat = np.clip(np.abs(s).ravel(), 1e-9, 2.5)
    return np.sign(s) * (np.pi / 2 - ode.sol(flat)[0].reshape(s.shape))


def cells_inside(case, net):
    """Cells whose four corners lie on the region."""
    node = (net.faces >= 0) & (case.extended.level[np.maximum(net.faces, 0)] == 0)
    return node[1:, 1:] & node[:-1, 1:] & node[1:, :-1] & node[:-1, :-1]


def outline_of(case, net):
    moved = {
        e.name: stretches(case.region, case.extended.surface, net, e, 0.0, 0.0)
        for e in case.region.edges
    }
    return outlines(case.region, moved)[0].points


def hemisphere_errors(case, spacing):
    """Greatest shear error inside (deg), and outline error on axis and diagonal (mm)."""
    net = case.net(spacing)
    u, v = net.centres
    error = np.abs(net.shear - sphere_shear(np.outer(u, v) / 3600.0))
    inside = cells_inside(case, net)
    points = outline_of(case, net)
    radius, angle = np.linalg.norm(points, axis=1), np.arctan2(points[:, 1], points[:, 0])
    order = np.argsort(angle)
    diagonal = float(CubicSpline(angle[order], radius[order])(np.pi / 4))
    axis = abs(radius[0] - 60 * np.pi / 2)
    return np.degrees(np.nanmax(error[inside])), max(axis, abs(diagonal - 1.386646 * 60))


def order(steps, errors):
    return np.polyfit(np.log(steps), np.log(errors), 1)[0]


def hemisphere_table():
    table = {}
    for rings in RINGS:
        case = cases.hemisphere(rings=rings)
        for spacing in SPACINGS:
            table[rings, spacing] = hemisphere_errors(case, spacing)
    for title, k, unit in (("Shear", 0, "°"), ("Outline", 1, "mm")):
        yield ""
        yield f"{title} error of the hemisphere, R = 60 mm ({unit}), by spacing and facet size:"
        yield ""
        head = " | ".join(f"facets {94.25 / r:.1f} mm" for r in RINGS)
        yield f"| spacing | {head} |"
        yield "|---" * (len(RINGS) + 1) + "|"
        for spacing in SPACINGS:
            row = " | ".join(f"{table[r, spacing][k]:.4f}" for r in RINGS)
            yield f"| {spacing} mm | {row} |"
        fits = [order(SPACINGS, [table[r, s][k] for s in SPACINGS]) for r in RINGS]
        yield "| fitted order | " + " | ".join(f"{x:.2f}" for x in fits) + " |"


def elbow_rows():
    fine = cases.elbow(192, 384)
    reference = shapely.LinearRing(outline_of(fine, fine.net(1.0)))
    yield ""
    yield "Elbow (90° bend of 80, section 25), outline against a mesh four times finer,"
    yield "warp along the crown, spacing 1 mm:"
    yield ""
    yield "| facets | outline error | curvature check |"
    yield "|---|---|---|"
    for around in (24, 48, 96):
        case = cases.elbow(around, 2 * around)
        net = case.net(1.0)
        outline = shapely.LinearRing(outline_of(case, net))
        error = shapely.hausdorff_distance(outline, reference)
        residual = node_residuals(net, case.extended)
        worst = np.degrees(largest_block_sum(residual))
        yield f"| {around} × {2 * around} | {error:.4f} mm | {worst:.4f}° |"


def bump_rows():
    yield ""
    yield "Bumps A exp(−r²/w²) on a sheet of 80 × 80, curvature check, spacing 1 mm. Allowed:"
    yield "0.05°; aimed at: 0.01°, missed wherever the figure is larger."
    yield ""
    yield "| bump | 64 × 64 | 128 × 128 | 256 × 256 |"
    yield "|---|---|---|---|"
    for height, width in ((6.0, 28.0), (12.0, 20.0)):
        values = []
        for count in (64, 128, 256):
            mesh = shapes.heightfield(
                lambda x, y, a=height, w=width: a * np.exp(-(x * x + y * y) / w**2),
                80.0,
                80.0,
                count,
                count,
            )
            case = cases.Case(mesh, [4.0, 2.0, height], [1.0, 0.3, 0.0])
            net = case.net(1.0)
            residual = node_residuals(net, case.extended)
            values.append(np.degrees(largest_block_sum(residual)))
        name = f"A {height:.0f}, w {width:.0f} mm"
        yield f"| {name} | " + " | ".join(f"{v:.4f}°" for v in values) + " |"


def developable_rows():
    yield ""
    yield "False shear of developable surfaces, 64 facets round, spacing 2 mm, inside:"
    yield ""
    yield "| shape | warp | regular mesh | irregular mesh |"
    yield "|---|---|---|---|"
    makers = {
        "half cylinder R 25": lambda **k: shapes.trough(25.0, 200.0, 64, 60, **k),
        "half cone 35 to 20": lambda **k: shapes.half_cone(35.0, 20.0, 200.0, 64, 60, **k),
    }
    for name, make in makers.items():
        for angle in (0.0, 30.0, 45.0):
            warp = [np.cos(np.radians(angle)), np.sin(np.radians(angle)), 0.0]
            values = []
            for extra in ({}, {"jitter": 0.3, "rng": np.random.default_rng(3)}):
                case = cases.Case(make(**extra), [0, 0, -25.0], warp)
                net = case.net(2.0)
                good = cells_inside(case, net)
                values.append(np.degrees(np.nanmax(np.abs(net.shear[good]))))
            yield f"| {name} | {angle:.0f}° | {values[0]:.4f}° | {values[1]:.4f}° |"


def fillet_rows():
    yield ""
    yield "CAD moulds, chords within 0.02 mm: curvature check by spacing, and how far the shear of"
    yield "cells is from the mean of the 16 cells there of a net four times finer (95 % of them,"
    yield "and the largest; where curvature jumps the shear bends within a cell):"
    yield ""
    yield "| mould | spacing | curvature check | shear, 95 % | shear, largest |"
    yield "|---|---|---|---|---|"
    moulds = (
        ("tray 15", "tray, fillets of 8 mm"),
        ("tight tray 15 sheet", "tray, fillets of 3 mm"),
        ("tube with two ends", "cylinder with sphere ends"),
    )
    for name, title in moulds:
        case = cases.cad(name)
        for spacing in (2.0, 1.0, 0.5):
            net, fine = case.net(spacing), case.net(spacing / 4.0)
            check = np.degrees(largest_block_sum(node_residuals(net, case.extended)))
            off = np.degrees(np.abs(left_in_shear(case, net, fine)))
            most = f"{np.quantile(off, 0.95):.3f}° | {off.max():.3f}°"
            yield f"| {title} | {spacing:g} mm | {check:.4f}° | {most} |"


def left_in_shear(case, net, fine):
    """Of cells inside, the shear less the mean of the 16 cells there of a net 4 × finer."""
    i, j = np.nonzero(cells_inside(case, net))
    a, b = (4 * (n - o) + f for n, o, f in zip((i, j), net.origin, fine.origin, strict=True))
    rows, columns = fine.shear.shape
    there = (a >= 0) & (b >= 0) & (a + 4 <= rows) & (b + 4 <= columns)
    i, j, a, b = i[there], j[there], a[there], b[there]
    parts = [fine.shear[a + x, b + y] for x in range(4) for y in range(4)]
    off = net.shear[i, j] - np.mean(parts, axis=0)
    return off[np.isfinite(off)]


def two(errors):
    """Largest and median, for a cell of the table."""
    return f"{errors.max():.4f} / {np.median(errors):.4f}"


def normals_rows():
    yield ""
    yield "Errors of fitted normals (°), largest / median, on meshes as CAD kernels export them"
    yield "(chord tolerance as given; long slivers, vertices only where faces end), 32-bit"
    yield "coordinates, in general position. In brackets: local quadrics alone."
    yield ""
    yield "| shape | vertices | 0.2 mm | vertices | 0.02 mm |"
    yield "|---|---|---|---|---|"
    coarse, fine = named(0.2), named(0.02)
    for name in coarse:
        cells = []
        for shape in (coarse[name].rounded(), fine[name].rounded()):
            alone = two(shape.off(shape.alone()))
            cells += [str(len(shape.vertices)), f"{two(shape.errors())} ({alone})"]
        yield f"| {name} | " + " | ".join(cells) + " |"
    yield ""
    yield "The same on even meshes and on uneven ones (vertices moved by 0.3 of a step):"
    yield ""
    yield "| shape | vertices | together | quadrics alone |"
    yield "|---|---|---|---|"
    for name, shape in regulars().items():
        shape = shape.turned().rounded()
        cells = [str(len(shape.vertices)), two(shape.errors()), two(shape.off(shape.alone()))]
        yield f"| {name} | " + " | ".join(cells) + " |"
    yield ""
    yield "Order of the largest and of the median error in the facets' size, 16 to 64 facets round:"
    yield ""
    yield "| shape | largest | median |"
    yield "|---|---|---|"
    for name, make in tessellations.FAMILIES.items():
        errors = [make(n).errors() for n in (16, 32, 64)]
        steps = [1 / 16, 1 / 32, 1 / 64]
        largest, median = (order(steps, [f(e) for e in errors]) for f in (np.max, np.median))
        yield f"| {name} | {largest:.2f} | {median:.2f} |"


def surface_rows():
    yield ""
    yield "Stated error of the smooth surface against the true one (mm), on the same CAD meshes:"
    yield "95 % of the area lies below; share of the area on which stated ≥ true."
    yield ""
    yield "| shape | true, 0.2 mm | stated | covered | true, 0.02 mm | stated | covered |"
    yield "|---|---|---|---|---|---|---|"
    for name in named(0.2):
        cells = []
        for chord in (0.2, 0.02):
            region = plain_region(named(chord)[name].rounded().surface())
            surface, areas = region.surface, region.surface.face_areas
            stated = stated_errors(region, coarser_region(region))
            faces = np.arange(len(surface.faces))
            thirds = np.full((len(faces), 2), 1.0 / 3.0)
            true = of_named(name, rows_at(make_patches(surface), faces, thirds)[:, :3])
            covered = np.average(stated >= true, weights=areas)
            cells += [f"{weighted_quantile(x, areas, 0.95):.4f}" for x in (true, stated)]
            cells.append(f"{100.0 * covered:.0f} %")
        yield f"| {name} | " + " | ".join(cells) + " |"


def main():
    lines = ["# Accuracy on exact shapes", "", PAGES, ""]
    lines.append("Written by `python tests/benchmarks/accuracy.py`; sources of the exact answers")
    lines.append("are in `tests/references.bib`.")
    parts = (normals_rows, surface_rows, hemisphere_table, elbow_rows, bump_rows, fillet_rows)
    parts += (developable_rows,)
    for part in parts:
        lines += part()
    OUT.write_text("\n".join(lines) + "\n", encoding="utf-8")
    sys.stdout.write(OUT.read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
