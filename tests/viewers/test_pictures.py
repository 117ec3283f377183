"""Pictures drawn in a process of their own (solid/pictures, solid/render, solid/bar,
scene/colours); without GL a finding in their place."""

import io
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import viewers
from viewers.scene.colours import colour_table, colours_of, shear_range
from viewers.solid.bar import HEIGHT
from viewers.solid.pictures import pictures
from viewers.solid.render import SIZE


@pytest.fixture(scope="module")
def drawn(demo_scene):
    small = {**demo_scene, "plies": demo_scene["plies"][2:4]}
    images, findings = pictures(small)
    if findings:
        pytest.skip(findings[0].remedy)
    return [np.asarray(Image.open(io.BytesIO(images[k]))) for k in (0, 1)]


def test_both_plies_are_drawn(drawn):
    for image in drawn:
        assert image.shape[:2] == (SIZE[1] + HEIGHT, SIZE[0])
    assert (drawn[0] != drawn[1]).any(axis=2).mean() > 0.05


def test_the_ply_shows_its_colours(drawn):
    """Blue for little shear, as only the map has it; the mould is no blue."""
    part = drawn[0][: SIZE[1]].astype(int)
    blue = (part[..., 2] - part[..., 0] > 40).mean()
    assert 0.05 < blue < 0.5


def test_the_bar_has_the_maps_ends(drawn):
    row = drawn[0][SIZE[1] + 24, SIZE[0] // 2 : SIZE[0] - 41].astype(int)
    assert np.abs(row[2] - colour_table()[0]).max() < 12
    assert np.abs(row[-2] - colour_table()[-1]).max() < 12


def test_a_gl_that_ends_the_process_costs_the_pictures_alone(demo_scene):
    few = {**demo_scene, "plies": demo_scene["plies"][:1]}
    images, findings = pictures(few, ways=("vtkNoSuchWindow",))
    if images:  # an unknown name may fall back to a window that works
        pytest.skip("this VTK draws under any name")
    assert findings[0].level == "note"
    assert "libosmesa6" in findings[0].remedy


def test_a_process_that_dies_is_a_finding(demo_scene, monkeypatch):
    monkeypatch.setattr("viewers.solid.pictures.sys.executable", "/bin/false")
    images, findings = pictures({**demo_scene, "plies": demo_scene["plies"][:1]})
    assert images == {}
    assert "libosmesa6" in findings[0].remedy


def test_what_was_drawn_before_the_process_ended_is_kept(demo_scene):
    """The second ply's surface is broken: its process raises there."""
    broken = {**demo_scene["plies"][1], "yarns": {"warp": [], "weft": "none"}}
    broken["sheet"] = {**broken["sheet"], "triangles": np.array([[0, 1, 10**6]])}
    few = {**demo_scene, "plies": [demo_scene["plies"][0], broken]}
    images, findings = pictures(few)
    if not images:
        pytest.skip(findings[0].text)
    assert list(images) == [0]
    assert "1 of 2" in findings[0].text


def test_too_slow_is_told_as_that(demo_scene, monkeypatch):
    monkeypatch.setattr("viewers.solid.pictures.TIMEOUT", 0.01)
    images, findings = pictures({**demo_scene, "plies": demo_scene["plies"][:1]})
    assert images == {}
    assert "not done after 0 s" in findings[0].text


def test_a_module_of_the_folder_one_stands_in_is_none_of_ours(demo_scene, monkeypatch, tmp_path):
    planted = tmp_path / "viewers"
    planted.mkdir()
    (planted / "__init__.py").write_text("")
    (planted / "render.py").write_text("open('planted', 'w').close()")
    monkeypatch.setenv("PYTHONPATH", str(Path(viewers.__file__).parents[1]))
    monkeypatch.chdir(tmp_path)
    pictures({**demo_scene, "plies": demo_scene["plies"][:1]})
    assert not (tmp_path / "planted").exists()


def test_nothing_to_draw():
    assert pictures({"plies": [{"sheet": None}]}) == ({}, ())


def test_the_map_grows_lighter_all_the_way():
    """Even to the eye: CIE lightness rises, by much the same everywhere
    (relative luminance and L* as in CIE 15; sRGB as in IEC 61966-2-1, from memory)."""
    c = colour_table() / 255.0
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126, 0.7152, 0.0722]
    lightness = 116.0 * np.cbrt(y) - 16.0
    step = np.diff(lightness[::16])
    assert step.min() > 0.5 * step.mean() > 0.0


def test_range_reaches_past_limit_and_greatest():
    assert shear_range(42.2, 45.0) == 50.0
    assert shear_range(0.0, 0.0) == 5.0
    assert shear_range(88.0, 45.0) == 90.0
    assert (colours_of(np.array([-50.0, 50.0]), 50.0) == colour_table()[-1]).all()
