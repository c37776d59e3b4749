"""The gate: Host, Origin, one-time addresses, limits, headers. Requests are made in-process.

The rules checked are those of the Fetch standard's Origin header, RFC 9110
(Host), and W3C Content Security Policy Level 3.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from padbank.web.app import create_app
from padbank.web.drop_routes import safe_file_name
from padbank.web.guard import BODY_LIMIT_BYTES, COOKIE, TOKEN_LASTS_S, Sharing, split_host

HERE = "http://127.0.0.1:8808"
LAN = "http://192.168.7.20:8808"


class Clock:
    now = 0.0


@pytest.fixture
def local(library_folder: Path):
    with TestClient(create_app(library_folder, port=8808), base_url=HERE) as client:
        yield client


@pytest.fixture
def shared(library_folder: Path):
    """(app, sharing): a server that is shared at 192.168.7.20."""
    sharing = Sharing()
    app = create_app(library_folder, port=8808, addresses=["192.168.7.20"], sharing=sharing)
    app.state.desk.invite_base = LAN
    return app, sharing


def visitor(app, host: str = LAN):
    return TestClient(app, base_url=host, client=("192.168.7.44", 51000), follow_redirects=False)


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8808", "127.0.0.1", "127.0.0.1:1", "127.0.0.1.evil.example:8808",
     "localhost.evil.example:8808", "127.0.0.1:8808@evil.example", "", "[::1", "192.168.7.20:8808"],
)  # fmt: skip
def test_other_hosts_get_nothing(local, host):
    answer = local.get("/api/clips", headers={"host": host})
    assert answer.status_code == 403
    assert "address" in answer.json()["error"]


@pytest.mark.parametrize("host", ["127.0.0.1:8808", "localhost:8808", "LOCALHOST:8808", "[::1]:8808"])
def test_own_names_are_answered(local, host):
    assert local.get("/api/shows", headers={"host": host}).status_code == 200


def test_two_host_headers_are_refused(local):
    request = local.build_request("GET", "/api/shows")
    request.headers = type(request.headers)([("host", "127.0.0.1:8808"), ("host", "evil.example")])
    assert local.send(request).status_code == 403


@pytest.mark.parametrize("origin", [None, "null", "http://evil.example", "https://127.0.0.1:8808", "http://localhost:8808", "http://127.0.0.1:9999"])
def test_changes_need_the_pages_own_origin(local, origin):
    headers = {} if origin is None else {"origin": origin}
    answer = local.post("/api/clips/horn/edit", json={"changes": {"level_offset_lu": -2}}, headers=headers)
    assert answer.status_code == 403
    assert local.get("/api/clips/horn").json()["recipe"]["level_offset_lu"] == 0


def test_changes_with_the_pages_own_origin_pass(local):
    answer = local.post("/api/clips/horn/edit", json={"changes": {"level_offset_lu": -2}}, headers={"origin": HERE})
    assert answer.status_code == 200
    assert answer.json()["recipe"]["level_offset_lu"] == -2


def test_reading_for_another_page_is_refused(local):
    assert local.get("/api/clips", headers={"origin": "http://evil.example"}).status_code == 403
    assert local.get("/api/clips", headers={"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}).status_code == 403


def test_a_link_from_elsewhere_opens_the_page_but_no_data(local):
    link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate", "sec-fetch-dest": "document"}
    assert local.get("/clips", headers=link).status_code == 200
    assert local.get("/api/clips", headers=link).status_code == 403
    assert local.get("/clips", headers={**link, "sec-fetch-dest": "iframe"}).status_code == 403


def test_sockets_need_the_pages_own_origin(local):
    for headers in ({}, {"origin": "http://evil.example"}):
        with pytest.raises(WebSocketDisconnect), local.websocket_connect("ws://127.0.0.1:8808/ws/desk", headers=headers):
            pass
    with local.websocket_connect("ws://127.0.0.1:8808/ws/desk", headers={"origin": HERE}) as socket:
        assert socket.receive_json()["kind"] == "stage"


def test_every_answer_carries_the_policy(local):
    for path in ("/clips", "/api/clips", "/static/js/main.js", "/nothing-here", "/stage"):
        answer = local.get(path)
        policy = answer.headers["content-security-policy"]
        assert "unsafe" not in policy and "*" not in policy and "default-src 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert "server" not in answer.headers
    assert "content-security-policy" in local.get("/api/clips", headers={"host": "evil.example"}).headers


def test_pages_hold_no_inline_script_or_style():
    import padbank.web

    for page in (Path(padbank.web.__file__).parent / "templates").glob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert "style=" not in text and "<style" not in text and "onclick" not in text
        assert all("src=" in line for line in text.splitlines() if "<script" in line)


@pytest.mark.parametrize(
    "path",
    ["/static/../app.py", "/static/..%2fapp.py", "/static/%2e%2e/app.py", "/static/js/../../guard.py", "/static/%2fetc/passwd",
     "/static//etc/passwd", "/static/..\\app.py"],
)  # fmt: skip
def test_no_path_leaves_the_static_folder(local, path):
    answer = local.get(path)
    assert answer.status_code in (403, 404)
    assert "import" not in answer.text and "root:" not in answer.text


@pytest.mark.parametrize("name", ["..%2f..%2fcatalogue", "%2fetc%2fpasswd", "..", "a%00b"])
def test_names_of_clips_and_shows_are_only_names(local, name):
    for path in (f"/api/clips/{name}", f"/api/clips/{name}/sound.wav", f"/api/shows/{name}", f"/api/layouts/{name}"):
        answer = local.get(path)
        assert answer.status_code in (400, 404), path
        assert "Traceback" not in answer.text


@pytest.mark.parametrize(
    ("given", "kept"),
    [("../../etc/passwd", "passwd"), ("C:\\Users\\x\\horn.wav", "horn.wav"), ("a/b/c.mp3", "c.mp3"), ("we<ir>d?.wav", "we_ir_d_.wav"),
     ("nul\0l.wav", "nul_l.wav"), ("x" * 400 + ".flac", "x" * 120 + ".flac")],
)  # fmt: skip
def test_dropped_names_stay_in_their_folder(given, kept):
    assert safe_file_name(given) == kept


@pytest.mark.parametrize("given", ["", "..", "/", "...", "\\"])
def test_dropped_names_that_are_none_are_refused(given):
    from padbank.errors import InputError

    with pytest.raises(InputError):
        safe_file_name(given)


def test_a_dropped_file_lands_inside_its_drop(local, library_folder):
    drop = local.post("/api/drops", headers={"origin": HERE}).json()["drop"]
    answer = local.put(f"/api/drop/{drop}/0?name=..%2F..%2Fescape.wav", content=b"x", headers={"origin": HERE})
    assert answer.status_code == 200
    found = list(library_folder.parent.rglob("escape.wav"))
    assert [p.relative_to(library_folder).parts[0] for p in found] == ["dropped"]
    assert local.put("/api/drop/unknown/0?name=a.wav", content=b"x", headers={"origin": HERE}).status_code == 400


def test_bodies_have_limits(local):
    big = b"{" + b" " * BODY_LIMIT_BYTES + b"}"
    told = local.post("/api/clips/horn/edit", content=big, headers={"origin": HERE})
    assert told.status_code == 413 and "MB" in told.json()["error"]

    def pieces():  # no length told beforehand
        for _ in range(20):
            yield b" " * 100_000

    untold = local.post("/api/clips/horn/edit", content=pieces(), headers={"origin": HERE})
    assert untold.status_code == 413 and "MB" in untold.json()["error"]


@pytest.mark.parametrize("body", [b"[1]", b"nonsense", b"\xff\xfe", b"[" * 3000, b'{"changes": 3}', b'{"changes": {"start_s": "x"}}', b'{"changes": {"nothing": 1}}', b'{"changes": {"start_s": NaN}}'])
def test_bad_bodies_get_a_sentence(local, body):
    answer = local.post("/api/clips/horn/edit", content=body, headers={"origin": HERE})
    assert answer.status_code == 400
    assert answer.json()["error"] and "Traceback" not in answer.text


def test_an_unexpected_error_is_a_sentence(library_folder, monkeypatch):
    from padbank.web import clip_list

    def broken(*args, **kwargs):
        raise RuntimeError("secret inner workings")

    monkeypatch.setattr(clip_list, "find", broken)
    with TestClient(create_app(library_folder), base_url=HERE, raise_server_exceptions=False) as client:
        answer = client.get("/api/clips")
    assert answer.status_code == 500
    assert "secret" not in answer.text and "terminal" in answer.json()["error"]
    assert "default-src 'none'" in answer.headers["content-security-policy"]


# ---------------------------------------------------------------- sharing


def test_without_sharing_no_other_computer_gets_anything(library_folder):
    app = create_app(library_folder, port=8808)
    with visitor(app, HERE) as client:
        for path in ("/stage", "/api/clips", "/clips", "/"):
            assert client.get(path).status_code == 403


def test_a_one_time_address_opens_the_stage_once(shared):
    app, sharing = shared
    token = sharing.invite("stage")
    with visitor(app) as tablet:
        assert tablet.get("/stage").status_code == 403
        assert tablet.get(f"/join/{token}").status_code == 200  # a preview of the link does not spend it
        assert tablet.get("/stage").status_code == 403
        joined = tablet.post(f"/join/{token}", headers={"origin": LAN})
        assert joined.status_code == 303
        cookie = joined.headers["set-cookie"].lower()
        assert "httponly" in cookie and "samesite=strict" in cookie
        assert tablet.get("/stage").status_code == 200
        assert tablet.get("/api/stage").status_code == 200
        for path in ("/api/clips", "/clips", "/api/shows", "/api/jobs", "/api/clips/horn/sound.wav", "/api/stagehand"):
            assert tablet.get(path).status_code == 403, path
        assert tablet.post("/api/clips/horn/edit", json={}, headers={"origin": LAN}).status_code == 403
        assert tablet.post("/api/invite", json={"what": "everything"}, headers={"origin": LAN}).status_code == 403
    with visitor(app) as another:
        assert another.post(f"/join/{token}", headers={"origin": LAN}).status_code == 403
        assert another.get("/stage").status_code == 403


def test_a_wrong_or_old_token_opens_nothing():
    clock = Clock()
    sharing = Sharing(lambda: clock.now)
    token = sharing.invite("stage")
    assert sharing.redeem(token[:-1]) is None
    assert sharing.redeem("") is None
    clock.now = TOKEN_LASTS_S + 1
    assert sharing.redeem(token) is None


def test_a_visit_to_everything_still_cannot_invite(shared):
    app, sharing = shared
    token = sharing.invite("everything")
    with visitor(app) as client:
        client.post(f"/join/{token}", headers={"origin": LAN})
        assert client.get("/api/clips").status_code == 200
        refused = client.post("/api/invite", json={"what": "stage"}, headers={"origin": LAN})
        assert refused.status_code == 400 and "computer that runs" in refused.json()["error"]


def test_visits_can_be_ended(shared):
    app, _ = shared
    with TestClient(app, base_url=HERE) as owner:
        tablet = TestClient(app, base_url=LAN, client=("192.168.7.44", 51000), follow_redirects=False)
        tablet.portal = owner.portal  # both on one event loop, as in the running server
        invitation = owner.post("/api/invite", json={"what": "stage"}, headers={"origin": HERE}).json()["address"]
        assert invitation.startswith(LAN + "/join/")
        tablet.post(invitation.removeprefix(LAN), headers={"origin": LAN})
        assert tablet.get("/stage").status_code == 200
        with tablet.websocket_connect("ws://192.168.7.20:8808/ws/stage", headers={"origin": LAN}) as socket:
            socket.receive_json()
            assert owner.delete("/api/visits", headers={"origin": HERE}).json() == {"ended": 1}
            with pytest.raises(WebSocketDisconnect):
                socket.receive_json()
        assert tablet.get("/stage").status_code == 403
        assert tablet.get("/stage", headers={"cookie": f"{COOKIE}=guess"}).status_code == 403


def test_a_loopback_name_from_afar_is_not_this_computer(shared):
    app, _ = shared
    with visitor(app, HERE) as client:
        assert client.get("/api/clips").status_code == 403


def test_a_stage_view_only_turns_banks(shared):
    app, sharing = shared
    token = sharing.invite("stage")
    with visitor(app) as tablet:
        tablet.post(f"/join/{token}", headers={"origin": LAN})
        with tablet.websocket_connect("ws://192.168.7.20:8808/ws/stage", headers={"origin": LAN}) as socket:
            socket.receive_json()
            socket.send_json({"kind": "hit", "pad": "plank/1"})
            assert socket.receive_json()["kind"] == "refused"
            socket.send_json({"kind": "bank", "bank": 2})
            assert socket.receive_json()["stage"]["bank"] == 2
        with pytest.raises(WebSocketDisconnect), tablet.websocket_connect("ws://192.168.7.20:8808/ws/desk", headers={"origin": LAN}):
            pass


@pytest.mark.parametrize(
    ("header", "parts"),
    [("127.0.0.1:80", ("127.0.0.1", 80)), ("[::1]:8808", ("::1", 8808)), ("name", ("name", None)), ("a:b", None), ("::1", None), ("a:1:2", None), ("x:８", None)],
)  # fmt: skip
def test_split_host(header, parts):
    assert split_host(header) == parts
