"""The committed schema of scenes: it is current, scenes satisfy it, faults are seen.

Tries out scene/schema, scene/ply and scene/axes.
"""

import copy
import json
from dataclasses import replace

import numpy as np
import pytest
from jsonschema import Draft202012Validator
from scene_contract import PLIES, SCENES, SCHEMA

from viewers.scene import schema as s
from viewers.scene.axes import long_way, view_into
from viewers.scene.packing import packed
from viewers.scene.ply import bare_ply
from viewers.scene.scene import make_scene


@pytest.fixture(scope="module")
def plain(demo_scene):
    return json.loads(json.dumps(packed(demo_scene), allow_nan=False))


def test_the_committed_schema_is_current():
    assert s.SCHEMA_FILE.read_text(encoding="utf-8") == s.schema()
    Draft202012Validator.check_schema(SCHEMA)


def test_the_demos_scene_satisfies_it(plain):
    SCENES.validate(plain)
    assert all(plain[k] for k in ("halves", "runs", "plies", "joints", "findings"))
    assert any(ply["strokes"] for ply in plain["plies"])
    assert any(ply["laps"] for ply in plain["plies"])


def test_a_scene_without_pieces_satisfies_it(demo_results):
    plies = tuple(replace(r, piece=None, pattern=None, risks=None) for r in demo_results.plies)
    scene = make_scene(replace(demo_results, plies=plies))
    assert all(ply["sheet"] is None for ply in scene["plies"])
    SCENES.validate(packed(scene))
    PLIES.validate(packed(bare_ply(demo_results.plies[0].ply)))


def objects(value, path=()):
    """Paths of all objects in a scene, of each list those of its first item alone."""
    if isinstance(value, dict):
        yield path
        for key, inner in value.items():
            yield from objects(inner, (*path, key))
    elif isinstance(value, list) and value:
        yield from objects(value[0], (*path, 0))


def at(value, path):
    for key in path:
        value = value[key]
    return value


def test_every_key_that_is_missing_or_misspelt_is_seen(plain):
    """Each key of each kind of object, those of packed arrays among them."""
    ply = next(p for p in plain["plies"] if p["strokes"] and p["laps"])
    lines = ply["cut_line"]
    zone = {"kind": "wrinkles", "text": "", "area_mm2": 1.0, "flat": ply["pattern"]["snips"]}
    zone |= {"outlines": lines, "hatching": lines}
    few = {**plain, "plies": [{**ply, "zones": [zone]}]}
    tried = 0
    for path in objects(few):
        for key in at(few, path):
            broken = copy.deepcopy(few)
            held = at(broken, path)
            value = held.pop(key)
            assert not SCENES.is_valid(broken), (*path, key, "missing")
            held[key + "x"] = value
            assert not SCENES.is_valid(broken), (*path, key, "misspelt")
            held[key] = held.pop(key + "x")
            assert SCENES.is_valid(broken)
            tried += 1
    assert tried > 180


@pytest.mark.parametrize(
    "wrong",
    [
        np.zeros((4, 2)),  # points of the mould have three coordinates
        np.zeros((4, 3), dtype=int),  # and are no indices
        [[0.0, 0.0, 0.0]],
        None,
    ],
)
def test_arrays_of_another_kind_are_seen(plain, wrong):
    broken = copy.deepcopy(plain)
    broken["halves"][0]["points"] = packed(wrong)
    assert not SCENES.is_valid(broken)


def bowl(width, depth):
    """An elliptic bowl open upward, 1.5 times as long along y: points, triangles."""
    u, v = (x.ravel() for x in np.meshgrid(np.linspace(0.1, 1, 12), np.linspace(0, 2 * np.pi, 40)))
    points = np.column_stack(
        [width * u * np.cos(v), 1.5 * width * u * np.sin(v), depth * (u**2 - 1)]
    )
    i, j = (x.ravel() for x in np.indices((39, 11)))
    a, b, c, d = i * 12 + j, i * 12 + j + 1, (i + 1) * 12 + j + 1, (i + 1) * 12 + j
    return points, np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])


@pytest.mark.parametrize("depth", [10.0, 400.0])
def test_one_looks_into_a_bowl_however_deep(depth):
    """Its long way is across even where it is deeper than wide."""
    points, triangles = bowl(50.0, depth)
    view = view_into(points, triangles)
    assert view["inward"] == pytest.approx([0, 0, 1], abs=1e-9)
    assert view["across"] == pytest.approx([0, 1, 0], abs=0.01)
    assert view["size"] == pytest.approx(np.linalg.norm(np.ptp(points, axis=0)))


@pytest.mark.parametrize("angle", [-80.0, -30.0, 0.0, 45.0])
def test_a_pattern_is_turned_along_its_long_way(angle):
    c, s_ = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    box = np.array([[-60, -10], [60, -10], [60, 10], [-60, 10]]) @ np.array([[c, s_], [-s_, c]])
    assert long_way(box + np.array([300.0, 50.0])) == pytest.approx((c, s_))
