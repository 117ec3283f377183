"""Jobs whose parting line is given, through the whole pipeline, against exact outlines."""

import numpy as np
import pytest
import trimesh
from brims import brim_profile, turned
from cad_moulds import ALL
from cad_profiles import arc_width, rectangle, sphere_cap
from cad_runs import outline_error, radii_error, write_job

from drape import pipeline
from drape.errors import InputError
from drape.job.job import load_job

HEIGHT = 0.1  # of the ply's mid-surface
GROOVE = next(m for m in ALL if m.name == "groove with rounded rim")
JOB = """format = 1
[mould]
{closing}
[mould.parting]
{line}
[mould.halves.lower]
mesh = "bowl.stl"
[fabrics.twill]
take = "twill-200"
thickness = 0.2
[[plies]]
half = "lower"
fabric = "twill"
angle = 0
start = [0, 0, {bottom}]
"""


@pytest.mark.parametrize("deviation", [0.2, 0.02])
def test_a_groove_with_a_rounded_rim_is_cut_at_a_plane(tmp_path, deviation):
    """3 mm below the flange, where the wall is still the cylinder's: an arc's exact width."""
    path = write_job(GROOVE, deviation, tmp_path)
    foot, top = GROOVE.placed([[0.0, 0.0, -3.0], [0.0, 0.0, -2.0]])
    plane = f"point = {foot.tolist()}, normal = {(top - foot).tolist()}"
    text = path.read_text()
    path.write_text(text.replace("[fabrics", f"[mould.parting]\nplane = {{ {plane} }}\n[fabrics"))
    results = pipeline.run(load_job(path), jobs=1)
    assert results.valid
    exact = rectangle(133.0, arc_width(20.3, 3.0, HEIGHT))
    assert outline_error(np.asarray(results.plies[0].pattern.outline), exact) <= deviation / 2.0
    assert results.plies[0].piece is not None
    assert [e.name for e in results.plies[0].piece.region.edges if e.kind == "parting"] == [
        "A-B.1",
        "A-B.2",
    ]


def test_lines_on_a_block_end_at_its_mouths(tmp_path):
    """They end where the groove's wall meets the block's end faces: there is no border."""
    path = write_job(GROOVE, 0.02, tmp_path)
    y = np.sqrt(20.3**2 - 3.0**2)
    ends = [np.array([[x, side * y, -3.0] for x in (-66.5, 66.5)]) for side in (1.0, -1.0)]
    lines = [GROOVE.placed(line).tolist() for line in ends]
    closing = (GROOVE.placed([[0.0, 0.0, 1.0]]) - GROOVE.placed([[0.0, 0.0, 0.0]]))[0].tolist()
    table = f"[mould]\nclosing = {closing}\n[mould.parting]\npolyline = {lines}\n"
    path.write_text(path.read_text().replace("[mould.halves", f"{table}[mould.halves", 1))
    results = pipeline.run(load_job(path), jobs=1)
    assert results.valid
    exact = rectangle(133.0, arc_width(20.3, 3.0, HEIGHT))
    assert outline_error(np.asarray(results.plies[0].pattern.outline), exact) < 0.02


RADIUS, DEPTH, AT = 40.0, 22.0, -4.0


def write_bowl(folder, line, closing=""):
    """A bowl with a brim rounded by 2 mm; the place of its job."""
    mesh = turned(brim_profile(RADIUS, DEPTH, 2.0, 15.0, 1.5), 120)
    trimesh.Trimesh(*mesh, process=False).export(folder / "bowl.stl")
    (folder / "job.toml").write_text(JOB.format(line=line, bottom=-DEPTH, closing=closing))
    return folder / "job.toml"


def rim(count=180):
    """Points on the bowl ``AT`` above the flange's level, closed."""
    radius = np.sqrt(RADIUS**2 - (RADIUS - DEPTH - AT) ** 2)
    turn = np.linspace(0.0, 2.0 * np.pi, count + 1)
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), np.full(count + 1, AT)], axis=1)


@pytest.mark.parametrize("way", ["height", "file"])
def test_a_bowl_with_a_rounded_brim_gives_a_cap(tmp_path, way):
    """Its outline along the yarns and between them, and its shear, from the sphere's net."""
    line = f"height = {AT}" if way == "height" else 'polyline = "rim.csv"'
    np.savetxt(tmp_path / "rim.csv", rim(), delimiter=";", header="x;y;z", comments="")
    results = pipeline.run(load_job(write_bowl(tmp_path, line)), jobs=1)
    assert results.valid
    own, centre = RADIUS - HEIGHT, RADIUS - DEPTH - AT
    shear, u = sphere_cap(np.arccos(centre / own))
    radii = (own * float(np.arccos(centre / own)), own * u * np.sqrt(2.0))
    assert radii_error(np.asarray(results.plies[0].pattern.outline), radii) < 0.02
    assert results.summary.plies[0].max_shear_deg == pytest.approx(np.degrees(shear), abs=0.1)


@pytest.mark.parametrize(
    ("line", "closing", "said"),
    [
        ("height = 9", "closing = [0, 0, 1]", "line 5, mould.parting.height (lower half): "),
        ("plane = { point = [0, 0, 9], normal = [0, 0, 1] }", "", "line 5, mould.parting.plane"),
        (f"polyline = {rim()[:90].tolist()}", "", "line 5, mould.parting.polyline (lower half): "),
    ],
)
def test_errors_have_the_jobs_line(tmp_path, line, closing, said):
    with pytest.raises(InputError) as caught:
        pipeline.run(load_job(write_bowl(tmp_path, line, closing)), jobs=1)
    assert said in str(caught.value)
