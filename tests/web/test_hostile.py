"""What no page of ours would send: wrong values in every field, paths, broken HTTP, slow bodies, nosy tablets.

Every answer has to be a sentence with a status below 500, and what was there stays as it was.
"""

from __future__ import annotations

import contextlib
import json
import logging
import socket
import time
from pathlib import Path

import pytest
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.testclient import TestClient

from padbank.store.library import Library
from padbank.web import guard
from padbank.web.app import LaterRoutes, create_app
from padbank.web.drop_routes import safe_file_name
from padbank.web.guard import Sharing
from padbank.workflow.dropped import keep_drops

HERE = "http://127.0.0.1:8808"
LAN = "http://192.168.7.20:8808"
OWN = {"origin": HERE}
LAYOUTS = "/api/layouts/jetty-night"

ODD = (
    None, True, -1, 10**30, float("nan"), "", "\ud800", "abc\n", "../x.toml", "y" * 5000, [None], {"a": 1},
)  # fmt: skip

SHOW_EDITS = (
    {"do": "set", "key": "title", "value": "T"},
    {"do": "set", "key": "date", "value": "2026-01-01"},
    {"do": "set", "key": "rig", "value": "plank"},
    {"do": "level", "key": "target_lufs", "value": -18},
    {"do": "add segment", "segment": "encore", "title": "E", "any_time": True},
    {"do": "set segment", "segment": "opening", "key": "bank", "value": 1},
    {"do": "remove segment", "segment": "closing"},
    {"do": "move segment", "segment": "opening", "by": 1},
    {"do": "add want", "segment": "opening", "words": "knock x2"},
    {"do": "set want", "segment": "opening", "index": 1, "changes": {"hits": 3, "must": True, "count": 1}},
    {"do": "remove want", "segment": "opening", "index": 0},
)

STEPS = (
    {"do": "put", "clip": "horn", "bank": 1, "pad": "plank/1"},
    {"do": "move", "bank": 1, "pad": "plank/1", "to_bank": 1, "to_pad": "plank/2"},
    {"do": "clear", "bank": 1, "pad": "plank/1"},
    {"do": "empty", "bank": 1},
    {"do": "put back", "number": 1},
)


def posts(folder: str) -> list[tuple[str, dict]]:
    return [
        ("/api/clips/horn/edit", {"seen": None, "changes": {"level_offset_lu": -1.0, "role": "hit"}, "new_name": None, "licence": "MIT", "credit": "me", "tags": ["+a"]}),
        ("/api/clips/horn/undo", {"seen": "x"}),
        ("/api/clips/many", {"names": ["bell"], "what": "tags", "tags": ["+b"]}),
        ("/api/clips/many", {"names": ["bell"], "what": "rights", "licence": "MIT", "credit": "x"}),
        ("/api/shows", {"name": "jetty-night", "like": "jetty-night", "rig": "plank"}),
        *[("/api/shows/jetty-night/edit", {"seen": None, "edit": edit}) for edit in SHOW_EDITS],
        *[(f"{LAYOUTS}/try", {"step": step}) for step in STEPS[:3]],
        (f"{LAYOUTS}/step", {"seen": 1, "step": STEPS[-1]}),
        (f"{LAYOUTS}/pin", {"on": True, "clip": "horn", "pad": "plank/1", "bank": 1, "seen": None}),
        (f"{LAYOUTS}/plan", {"seconds": "many", "fresh": False, "go_on": False}),
        ("/api/export/jetty-night/look", {"folder": folder}),
        ("/api/export/jetty-night/write", {"folder": folder, "accept": ["x"], "layout": 1}),
        ("/api/export/verify", {"folder": folder}),
        ("/api/drops/none/add", {"tags": ["a"], "licence": "MIT", "credit": "x"}),
        ("/api/add", {"paths": [folder], "tags": ["a"], "licence": "MIT", "credit": "x"}),
        ("/api/invite", {"what": "stage"}),
    ]  # fmt: skip


def spoiled(body: dict):
    """The body with each field left out and each odd value in it, inner objects too."""
    for key, value in body.items():
        yield {k: v for k, v in body.items() if k != key}
        for odd in ODD:
            yield {**body, key: odd}
        if isinstance(value, dict):
            for inner in spoiled(value):
                yield {**body, key: inner}


def fault_of(answer) -> str | None:
    if answer.status_code < 400:
        return None
    if answer.status_code >= 500 or "Traceback" in answer.text:
        return answer.text[:200]
    error = answer.json().get("error", "")
    return None if len(error) > 10 else answer.text[:200]


@pytest.fixture
def page(library_folder: Path):
    with TestClient(create_app(library_folder, port=8808), base_url=HERE, headers=OWN) as client:
        client.post(f"{LAYOUTS}/step", json={"seen": 0, "step": STEPS[0]})
        yield client


def test_a_wrong_value_in_any_field_gets_a_sentence_and_spoils_nothing(page, library_folder, tmp_path):
    show = library_folder / "shows" / "jetty-night.toml"
    good = show.read_bytes()
    faults = []
    for path, body in posts(str(tmp_path / "card")):
        for odd in spoiled(body):
            text = json.dumps(odd)
            answer = page.post(path, content=text)
            if fault := fault_of(answer):
                faults.append((path, text[:200], fault))
            if answer.status_code == 200 and "/edit" in path and "clips" in path and answer.json()["name"] != "horn":
                page.post(f"/api/clips/{answer.json()['name']}/edit", json={"new_name": "horn"})
            if show.read_bytes() != good:
                if fault := fault_of(page.get("/api/shows/jetty-night")):
                    faults.append((path, text[:200], f"the show cannot be read any more: {fault}"))
                show.write_bytes(good)
            for job in page.app.state.desk.jobs.running():
                job.stop()
    assert not faults, faults[:5]
    for path in ("/api/clips", "/api/clips/horn", "/api/clips/bell", "/api/shows", "/api/shows/jetty-night", LAYOUTS, "/api/jobs"):
        assert page.get(path).status_code == 200, path
    assert sorted(p.name for p in (library_folder / "shows").iterdir()) == ["jetty-night.toml"]


ODD_NAMES = (
    "x", "%00", "..", "%2e%2e%2fx", "..%5c..%5cx", "C:%5Cx", "C:x", "%5c%5cthere%5cshare%5cx", "nul", "x.", "x%20", "%ff%fe", "%ed%a0%80",
    "pyproject.toml", "C:%5Cx.toml", "..%5cshows%5cjetty-night.toml", "a" * 4000, "%0a", "*", "jetty-night.TOML", "jetty-night%00.toml",
)  # fmt: skip


def test_odd_names_and_numbers_in_an_address_get_a_sentence(page):
    faults = []
    for name in ODD_NAMES:
        for path in (
            f"/api/clips/{name}", f"/api/clips/{name}/wave", f"/api/clips/{name}/sound.wav", f"/api/clips/horn/levels?show={name}",
            f"/api/clips/horn/sound.wav?show=jetty-night&bank=1&pad={name}", f"/api/shows/{name}", f"/api/layouts/{name}",
            f"/api/layouts/{name}/banks", f"{LAYOUTS}/why?clip={name}", f"{LAYOUTS}/why?bank=1&pad={name}", f"/api/jobs/{name}",
            f"/api/stage/banks?show={name}", f"/join/{name}", f"/static/{name}", f"/{name}",
        ):  # fmt: skip
            answer = page.get(path)
            if answer.status_code < 400 and path.startswith("/api/"):
                faults.append((path, answer.status_code))
            elif "json" in answer.headers["content-type"] and (fault := fault_of(answer)):
                faults.append((path, fault))
    for number in ("-1", "1e3", "９", "9" * 30, "9" * 5000, "nan", "%00", "1.5"):
        for path in (f"{LAYOUTS}?number={number}", f"{LAYOUTS}/why?bank={number}&pad=plank/1", f"/api/clips/horn/wave?from={number}",
                     f"/api/clips/horn/wave?columns={number}", f"/api/clips/horn/levels?show=jetty-night&bank={number}&pad=plank/1"):  # fmt: skip
            if fault := fault_of(page.get(path)):
                faults.append((path, fault))
    assert not faults, faults[:5]


def test_odd_headers_and_methods_get_no_fault(page):
    sound, script = "/api/clips/horn/sound.wav", "/static/js/main.js"
    for value in ("bytes=abc", "bytes=5-1", "items=0-1", "bytes=9999999999-", "bytes=1-2,x", f"bytes={'9' * 5000}-", "bytes=" + ",".join(["0-0"] * 4000)):
        for path in (sound, script):
            assert page.get(path, headers={"range": value}).status_code < 500, value[:40]
    for headers in ({"if-none-match": '"' + "x" * 5000}, {"cookie": 'padbank_visit="a;b\\'}, {"accept-encoding": "gzip;q=x"}, {"if-modified-since": "once"}):
        for path in ("/api/clips", script):
            assert page.get(path, headers=headers).status_code == 200, headers
    for method in ("OPTIONS", "PATCH", "TRACE", "ANY"):
        for path in ("/api/clips", "/clips", script, LAYOUTS, "/join/x"):
            told = page.request(method, path)
            assert told.status_code == 405 and "reload the page" in told.json()["error"], (method, path)
    form = page.post("/api/clips/horn/edit", content=b"--b\r\n\r\n1\r\n--b--", headers={"content-type": "multipart/form-data; boundary=b"})
    assert form.status_code == 400 and "not JSON" in form.json()["error"]


def test_no_address_or_field_leads_to_a_show_or_rig_outside_the_library(page, tmp_path, library_folder):
    text = (library_folder / "shows" / "jetty-night.toml").read_text(encoding="utf-8").replace("Jetty night", "Secret")
    outside = tmp_path / "outside.toml"
    outside.write_text(text, encoding="utf-8")
    (tmp_path / "plank.toml").write_bytes((library_folder / "rigs" / "plank.toml").read_bytes())
    named = str(outside)
    answers = [
        *[page.get(path, params={"show": named}) for path in ("/api/clips/horn/levels", "/api/clips/horn/sound.wav", "/api/stage/banks")],
        page.post("/api/shows", json={"name": "taken", "like": named, "rig": None}),
        page.post("/api/shows", json={"name": "taken", "rig": str(tmp_path / "plank.toml")}),
        page.post("/api/shows/jetty-night/edit", json={"edit": {"do": "set", "key": "rig", "value": str(tmp_path / "plank.toml")}}),
    ]
    for answer in answers:
        assert answer.status_code == 400 and "by their names" in answer.json()["error"]
        assert "Secret" not in answer.text
    assert not (library_folder / "shows" / "taken.toml").exists()


@pytest.mark.parametrize(
    ("given", "kept"),
    [("con.wav", "_con.wav"), ("LPT1", "_LPT1"), ("horn.wav. . .", "horn.wav"), ("C:horn.wav", "C_horn.wav"), ("\\\\there\\share\\horn.wav", "horn.wav"),
     ("horn.wav::$DATA", "horn.wav__$DATA"), ("q" * 119 + " .wav", "q" * 119 + " .wav"), ("鼓" * 200 + ".wav", "鼓" * 60 + ".wav"), ("x\ud800.wav", "x_.wav")],
)  # fmt: skip
def test_dropped_names_of_other_systems(given, kept):
    assert safe_file_name(given) == kept


# ---------------------------------------------------------------- another screen


def all_routes(app) -> list[tuple[str, str]]:
    """Every (method, path) of the server, with something in each name's place."""
    found = []

    def walk(routes, before):
        for route in routes:
            if isinstance(route, Mount):
                inner = route.app.load().routes if isinstance(route.app, LaterRoutes) else ()
                walk(inner, before + route.path)
            elif isinstance(route, Route):
                path = (before + route.path).replace("{name}", "horn").replace("{show}", "jetty-night").replace("{number:int}", "0")
                path = path.replace("{job}", "x").replace("{drop}", "x").replace("{token}", "x")
                found.extend((method, path) for method in sorted((route.methods or set()) - {"HEAD"}))

    walk(app.routes, "")
    return found


@pytest.fixture
def tablet(library_folder: Path):
    """``tablet(what)``: a client in the network whose one-time address opened ``what``."""
    sharing = Sharing()
    app = create_app(library_folder, port=8808, addresses=["192.168.7.20"], sharing=sharing)
    with contextlib.ExitStack() as stack:

        def join(what):
            client = TestClient(app, base_url=LAN, client=("192.168.7.44", 51000), follow_redirects=False, headers={"origin": LAN})
            stack.enter_context(client)
            assert client.post(f"/join/{sharing.invite(what)}").status_code == 303
            return client

        yield join


def test_a_stage_visit_reaches_nothing_but_the_stage(tablet, library_folder):
    client = tablet("stage")
    open_to_it = {("GET", "/"), ("GET", "/stage"), ("GET", "/api/stage"), ("GET", "/api/stage/banks"), ("GET", "/join/x"), ("POST", "/join/x")}
    routes = all_routes(client.app)
    assert len(routes) > 45 and open_to_it <= set(routes)
    for method, path in routes:
        answer = client.request(method, path)
        if path.startswith("/static/"):
            continue  # letters and scripts, the same for everybody
        if (method, path) in open_to_it:
            assert answer.status_code in (200, 303) or path == "/join/x", path
            assert "horn" not in answer.text
        else:
            assert answer.status_code == 403, (method, path)
    assert [r.path for r in client.app.routes if isinstance(r, WebSocketRoute)] == ["/ws/stage", "/ws/desk"]
    for path in ("/api/stage/../clips", "/stage/../api/clips", "/static/../api/clips", "//api/clips", "/api/stage%2f..%2fclips", "/API/stage", "/stage\\..\\api\\clips"):
        answer = client.get(path)
        assert answer.status_code in (403, 404) and "horn" not in answer.text, path


def test_a_stage_visit_sees_the_show_on_stage_only(tablet):
    client = tablet("stage")
    assert client.get("/api/stage/banks?show=jetty-night").json() == {"show": None}
    client.app.state.desk.hub.stage["show"] = "jetty-night"
    assert "jetty-night" in client.get("/api/stage/banks?show=../other").text


def test_a_visit_to_everything_stays_out_of_this_computers_folders(tablet, tmp_path):
    client = tablet("everything")
    (tmp_path / "private").mkdir()
    folder = {"folder": str(tmp_path / "private"), "accept": []}
    for path, body in (
        ("/api/add", {"paths": [str(tmp_path)]}), ("/api/invite", {"what": "everything"}), ("/api/export/jetty-night/look", folder),
        ("/api/export/jetty-night/write", folder), ("/api/export/verify", folder),
    ):  # fmt: skip
        answer = client.post(path, json=body)
        assert answer.status_code in (400, 409) and "computer that runs padbank" in answer.json()["error"], path
    assert client.delete("/api/visits").status_code == 400
    assert list((tmp_path / "private").iterdir()) == []


def test_a_socket_survives_what_is_no_message(page):
    with page.websocket_connect("ws://127.0.0.1:8808/ws/desk") as one, page.websocket_connect("ws://127.0.0.1:8808/ws/stage") as other:
        one.receive_json(), other.receive_json()

        def heard(link):
            """The next message that is not about the library."""
            while (message := link.receive_json())["kind"] == "changed":
                pass
            return message

        one.send_bytes(b"\x00\xff")
        assert heard(one)["kind"] == "refused"
        for bad in ('{"kind": "show", "show": "\\ud800"}', '{"kind": "bank", "bank": 1e999}', "9" * 3999, "[" * 3999, '{"kind": {}}', ""):
            one.send_text(bad)
            assert heard(one)["kind"] == "refused", bad
        one.send_json({"kind": "bank", "bank": 2})
        assert heard(other)["stage"]["bank"] == 2


# ---------------------------------------------------------------- below HTTP


def raw(served, text: bytes, *, more: bytes = b"", wait_s: float = 5.0) -> bytes:
    """Send bytes to the running server, and give what comes back until it closes or is silent."""
    port = int(served.address.rsplit(":", 1)[1])
    with socket.create_connection(("127.0.0.1", port), timeout=wait_s) as link:
        link.sendall(text.replace(b"PORT", str(port).encode()) + more)
        link.settimeout(wait_s)
        got = b""
        with contextlib.suppress(TimeoutError, ConnectionResetError):
            while chunk := link.recv(65536):
                got += chunk
                if b"\r\n\r\n" in got and b"}" in got:
                    break
        return got


OK_HOST = b"Host: 127.0.0.1:PORT\r\nConnection: close\r\n"

BROKEN = {
    "no host": b"GET /api/clips HTTP/1.0\r\n\r\n",
    "another target": b"GET http://evil.example/api/clips HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
    "two hosts": b"GET /api/clips HTTP/1.1\r\nHost: evil.example\r\n" + OK_HOST + b"\r\n",
    "user in host": b"GET /api/clips HTTP/1.1\r\nHost: 127.0.0.1:PORT@evil.example\r\nConnection: close\r\n\r\n",
    "a host of no letters": b"GET /api/clips HTTP/1.1\r\nHost: \xff\xfe\r\nCookie: padbank_visit=\xff\r\nConnection: close\r\n\r\n",
    "two origins": b"POST /api/drops HTTP/1.1\r\n" + OK_HOST + b"Origin: http://127.0.0.1:PORT\r\nOrigin: http://evil.example\r\nContent-Length: 0\r\n\r\n",
    "a form of another page": b"POST /api/drops HTTP/1.1\r\n" + OK_HOST + b"Origin: null\r\nContent-Type: text/plain\r\nContent-Length: 0\r\n\r\n",
    "no length": b"GET / \r\n\r\n",
    "wrong length": b"POST /api/drops HTTP/1.1\r\n" + OK_HOST + b"Origin: http://127.0.0.1:PORT\r\nContent-Length: -5\r\n\r\n",
    "two lengths": b"POST /api/clips/horn/edit HTTP/1.1\r\n" + OK_HOST + b"Origin: http://127.0.0.1:PORT\r\nContent-Length: 2\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    "a path upwards": b"GET /static/../../../../etc/passwd HTTP/1.1\r\n" + OK_HOST + b"\r\n",
    "no method": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
    "a huge header": b"GET /api/clips HTTP/1.1\r\n" + OK_HOST + b"X: " + b"x" * 100_000,
    "an upgrade from elsewhere": b"GET /ws/desk HTTP/1.1\r\nHost: 127.0.0.1:PORT\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
    b"Sec-WebSocket-Version: 13\r\nSec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nOrigin: http://evil.example\r\n\r\n",
}  # fmt: skip


def test_broken_requests_get_nothing_and_the_server_goes_on(served):
    for what, request in BROKEN.items():
        got = raw(served, request, wait_s=2.0)
        assert got == b"" or got.split()[1][:1] == b"4", (what, got[:200])
        assert b"horn" not in got and b"Traceback" not in got and b"root:" not in got, what
    good = raw(served, b"GET /api/clips/horn HTTP/1.1\r\n" + OK_HOST + b"\r\n")
    assert b" 200 " in good.splitlines()[0] and b"horn" in good


def test_a_body_that_stops_coming_is_told_and_let_go(served, monkeypatch):
    monkeypatch.setattr(guard, "BODY_WAIT_S", 0.3)
    head = b"POST /api/clips/horn/edit HTTP/1.1\r\n" + OK_HOST + b"Origin: http://127.0.0.1:PORT\r\nContent-Length: 500\r\n\r\n"
    got = raw(served, head, more=b'{"chan')
    assert b" 408 " in got.splitlines()[0] and b"nothing more arrived" in got


def test_a_drop_that_is_cut_off_leaves_no_piece_and_no_trace(served, caplog):
    port = int(served.address.rsplit(":", 1)[1])
    post = b"POST %s HTTP/1.1\r\n" + OK_HOST + b"Origin: http://127.0.0.1:PORT\r\nContent-Length: 0\r\n\r\n"
    drop = json.loads(raw(served, post % b"/api/drops").partition(b"\r\n\r\n")[2])["drop"]
    folder = served.folder / "dropped" / drop

    def there(wanted: bool) -> bool:
        end = time.monotonic() + 10
        while bool(list(folder.rglob("horn.wav"))) != wanted and time.monotonic() < end:
            time.sleep(0.01)
        return bool(list(folder.rglob("horn.wav")))

    with caplog.at_level(logging.WARNING):
        with socket.create_connection(("127.0.0.1", port)) as link:
            head = f"PUT /api/drop/{drop}/0?name=horn.wav HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: {served.address}\r\nContent-Length: 9000\r\n\r\n"
            link.sendall(head.encode() + b"R" * 100)
            assert there(True)
        assert not there(False)
        assert b"nothing arrived" in raw(served, post % f"/api/drops/{drop}/add".encode())
    assert not [r for r in caplog.records if r.exc_info], caplog.text


def test_a_drop_never_fills_the_librarys_disk(page, library_folder, monkeypatch):
    from padbank.web import drop_routes

    drop = page.post("/api/drops").json()["drop"]
    free = drop_routes.shutil.disk_usage(library_folder)._replace(free=drop_routes.SPARE_BYTES + 1000)
    monkeypatch.setattr(drop_routes.shutil, "disk_usage", lambda folder: free)
    assert page.put(f"/api/drop/{drop}/0?name=small.wav", content=b"R" * 900).status_code == 200
    told = page.put(f"/api/drop/{drop}/1?name=large.wav", content=b"R" * 1100)
    assert told.status_code == 503 and "large.wav takes 1.1 kB" in told.json()["error"] and "make room there" in told.json()["error"]
    assert [p.name for p in (library_folder / "dropped").rglob("*.wav")] == ["small.wav"]


def test_a_library_that_is_pulled_out_is_missed_and_not_begun_anew(page, library_folder):
    assert len(page.get("/api/clips").json()["rows"]) == 8
    away = library_folder.rename(library_folder.with_name("away"))
    for path in ("/api/clips", "/api/clips/horn", "/api/shows", LAYOUTS):
        told = page.get(path)
        assert told.status_code == 503 and "plug its disk in" in told.json()["error"], path
    told = page.post("/api/drops")
    assert told.status_code == 503 and "plug its disk in" in told.json()["error"]
    assert not library_folder.exists()
    away.rename(library_folder)
    assert len(page.get("/api/clips").json()["rows"]) == 8
    assert page.get("/api/clips/horn").status_code == 200


def test_a_disk_that_fails_and_a_busy_catalogue_are_sentences(page, library_folder, monkeypatch):
    import sqlite3

    from padbank.web import clip_routes, show_routes

    def full(*args, **kwargs):
        raise OSError(28, "No space left on device", str(library_folder / "shows" / "jetty-night.toml"))

    def busy(*args, **kwargs):
        raise sqlite3.OperationalError("database is locked")

    monkeypatch.setattr(show_routes, "edit_show", full)
    monkeypatch.setattr(clip_routes, "clip_as_seen", busy)
    told = page.post("/api/shows/jetty-night/edit", json={"edit": SHOW_EDITS[0]})
    assert told.status_code == 503 and told.json()["error"].startswith("jetty-night.toml: No space left")
    told = page.post("/api/clips/horn/edit", json={"changes": {"role": "hit"}})
    assert told.status_code == 503 and "then try again" in told.json()["error"]


# ---------------------------------------------------------------- drops of servers that ended


def test_a_second_server_leaves_the_drops_of_the_first_and_clears_those_of_the_dead(tmp_path):
    dropped = tmp_path / "dropped"
    with keep_drops(tmp_path, "first"):
        mine = dropped / "first-1"
        mine.mkdir()
        dead = dropped / "killed-1"
        dead.mkdir()
        (dropped / "killed.held").touch()
        with keep_drops(tmp_path, "second"):
            assert mine.is_dir() and not dead.exists() and not (dropped / "killed.held").exists()
        assert mine.is_dir() and (dropped / "first.held").exists()
    with keep_drops(tmp_path, "third"):
        assert sorted(p.name for p in dropped.iterdir()) == ["third.held"]


def test_a_left_over_that_cannot_be_removed_leaves_the_server_its_drops(tmp_path, monkeypatch):
    dropped = tmp_path / "dropped"
    dropped.mkdir()
    (dropped / "stuck.wav").touch()
    unlink = Path.unlink

    def refuse(path, missing_ok=False):
        if path.name == "stuck.wav":  # as on Windows while another program has it open
            raise PermissionError(13, "in use", str(path))
        unlink(path, missing_ok=missing_ok)

    monkeypatch.setattr(Path, "unlink", refuse)
    with keep_drops(tmp_path, "first"):
        mine = dropped / "first-1"
        mine.mkdir()
        with keep_drops(tmp_path, "second"):
            assert mine.is_dir()


def test_names_end_where_they_end(library_folder):
    """A pattern's ``$`` would let a line end pass."""
    from padbank.errors import InputError
    from padbank.workflow.clips import edit
    from padbank.workflow.shows import new_show

    with Library(library_folder) as library:
        for name in ("abc\n", "con", "x" * 300):
            with pytest.raises(InputError):
                new_show(library, name, rig="plank")
        with pytest.raises(InputError):
            edit(library, "horn", {}, new_name="abc\n")
