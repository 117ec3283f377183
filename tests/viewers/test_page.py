"""The page (page/webpage) in a real Chromium, from its file: what it shows, asks for and lets in.

Taps are held against the net file ``nets/*.vtp``, read by VTK.
"""

import json
import re
import shutil
import subprocess
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import pyvista as pv
from scipy.spatial import cKDTree

from drape.output.net_file import net_file
from viewers.page.webpage import in_script, page
from viewers.scene.colours import Colour
from viewers.scene.ply import bare_ply

SOURCE = Path(page.__code__.co_filename).parent
HEAVIEST = 3_000_000  # bytes
NASTY = '</script><script>window.hacked = 1; alert("1")</script><img src=x onerror=alert(2)>'


@pytest.fixture(scope="module")
def file(demo_scene, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "view.html"
    path.write_bytes(page(demo_scene))
    return path


@pytest.fixture(scope="module")
def nets(demo_results, tmp_path_factory):
    folder = tmp_path_factory.mktemp("nets")
    out = []
    for k, ply in enumerate(demo_results.plies):
        (folder / f"{k}.vtp").write_bytes(net_file(ply.piece.net, ply.ply.fabric))
        out.append(pv.read(folder / f"{k}.vtp"))
    return out


def test_it_is_light(file):
    assert file.stat().st_size < HEAVIEST


@pytest.mark.parametrize("width", [390, 1280])
def test_it_asks_for_nothing_and_complains_of_nothing(file, watch, demo_results, width):
    seen = watch(file.as_uri(), width=width, height=844)
    assert seen.page.evaluate("plywright.data.plies.length") == len(demo_results.plies) == 8
    for k in range(8):
        seen.page.evaluate(f"plywright.choose({k})")
        seen.settle()
    assert seen.asked == [file.as_uri()]
    assert seen.complaints == []
    assert seen.page.evaluate("document.documentElement.scrollWidth") <= width


def shear_in(net, point):
    """From the cells round a place: the plane through the values at the nearest nine centres."""
    centres = net.cell_centers().points
    distance, index = cKDTree(centres).query(point, k=9)
    steps = centres[index] - point
    axes = np.linalg.svd(steps - steps.mean(axis=0))[2][:2]
    terms = np.column_stack([np.ones(9), steps @ axes.T])
    return abs(np.linalg.lstsq(terms, net["shear_deg"][index], rcond=None)[0][0]), distance[0]


@pytest.mark.parametrize("ply", [0, 2, 4, 6, 7])
def test_a_tap_tells_what_the_net_file_has_there(file, watch, nets, ply):
    seen = watch(file.as_uri())
    seen.page.evaluate(f"plywright.choose({ply})")
    seen.settle()
    net, told = nets[ply], []
    centre = seen.page.evaluate("Array.from(plywright.data.plies[plywright.state.ply].start.point)")
    near = net.cell_centers().points
    near = near[np.argsort(np.linalg.norm(near - centre, axis=1))]
    for point in near[np.linspace(0, len(near) // 2, 12).astype(int)]:
        x, y = seen.page.evaluate(f"plywright.view.project({point.tolist()})")
        seen.page.touchscreen.tap(x, y)
        place = seen.page.evaluate("plywright.state.place && plywright.state.place.point")
        if place is None:
            continue  # beside what is in sight
        if np.linalg.norm(np.array(place) - point) > 0.7:
            continue  # another part of the ply lies before it
        shown = float(seen.page.inner_text("#shear").rstrip("°"))
        wanted, _ = shear_in(net, place)
        assert shown == pytest.approx(wanted, abs=0.15)  # 0.1, and 0.05 of its own rounding
        told.append(shown)
    assert len(told) >= 3
    assert max(told) - min(told) > 0.5  # they aren't all one number


def test_plies_are_changed_by_their_buttons(file, watch, demo_results):
    seen = watch(file.as_uri())
    names = [p.ply.name for p in demo_results.plies]
    before = seen.page.locator("#pattern").inner_html()
    for name in names[1:3]:
        seen.page.get_by_role("button", name=name).tap()
        assert seen.page.inner_text("#figures h2") == name
        after = seen.page.locator("#pattern").inner_html()
        assert after != before
        before = after


def test_a_tap_on_the_flat_pattern_marks_the_part(file, watch):
    seen = watch(file.as_uri())
    box = seen.page.locator("#pattern").bounding_box()
    seen.page.touchscreen.tap(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    place = seen.page.evaluate("plywright.state.place")
    assert place is not None
    assert seen.page.locator("#shear").is_visible()
    spot = seen.page.locator("#pattern .spot")
    assert spot.get_attribute("visibility") == "visible"


def test_measuring_between_two_places(file, watch):
    """10 mm along the warp on flat cloth is 10 mm, and no more straight in the mould."""
    seen = watch(file.as_uri())
    seen.page.get_by_role("button", name="measure").tap()
    seen.page.evaluate("plywright.tell(0.5, 0.2)")
    seen.page.evaluate("plywright.tell(10.5, 0.2)")
    text = seen.page.inner_text("#readout")
    flat, space = (float(x) for x in re.findall(r"([\d.]+) mm", text)[-2:])
    assert flat == pytest.approx(10.0, abs=0.06)
    assert 9.0 < space <= 10.0


def test_laps_and_mould_can_be_shown_and_hidden(file, watch):
    seen = watch(file.as_uri())
    seen.settle()
    plain = seen.page.locator("#stage").screenshot()
    seen.page.get_by_role("button", name="laps folded out").tap()
    seen.settle()
    folded = seen.page.locator("#stage").screenshot()
    seen.page.get_by_role("button", name="laps tucked").tap()
    seen.settle()
    tucked = seen.page.locator("#stage").screenshot()
    seen.page.get_by_role("button", name="mould").tap()
    seen.settle()
    assert len({plain, folded, tucked, seen.page.locator("#stage").screenshot()}) == 4


def test_its_colours_are_those_of_pictures_and_window(file, watch):
    seen = watch(file.as_uri())
    style = "getComputedStyle(document.documentElement).getPropertyValue"
    for colour in Colour:
        assert seen.page.evaluate(f"{style}('--{colour.name.lower()}')").strip() == colour
    ground = seen.page.evaluate("plywright.view.scene.background.getHexString()")
    assert f"#{ground}" == Colour.PAPER


def test_a_scene_with_a_misspelt_key_is_no_scene(demo_scene, tmp_path, watch):
    """What all tests of the page rely on: their scene is held against the schema."""
    (tmp_path / "view.html").write_bytes(page({**demo_scene, "finding": []}))
    with pytest.raises(jsonschema.ValidationError, match="'finding' was unexpected"):
        watch((tmp_path / "view.html").as_uri())


def test_names_are_text_whatever_they_hold(demo_scene, tmp_path, watch):
    plies = [{**p, "name": NASTY, "fabric": NASTY} for p in demo_scene["plies"][:2]]
    joints = [{**j, "run": NASTY} for j in demo_scene["joints"]]
    told = [{"level": "risk", "where": NASTY, "message": NASTY, "remedy": NASTY}]
    scene = {**demo_scene, "title": NASTY, "plies": plies, "joints": joints, "findings": told}
    (tmp_path / "view.html").write_bytes(page(scene))
    seen = watch((tmp_path / "view.html").as_uri())
    assert seen.page.evaluate("window.hacked === undefined")
    assert seen.complaints == []
    assert seen.page.inner_text("#title") == NASTY
    assert seen.page.title() == NASTY
    assert NASTY in seen.page.inner_text("#figures")
    assert seen.page.locator("img").count() == 0


def test_no_text_of_a_job_can_end_the_script_it_stands_in():
    """HTML's "script data end tag name state": </script and a space, a slash or > ends it."""
    for text in ("</script >", "</script/x", "<!--<script>", "]]>&lt;"):
        assert not set("<>&") & set(in_script({text: text}))
        assert json.loads(in_script({text: text})) == {text: text}


def test_markup_that_gets_in_would_not_run(file, watch):
    """The policy alone stops a script that isn't the page's own."""
    seen = watch(file.as_uri())
    seen.page.evaluate(
        "const s = document.createElement('script'); s.textContent = 'window.hacked = 1';"
        "document.body.append(s)"
    )
    assert seen.page.evaluate("window.hacked === undefined")
    assert seen.page.evaluate("fetch('http://127.0.0.1:9/').then(() => 1, () => 0)") == 0
    assert any("Content Security Policy" in text for text in seen.complaints)


def test_a_ply_that_couldnt_be_draped_says_so(demo_results, demo_scene, tmp_path, watch):
    bare = bare_ply(demo_results.plies[0].ply)
    (tmp_path / "view.html").write_bytes(page({**demo_scene, "plies": [bare]}))
    seen = watch((tmp_path / "view.html").as_uri())
    assert "could not be draped" in seen.page.inner_text("#readout")
    assert seen.complaints == []


def test_the_bundle_is_what_its_sources_make(tmp_path):
    """The one documented command, from the locked versions."""
    if shutil.which("npm") is None:
        pytest.skip("needs npm")
    for name in ("src", "package.json", "package-lock.json"):
        source = SOURCE / name
        copy = shutil.copytree if source.is_dir() else shutil.copy
        copy(source, tmp_path / name)
    for command in (["npm", "ci", "--silent"], ["npm", "run", "build", "--silent"]):
        subprocess.run(command, cwd=tmp_path, check=True, capture_output=True, timeout=300)
    assert (tmp_path / "bundle.js").read_bytes() == (SOURCE / "bundle.js").read_bytes()
    licence = (SOURCE / "three-LICENSE.txt").read_bytes()
    assert (tmp_path / "node_modules/three/LICENSE").read_bytes() == licence
