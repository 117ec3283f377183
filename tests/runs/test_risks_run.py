"""Zones at risk, smoothing order and fields of whole jobs, against what is known exactly.

Helices on the cylinder: a developable keeps a yarn's angle to the axis (key ``docarmo1976``).
0.1871 R² of a hemisphere past 45°: keys ``chebyshev1878``, ``mack1956``. Conservation of the
fibres' mass. Limits of inside radii are common practice.

Tries out ``layup/mesh_fields``, ``layup/risks``, ``output/net_file``, ``summary/cloth_models``,
``summary/cloth_records`` as well.
"""

import csv
import io
import json

import numpy as np
import pytest
import trimesh
from exact import shapes
from jobs import PLY, TWILL, two_troughs, write_job

from drape import pipeline
from drape.job.job import load_job
from drape.layup.mesh_fields import face_findings
from drape.publish import rendered

MOST_FACES = 0.95  # share of a half's faces that a flush ply covers, at least
BOWL = {
    "fabrics": {
        "plain": {
            "weave": "plain",
            "areal_mass": 1,  # so that 0.001 mm can hold its fibres
            "thickness": 0.001,
            "locking_angle": 45,
        }
    },
    "plies": [{"half": "bowl", "fabric": "plain", "angle": 0, "spacing": 1, "start": [0, 0, -50]}],
}
CHANNEL = {
    "mould": {"closing": [0, 0, 1], "halves": {"lower": {"zero": [1, 0, 0]}}},
    "fabrics": {"plain": {**TWILL, "weave": "plain", "thickness": 2.0}},
}
CHANNEL_PLY = {"half": "lower", "fabric": "plain", "angle": 0, "spacing": 0.5}


def rows_of(files, name):
    return list(csv.DictReader(io.StringIO(files[name].decode("ascii"))))


def column(rows, *names):
    return np.array([[float(row[n]) for n in names] for row in rows])


@pytest.fixture(scope="module", params=["inside", "mould"])
def troughs(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("troughs")
    plies = [("lower", "angle = 30"), ("lower", "angle = 0"), ("upper", "angle = 0")]
    path = two_troughs(folder, "", plies)
    mesh = trimesh.load(folder / "lower.stl", process=False)
    useless = mesh.faces[[5, 5]] * np.array([1, 1, 0]) + mesh.faces[[5, 5]][:, :1] * [0, 0, 1]
    faces = np.concatenate([useless, mesh.faces])  # these are dropped: numbers shift by two
    trimesh.Trimesh(mesh.vertices, faces, process=False).export(folder / "lower.stl")
    path.write_text(path.read_text().replace("[mould]", f'seen_from = "{request.param}"\n[mould]'))
    results = pipeline.run(load_job(path), jobs=1)
    return folder, results, rendered(results), 1.0 if request.param == "inside" else -1.0


def test_fields_name_the_faces_of_the_users_file(troughs):
    folder, _, files, _ = troughs
    raw = trimesh.load(folder / "lower.stl", process=False)
    for order in ("1", "2"):
        rows = [r for r in rows_of(files, "fields/lower.csv") if r["order"] == order]
        faces = column(rows, "face").astype(int).ravel()
        assert (np.diff(faces) > 0).all()
        assert MOST_FACES * len(raw.faces) < len(faces) <= len(raw.faces)
        middle = raw.vertices[raw.faces[faces]].mean(axis=1)
        np.testing.assert_allclose(column(rows, "x_mm", "y_mm", "z_mm"), middle, atol=6e-4)


def test_fibres_on_the_users_mesh_are_helices(troughs):
    _, _, files, sense = troughs
    for row_order, given in (("1", 30.0), ("2", 0.0)):
        rows = [r for r in rows_of(files, "fields/lower.csv") if r["order"] == row_order]
        x = column(rows, "x_mm", "y_mm", "z_mm")
        t = np.arctan2(x[:, 1], -x[:, 2])
        round_ = np.stack([0 * t, np.cos(t), np.sin(t)], axis=1)
        along = column(rows, "warp_x")[0, 0] > 0  # the zero direction runs one way along x
        c, s = np.cos(np.radians(given)), np.sin(sense * np.radians(given))
        way = 1.0 if along else -1.0
        exact = way * (c * np.array([1.0, 0.0, 0.0]) + s * round_)
        for names, wanted in (
            (("warp_x", "warp_y", "warp_z"), exact),
            (("weft_x", "weft_y", "weft_z"), way * (c * round_ - s * np.array([1.0, 0, 0]))),
        ):
            cosine = (column(rows, *names) * wanted).sum(axis=1)
            assert np.degrees(np.arccos(np.clip(cosine, -1, 1))).max() < 0.1
        np.testing.assert_allclose(column(rows, "angle_deg"), given, atol=0.1)
        np.testing.assert_allclose(column(rows, "shear_deg"), 0.0, atol=0.1)
        np.testing.assert_allclose(column(rows, "thickness_mm"), PLY, atol=1e-5)
        np.testing.assert_allclose(column(rows, "areal_mass_g_m2"), 200.0, atol=0.01)


def test_both_halves_have_fields(troughs):
    _, results, files, _ = troughs
    assert {"fields/lower.csv", "fields/upper.csv"} <= set(
        json.loads(files["summary.json"])["files"]
    )
    assert {r["order"] for r in rows_of(files, "fields/upper.csv")} == {"1"}
    for ply in results.summary.plies:
        (piece,) = ply.pieces
        assert piece.wrinkle_zones == piece.bridging_zones == ()
        assert piece.greatest_thickness_mm == pytest.approx(PLY, abs=1e-4)
        assert [s.number for s in piece.smoothing] == list(range(1, len(piece.smoothing) + 1))


@pytest.fixture(scope="module")
def bowl(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bowl")
    mesh = trimesh.Trimesh(*shapes.hemisphere(50.0, 52), process=False)
    path = write_job(folder, BOWL, {"bowl": (mesh.vertices, mesh.faces)})
    return mesh, pipeline.run(load_job(path), jobs=1)


def test_the_bowls_zones_are_told_and_stand_in_the_summary(bowl):
    _, results = bowl
    (ply,) = results.summary.plies
    (piece,) = ply.pieces
    zones = piece.wrinkle_zones
    assert len(zones) == 4
    assert sum(z.area_mm2 for z in zones) == pytest.approx(0.1871 * 50.0**2, rel=0.01)
    assert piece.wrinkle_band.area_mm2 == pytest.approx(sum(z.area_mm2 for z in zones), abs=0.01)
    assert piece.wrinkle_band.least_mm2 < 0.8 * piece.wrinkle_band.area_mm2
    assert all(len(z.edges) == 1 and not z.trimmed_away for z in zones)
    (told,) = [f for f in results.findings if "locking angle" in f.text]
    assert told.level == "risk"
    assert "risk of wrinkles in 4 zones of 46" in told.text or "of 47" in told.text
    assert zones[0].edges[0] in told.text
    assert piece.greatest_thickness_mm == pytest.approx(
        0.001 / np.cos(np.radians(52.425)), rel=0.02
    )


def test_the_bowls_mass_from_its_table_and_from_its_net(bowl):
    """Areal mass times the pattern's area, against sums over mesh faces and over net cells."""
    mesh, results = bowl
    files = rendered(results)
    mass = 1e-6 * results.plies[0].piece.assessment.cloth_area  # of 1 g/m², before rounding
    assert results.summary.plies[0].mass_g == pytest.approx(mass, abs=5.1e-4)
    rows = rows_of(files, "fields/bowl.csv")
    assert len(rows) == len(mesh.faces)
    faces = column(rows, "face").astype(int).ravel()
    on_faces = mesh.area_faces[faces] @ column(rows, "areal_mass_g_m2").ravel() * 1e-6
    assert on_faces == pytest.approx(mass, rel=1e-3)
    assert mass == pytest.approx(1e-6 * 6.7938 * 50.0**2, rel=1e-3)  # by quadrature


def test_the_net_carries_thickness_and_mass(bowl):
    text = rendered(bowl[1])["nets/bowl-1.vtp"].decode("ascii")
    for name in ("shear_deg", "warp", "weft", "thickness_mm", "areal_mass_g_m2"):
        assert f'Name="{name}"' in text


def channel(folder, radius, plies):
    """A channel along x with walls at 20° from upright and round inside corners."""
    turn = np.radians(70.0)
    arc = np.linspace(0.0, turn, 13)[1:]
    y = [np.linspace(0.0, 15.0, 16), 15.0 + radius * np.sin(arc)]
    z = [np.zeros(16), radius * (1.0 - np.cos(arc))]
    wall = np.linspace(0.0, 20.0, 21)[1:]
    y.append(y[1][-1] + wall * np.cos(turn))
    z.append(z[1][-1] + wall * np.sin(turn))
    y, z = np.concatenate(y), np.concatenate(z)
    y, z = np.concatenate([-y[:0:-1], y]), np.concatenate([z[:0:-1], z])

    def point(a, b):
        k = np.round(b).astype(int)
        return np.stack([a, y[k], z[k]], -1)

    mesh = shapes.grid(point, np.linspace(0.0, 40.0, 21), np.arange(len(y), dtype=float))
    path = write_job(folder, {**CHANNEL, "plies": plies * [CHANNEL_PLY]}, {"lower": mesh})
    return pipeline.run(load_job(path), jobs=1)


def test_bridging_is_told_once_a_half_and_grows_with_the_stack(tmp_path):
    results = channel(tmp_path, 3.8, 2)
    zones = {p.name: p.pieces[0].bridging_zones for p in results.summary.plies}
    first, second = zones.values()
    assert first == ()  # 2 mm of laminate in a radius of 3.8 mm; with the next ply 4 mm
    assert [z.kind for z in second] == ["concave", "concave"]
    for zone in second:
        assert zone.limit_mm == 4.0
        assert zone.radius_mm == pytest.approx(3.8, rel=0.03)
        assert zone.height_mm == pytest.approx(3.8 * (1.0 - np.cos(np.radians(35.0))), rel=0.05)
        assert zone.yarns == ("weft",)
    told = [f for f in results.findings if "bridg" in f.text]
    assert len(told) == 1
    assert told[0].about == ("lower", "lower-2")
    assert results.valid
    assert "lower-2 at up to 2 places" in told[0].text
    assert "split the ply in the corner" in told[0].remedy


def test_no_word_of_bridging_in_a_wide_corner(tmp_path):
    results = channel(tmp_path, 5.5, 2)
    assert not [f for f in results.findings if "bridg" in f.text]


def test_meshes_too_large_for_a_table_are_told_and_left_out(bowl, monkeypatch):
    results = bowl[1]
    count = len(results.grounds["bowl"].file_faces)
    monkeypatch.setattr("drape.publish.MOST_FACES", count)
    assert "fields/bowl.csv" in rendered(results)
    monkeypatch.setattr("drape.publish.MOST_FACES", count - 1)
    assert "fields/bowl.csv" not in rendered(results)
    (told,) = face_findings({"bowl": np.zeros(300_001, int)})
    assert "300001 faces" in told.text
    assert face_findings({"bowl": np.zeros(300_000, int)}) == []
