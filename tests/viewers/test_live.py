"""The served page (page/live): what it answers, what it refuses, and that nothing ends it."""

import asyncio
import http.client
import json
import re
import shutil
import socket
import threading
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scene_contract import PLIES

from drape.job.job import load_job
from viewers.page.live import LARGEST_BODY, TOKEN_HEADER, LivePage
from viewers.scene.packing import packed, unpacked
from viewers.scene.ply import trial_scene
from viewers.trials import Trials

LIMIT = 0.5  # seconds from tap to a new net, for a quiet machine; not asserted


@pytest.fixture(scope="module")
def server(demo_results, demo_scene, tmp_path_factory):
    folder = tmp_path_factory.mktemp("live")
    for file in demo_results.job.path.parent.iterdir():
        shutil.copy(file, folder)
    job = load_job(folder / demo_results.job.path.name)
    live = LivePage(demo_scene, Trials(replace(demo_results, job=job)))
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    address = asyncio.run_coroutine_threadsafe(live.start(), loop).result(30)
    port = int(re.search(r":(\d+)/", address)[1])
    start = demo_scene["plies"][0]["start"]["point"]
    good = {"ply": 0, "point": [float(x) for x in start], "angle_deg": 30.0}
    yield SimpleNamespace(
        address=address, port=port, token=live.token, good=good, job=job, live=live
    )
    asyncio.run_coroutine_threadsafe(live.stop(), loop).result(30)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(30)


def ask(server, method="POST", path="drape", body=None, headers=None, token=None, raw=None):
    """(status, headers, body) of one request; ``path`` below the token, or whole from /."""
    given = {"Host": f"127.0.0.1:{server.port}", "Content-Type": "application/json"}
    given[TOKEN_HEADER] = server.token if token is None else token
    given |= headers or {}
    target = path if path.startswith("/") else f"/{server.token}/{path}"
    content = raw if raw is not None else json.dumps(server.good if body is None else body)
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    try:
        connection.request(method, target, content if method == "POST" else None, given)
        answer = connection.getresponse()
        return answer.status, dict(answer.getheaders()), answer.read()
    finally:
        connection.close()


def alive(server):
    return ask(server, "GET", "")[0] == 200


def test_another_start(server, demo_results):
    status, _, body = ask(server)
    assert status == 200
    ply = json.loads(body)["ply"]
    PLIES.validate(ply)
    ply = unpacked(ply)
    trial = Trials(demo_results).drape(0, tuple(server.good["point"]), 30.0)
    wanted = np.degrees(trial.assessment.max_shear)
    assert ply["figures"]["max_shear_deg"] == pytest.approx(wanted)
    assert ply["angle_deg"] == 30.0


def test_kept_in_the_job(server):
    assert ask(server, path="keep", body={**server.good, "ply": 2, "angle_deg": 12.5})[0] == 200
    assert load_job(server.job.path).plies[2].angle_deg == 12.5


@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({"token": "wrong"}, 403),
        ({"token": ""}, 403),
        ({"token": "ÿ\u00fc"}, 403),
        ({"headers": {"Origin": "http://example.org"}}, 403),
        ({"headers": {"Origin": "null"}}, 403),
        ({"headers": {"Host": "example.org"}}, 403),
        ({"headers": {"Host": "127.0.0.1:1"}}, 403),
        ({"headers": {"Host": "10.0.0.1"}}, 403),
        ({"method": "GET", "path": "/"}, 404),
        ({"method": "GET", "path": "/wrong/"}, 404),
        ({"method": "GET", "path": "/../etc/passwd"}, 404),
        ({"method": "GET", "path": "/%2e%2e/%2e%2e/etc/passwd"}, 404),
        ({"method": "GET", "path": "../../etc/passwd"}, 404),
        ({"method": "GET", "path": "drape"}, 405),
        ({"method": "DELETE", "path": "drape"}, 405),
        ({"raw": b"x" * 10_000_000}, 413),
        ({"raw": b" " * (LARGEST_BODY + 1)}, 413),
        ({"raw": b""}, 422),
        ({"raw": b"\xff\xfe\x00"}, 422),
        ({"raw": b'{"ply": 0, "point": [NaN, 0, 0], "angle_deg": 0}'}, 422),
        ({"body": {"ply": 0}}, 422),
        ({"body": {"ply": 99, "point": [0, 0, 0], "angle_deg": 0}}, 422),
        ({"body": {"ply": 0, "point": [0, 0, 1e9], "angle_deg": 0}}, 422),
        ({"body": {"ply": 0, "point": [0, 0, 900], "angle_deg": 0}}, 422),
        ({"body": {"ply": "0", "point": [0, 0, 0], "angle_deg": 0}}, 422),
        ({"body": {"ply": 0, "point": [0, 0, 0], "angle_deg": 0, "more": 1}}, 422),
    ],
)
def test_refused(server, changes, status):
    if "ÿ" in changes.get("token", ""):
        changes = {"headers": {TOKEN_HEADER: "ÿü".encode("latin-1").decode("latin-1")}}
    try:
        got, headers, _ = ask(server, **changes)
    except (BrokenPipeError, ConnectionResetError):  # it needn't hear 10 MB out
        got, headers = 413, {"Cache-Control": "no-store"}
    assert got == status
    assert headers["Cache-Control"] == "no-store"
    assert alive(server)


def test_its_own_origin_is_let_in(server):
    for host in ("127.0.0.1", "localhost"):
        own = f"{host}:{server.port}"
        assert ask(server, headers={"Host": own, "Origin": f"http://{own}"})[0] == 200


def test_it_listens_on_this_machine_alone(server):
    """By its own sockets, and by what this machine's other addresses answer."""
    assert server.live.listening == [("127.0.0.1", server.port)]
    others = {a[4][0] for a in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)}
    for other in others - {"127.0.0.1", "127.0.1.1"}:
        with pytest.raises(OSError, match="refused"):
            socket.create_connection((other, server.port), timeout=5).close()


def test_tokens_differ(server, demo_scene, demo_results):
    assert LivePage({"title": "", "plies": []}, None).token != server.token
    assert len(server.token) >= 32


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=20) | st.integers(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=9), inner),
    max_leaves=8,
)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.binary(max_size=200)
    | JSON.map(lambda v: json.dumps(v).encode())
    | st.fixed_dictionaries(
        {"ply": JSON, "point": JSON | st.lists(st.floats(), max_size=4), "angle_deg": JSON}
    ).map(lambda v: json.dumps(v).encode())
)
def test_bodies_of_any_kind_never_end_it(server, body):
    status, _, answer = ask(server, raw=body)
    assert status in (200, 422)
    assert "error" in json.loads(answer) or status == 200


def test_many_at_once_get_their_own_answers(server):
    angles, got = [0.0, 20.0, 45.0, 70.0], {}

    def one(angle):
        got[angle] = json.loads(ask(server, body={**server.good, "angle_deg": angle})[2])["ply"]

    threads = [threading.Thread(target=one, args=(a,)) for a in angles]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert {a: got[a]["angle_deg"] for a in angles} == {a: a for a in angles}


def places_near_the_start(piece):
    """Centroids (n, 3) of the cavity's own facets, 20 to 40 mm from the start."""
    region = piece.region
    centres = region.surface.vertices[region.surface.faces].mean(axis=1)[region.inside]
    away = np.linalg.norm(centres - piece.net.points[piece.net.origin], axis=1)
    return centres[(away > 20.0) & (away < 40.0)]


def tap_in_sight(page, places):
    """Taps them until one isn't hidden by another part of the ply; the place that was hit."""
    for point in places[:: max(1, len(places) // 50)]:
        x, y = page.evaluate(f"plywright.view.project({point.tolist()})")
        page.touchscreen.tap(x, y)
        place = page.evaluate("plywright.state.place && plywright.state.place.point")
        if place is not None and np.linalg.norm(np.subtract(place, point)) < 1.0:
            return place
    pytest.fail("none of the places is in sight")


def test_a_tap_in_a_browser_brings_another_net(server, watch, demo_results):
    seen = watch(server.address)
    before = seen.page.inner_text("#figures")
    tapped = tap_in_sight(seen.page, places_near_the_start(demo_results.plies[0].piece))
    began = time.monotonic()
    seen.page.locator("#start-here").tap()
    seen.until("plywright.data.plies[0].trial === true")
    print(f"tap to new net {time.monotonic() - began:.2f} s, target {LIMIT} s")
    start = seen.page.evaluate("Array.from(plywright.data.plies[0].start.point)")
    assert np.linalg.norm(np.subtract(start, tapped)) < 1.0
    assert seen.page.inner_text("#figures") != before
    assert "not for cutting" in seen.page.inner_text("#figures")
    assert all(url.startswith(server.address) for url in seen.asked)
    with seen.page.expect_response("**/keep"):
        seen.page.locator("#keep").tap()
    kept = load_job(server.job.path).plies[0].start
    assert np.linalg.norm(np.subtract(kept, start)) < 0.01
    assert seen.complaints == []


def test_an_answer_goes_to_the_ply_that_was_asked_for(server, watch):
    """Another ply is chosen while the answer is on its way."""
    seen = watch(server.address)
    held = []
    seen.page.route("**/drape", lambda route: held.append(route))
    seen.page.locator("#start-here").tap()
    while not held:
        seen.page.wait_for_timeout(20)
    assert seen.page.locator("#start-here").is_disabled()
    name = seen.page.evaluate("plywright.data.plies[1].name")
    seen.page.evaluate("plywright.choose(1)")
    held[0].continue_()
    seen.until("plywright.data.plies[0].trial === true")
    assert seen.page.evaluate("plywright.data.plies[1].name") == name
    assert seen.page.evaluate("plywright.data.plies[1].trial") is None
    assert seen.page.inner_text("#figures").startswith(name)
    assert seen.page.locator("#keep").is_disabled()


def test_an_angle_between_steps_is_kept_as_it_is(server, watch):
    """120.3° isn't on the slider: it is sent unless the slider is moved."""
    seen = watch(server.address)
    asked = []

    def refuse(route):
        asked.append(json.loads(route.request.post_data)["angle_deg"])
        route.fulfill(status=422, json={"error": "enough"})

    seen.page.route("**/drape", refuse)
    seen.page.evaluate("plywright.data.plies[0].angle_deg = 120.3; plywright.choose(0)")
    assert "120.3°" in seen.page.inner_text("#try")
    seen.page.locator("#start-here").tap()
    seen.until("document.getElementById('readout').innerText.includes('enough')")
    seen.page.locator("#angle").fill("-44.5")
    seen.page.evaluate("plywright.tell(0, 0)")  # a tap builds the panel anew
    assert "−44.5°" in seen.page.inner_text("#try")
    seen.page.locator("#start-here").tap()
    while len(asked) < 2:
        seen.page.wait_for_timeout(20)
    assert asked == [120.3, -44.5]


def test_a_start_without_an_outline_shows_nothing_of_the_ply_before(server, watch, demo_results):
    trial = Trials(demo_results).drape(0, tuple(server.good["point"]), 30.0)
    bare = replace(trial, outlines=(), assessment=None)
    scene = trial_scene(demo_results.plies[0].ply, bare)
    seen = watch(server.address)
    answer = {"ply": packed(scene)}
    PLIES.validate(answer["ply"])
    seen.page.route("**/drape", lambda route: route.fulfill(json=answer))
    seen.page.locator("#start-here").tap()
    seen.until("plywright.data.plies[0].trial === true")
    assert seen.page.inner_text("#figures") == ""
    assert "reach every edge" in seen.page.inner_text("#readout")
    assert seen.page.locator("#keep").is_disabled()
    assert not seen.page.locator("#start-here").is_disabled()
    assert seen.page.locator("#pattern *").count() == 0
    assert seen.complaints == []
