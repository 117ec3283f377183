"""One mould of the set through the whole pipeline, and what is found against what is exact.

Each half gets one ply along the hollow from the mould's start point; pairs with ``lap`` get a
joint whose lower half laps. Lengths in mm, angles in degrees.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, field

import numpy as np
import shapely
import trimesh
from cad_mould import LAP, THICKNESS, CadMould
from scipy.optimize import least_squares

from drape import pipeline
from drape.errors import PlywrightError
from drape.job.job import load_job

FALSE_SHEAR = {0.2: 0.1, 0.02: 0.02}  # degrees, by tolerance: most on a developable
GOOD_FIT = 0.3  # mm: with a fit as good as this no other position is tried
SAMPLE = 0.5  # mm, between places of outlines that are compared
POSITIONS = [(k * np.pi / 2.0, mirror) for mirror in (1.0, -1.0) for k in range(4)]
JOB = """format = 1
title = "{name} (invented)"
{mould}
[fabrics.twill]
weave = "2x2 twill"
areal_mass = 200
thickness = {thickness}
locking_angle = 70
{joint}
"""
JOINT = f'[joint]\nlap_half = "lower"\nlaps = [{LAP}]\nset_backs = [0]\n'


@dataclass(frozen=True)
class Outcome:
    """What a run gave.

    valid : all pieces may be cut and nothing is reported as an error
    said : "valid", or the first line of the refusal
    outline_mm, shear_deg, area_percent : greatest errors over the halves, NaN where there is no
        exact answer or no piece; ``largest_deg`` the largest shear found
    stated_mm : largest stated error of the pieces, NaN where none is stated
    seconds : CPU
    outlines : by half, of the pieces that may be cut, (n, 2)
    """

    valid: bool
    said: str
    outline_mm: float = np.nan
    shear_deg: float = np.nan
    largest_deg: float = np.nan
    area_percent: float = np.nan
    stated_mm: float = np.nan
    seconds: float = np.nan
    outlines: dict[str, list] = field(default_factory=dict)

    def as_expected(self, mould: CadMould) -> bool:
        """Whether the mould's expected result came; a refusal has its word in its first line."""
        if mould.expected == "valid":
            return self.valid
        if mould.expected == "valid or refused":
            return not self.said.startswith("broke")
        word = mould.expected.removeprefix("refused: ")
        return not self.valid and word in self.said

    def accurate(self, mould: CadMould, deviation: float) -> bool:
        """Whether exact answers are met: the outline within the chords' deviation, no more than
        ``FALSE_SHEAR`` on developables."""
        shear = FALSE_SHEAR[deviation] if mould.developable else np.inf
        return not (self.outline_mm > deviation or self.shear_deg > shear)


def write_job(mould: CadMould, deviation: float, folder, start: str = "given"):
    """Meshes (binary STL) and job file in ``folder``; the job's path. ``start``: or "auto"."""
    tables = ""
    for half, (vertices, faces) in mould.meshes(deviation).items():
        trimesh.Trimesh(vertices, faces, process=False).export(folder / f"{half}.stl")
        tables += f'[mould.halves.{half}]\nmesh = "{half}.stl"\n'
    joint = JOINT if mould.lap else ""
    text = JOB.format(name=mould.name, mould=tables, thickness=THICKNESS, joint=joint)
    for half, point in mould.starts.items():
        x, y, z = mould.placed([point])[0]
        place = '"auto"' if start == "auto" else f"[{x}, {y}, {z}]"
        text += f'[[plies]]\nhalf = "{half}"\nfabric = "twill"\nangle = 0\nstart = {place}\n'
    path = folder / "job.toml"
    path.write_text(text)
    return path


def run_mould(mould: CadMould, deviation: float, folder, start: str = "given") -> Outcome:
    """Run it and compare; what goes wrong is an outcome, too."""
    began = time.process_time()
    try:
        results = pipeline.run(load_job(write_job(mould, deviation, folder, start)), jobs=1)
    except PlywrightError as error:
        text = error.line().replace(f"{folder}/", "")
        return Outcome(False, text, seconds=time.process_time() - began)
    except Exception as error:  # the set is there to count these as well
        text = f"broke: {type(error).__name__}: {error}"
        return Outcome(False, text, seconds=time.process_time() - began)
    seconds = time.process_time() - began
    errors = [f.line() for f in results.findings if f.level == "error"]
    valid = results.valid and not errors
    said = "valid" if valid else (errors or ["not valid, and no error is reported"])[0]
    outlines = {p.ply.half: p.pattern.outline for p in results.plies if p.pattern and valid}
    outlines = {half: np.asarray(points).tolist() for half, points in outlines.items()}
    return Outcome(valid, said, **_compared(mould, results), seconds=seconds, outlines=outlines)


def _compared(mould: CadMould, results) -> dict[str, float]:
    outlines, shears, largest, areas, stated = [np.nan], [np.nan], [np.nan], [np.nan], [np.nan]
    exact_shear = 0.0 if mould.developable else mould.shear_deg
    for ply, record in zip(results.plies, results.summary.plies, strict=True):
        found = results.summary.mould.halves[ply.ply.half].cavity_area_mm2
        if mould.area:
            areas.append(100.0 * abs(found / mould.area - 1.0))
        stated += [p.checks.stated_error_mm for p in record.pieces if p.checks is not None]
        if ply.pattern is None or record.max_shear_deg is None:
            continue
        largest.append(record.max_shear_deg)
        if exact_shear is not None:
            shears.append(abs(record.max_shear_deg - exact_shear))
        outline = np.asarray(ply.pattern.outline)
        if mould.outline is not None:
            outlines.append(outline_error(outline, mould.outline(ply.ply.half)))
        elif mould.radii is not None:
            outlines.append(radii_error(outline, mould.radii))
    names = ("outline_mm", "shear_deg", "largest_deg", "area_percent", "stated_mm")
    found = (outlines, shears, largest, areas, stated)
    worst = [float(np.fmax.reduce(np.array(x, float))) for x in found]
    return dict(zip(names, worst, strict=True))


def apart(one: Outcome, other: Outcome) -> float:
    """How far two tessellations' outlines of a mould differ in shape, mm; NaN: not both valid."""
    both = one.outlines.keys() & other.outlines.keys()
    pairs = [(np.array(one.outlines[h]), np.array(other.outlines[h])) for h in both]
    gaps = [outline_error(*pair, positions=POSITIONS[:1]) for pair in pairs]
    return max(gaps, default=np.nan)


def outline_error(found, exact, positions=POSITIONS) -> float:
    """Greatest distance between two outlines, both ways, after the best rigid motion, mm.

    Where the start lies and how the warp points are no errors of an outline's shape.
    ``positions``: (turn, mirror) that the fit starts from.
    """
    best = np.inf
    found = found - np.array(shapely.Polygon(found).centroid.coords[0])
    for turn, mirror in positions:
        target = exact * [1.0, mirror]
        target = shapely.Polygon(target - np.array(shapely.Polygon(target).centroid.coords[0]))
        if best > GOOD_FIT:
            fit = least_squares(_signed, [turn, 0.0, 0.0], args=(found, target), x_scale=0.01)
            best = min(best, _hausdorff(_moved(fit.x, found), target))
    return best


def _moved(motion, found) -> shapely.Polygon:
    (c, s), move = (np.cos(motion[0]), np.sin(motion[0])), motion[1:]
    return shapely.Polygon(found @ np.array([[c, s], [-s, c]]) + move)


def _signed(motion, found, target: shapely.Polygon):
    """Distances of an outline's places from the other outline, positive outside it, mm."""
    spots = _spots(_moved(motion, found))
    inside = shapely.contains_xy(target, *shapely.get_coordinates(spots).T)
    return np.where(inside, -1.0, 1.0) * shapely.distance(spots, target.exterior)


def _spots(polygon: shapely.Polygon):
    """400 places evenly along an outline."""
    return shapely.line_interpolate_point(
        polygon.exterior, np.linspace(0.0, 1.0, 400, endpoint=False), normalized=True
    )


def _hausdorff(a: shapely.Polygon, b: shapely.Polygon) -> float:
    a, b = shapely.segmentize(a.exterior, SAMPLE), shapely.segmentize(b.exterior, SAMPLE)
    one = shapely.distance(shapely.points(shapely.get_coordinates(a)), b).max()
    return float(max(one, shapely.distance(shapely.points(shapely.get_coordinates(b)), a).max()))


def radii_error(outline, radii) -> float:
    """Of an outline round the start: along the yarns ``radii[0]``, between them ``radii[1]``."""
    rim = shapely.Polygon(outline).exterior
    worst = 0.0
    for k in range(8):
        way = 10.0 * radii[0] * np.array([np.cos(k * np.pi / 4), np.sin(k * np.pi / 4)])
        crossing = shapely.LineString([(0.0, 0.0), way]).intersection(rim)
        if crossing.is_empty:
            return float("inf")
        far = np.linalg.norm(shapely.get_coordinates(crossing)[-1])
        worst = max(worst, abs(far - radii[k % 2]))
    return float(worst)


def first_words(text: str, count: int = 90) -> str:
    """A refusal as it stands in a table."""
    text = re.sub(r"\s+", " ", text)
    return text if len(text) <= count else text[: count - 1] + "…"
