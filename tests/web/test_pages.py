"""The page's routes in-process: clips, edits that never overwrite, drops, shows, layouts, jobs."""

from __future__ import annotations

import io
import sqlite3
import time
import wave
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from padbank.errors import InputError
from padbank.store.library import Library
from padbank.web.app import create_app
from padbank.web.jobs import JobBoard
from padbank.workflow import clips as clips_work

HERE = "http://127.0.0.1:8808"
OWN = {"origin": HERE}


@pytest.fixture
def page(library_folder: Path):
    with TestClient(create_app(library_folder, port=8808), base_url=HERE, headers=OWN) as client:
        yield client


def test_sounds_are_rendered_while_others_come_and_go(page, library_folder):
    """Requests render side by side: what another thread renames or drops meanwhile is not missed."""
    kept = library_folder / "kept"
    kept.mkdir(exist_ok=True)
    try:
        (kept / "0123.77.abcdef.wav").symlink_to(kept / "renamed.wav")
        (kept / "4567.wav").symlink_to(kept / "dropped.wav")
    except OSError:
        pytest.skip("this system makes no links")
    assert page.get("/api/clips/horn/sound.wav").status_code == 200


def wait_for(page: TestClient, job: dict, seconds: float = 30) -> dict:
    end = time.monotonic() + seconds
    while job["state"] == "running":
        assert time.monotonic() < end, job
        time.sleep(0.02)
        job = page.get(f"/api/jobs/{job['id']}").json()
    return job


# ---------------------------------------------------------------- clips


def test_the_list_holds_every_clip_and_is_sent_again_only_when_changed(page, library_folder):
    first = page.get("/api/clips")
    names = [row[first.json()["columns"].index("name")] for row in first.json()["rows"]]
    assert names == sorted(names) and "horn" in names and len(names) == 8
    again = page.get("/api/clips", headers={"if-none-match": first.headers["etag"]})
    assert again.status_code == 304
    with Library(library_folder) as library:  # a command beside the page
        clips_work.change_tags(library, ["horn"], ["+loud"])
    changed = page.get("/api/clips", headers={"if-none-match": first.headers["etag"]})
    assert changed.status_code == 200
    assert "loud" in changed.text


def test_two_tabs_never_lose_an_edit(page):
    seen = page.get("/api/clips/horn").json()["revision"]
    first = page.post("/api/clips/horn/edit", json={"seen": seen, "changes": {"fade_out_s": 0.1}})
    assert first.status_code == 200
    second = page.post("/api/clips/horn/edit", json={"seen": seen, "changes": {"fade_in_s": 0.01}})
    assert second.status_code == 409
    assert "changed elsewhere" in second.json()["error"]
    now = page.get("/api/clips/horn").json()
    assert now["recipe"]["fade_out_s"] == 0.1 and now["recipe"]["fade_in_s"] != 0.01


def test_a_command_beside_the_page_never_loses_an_edit(page, library_folder):
    seen = page.get("/api/clips/bell").json()["revision"]
    with Library(library_folder) as library:
        clips_work.edit(library, "bell", {"level_offset_lu": -3.0})
    assert page.post("/api/clips/bell/edit", json={"seen": seen, "tags": ["+x"]}).status_code == 409
    assert page.post("/api/clips/bell/undo", json={"seen": seen}).status_code == 409
    with Library(library_folder) as library:
        clips_work.edit(library, "bell", {}, new_name="big-bell")
    gone = page.post("/api/clips/bell/edit", json={"seen": seen, "tags": ["+x"]})
    assert gone.status_code == 409 and "renamed or removed" in gone.json()["error"]


def test_undo_goes_one_edit_back(page):
    page.post("/api/clips/horn/edit", json={"changes": {"fade_out_s": 0.2}})
    page.post("/api/clips/horn/edit", json={"changes": {"fade_out_s": 0.3}})
    assert page.post("/api/clips/horn/undo", json={}).json()["recipe"]["fade_out_s"] == 0.2


def test_a_trim_past_the_end_is_refused_with_a_sentence(page):
    answer = page.post("/api/clips/horn/edit", json={"changes": {"start_s": 99.0}})
    assert answer.status_code == 400 and "choose an earlier" in answer.json()["error"]


def test_the_waveform_shows_the_true_extremes(page, library_folder):
    """Against the samples themselves, read by the standard library's wave module."""
    import numpy as np

    with Library(library_folder) as library:
        path = library.original_file(library.clip("horn"))
    with wave.open(str(path)) as file:
        samples = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768
    whole = page.get("/api/clips/horn/wave?columns=40").json()
    assert max(whole["high"]) == pytest.approx(samples.max(), abs=2e-4)
    assert min(whole["low"]) == pytest.approx(samples.min(), abs=2e-4)
    close = page.get("/api/clips/horn/wave?from=0.06&to=0.07&columns=10").json()
    part = samples[int(0.06 * 44100) : round(0.07 * 44100)]
    assert max(close["high"]) == pytest.approx(part.max(), abs=2e-4)
    assert page.get("/api/clips/horn/wave?from=9&to=10").status_code == 400
    assert page.get("/api/clips/horn/wave?columns=0").status_code == 400
    assert page.get("/api/clips/horn/wave?from=x").status_code == 400


def test_a_long_sound_is_drawn_from_kept_extremes(page, library_folder, tmp_path, synth_wav):
    path = synth_wav(tmp_path / "long.wav", 200, 60.0)
    added = wait_for(page, page.post("/api/add", json={"paths": [str(path)]}).json())
    name = added["result"]["added"][0]["clip"]
    first = page.get(f"/api/clips/{name}/wave?columns=500").json()
    assert len(first["low"]) == 500 and list((library_folder / "kept").glob("*.wave.npy"))
    assert page.get(f"/api/clips/{name}/wave?columns=500").json() == first


def test_what_is_heard_is_what_the_card_would_hold(page):
    levels = page.get("/api/clips/horn/levels?show=jetty-night").json()
    assert levels["target_lufs"] == -16
    assert levels["loudness_lufs"] + levels["short_lu"] == pytest.approx(-16, abs=0.1)
    assert levels["true_peak_dbtp"] <= -0.95
    sound = page.get("/api/clips/horn/sound.wav?show=jetty-night")
    with wave.open(io.BytesIO(sound.content)) as file:
        assert (file.getframerate(), file.getsampwidth()) == (44100, 2)
        assert file.getnframes() == levels["frames"]


def test_a_pad_is_heard_in_the_format_of_its_own_device(page, library_folder):
    """quay-twin: the port table plays 24 bits at 48 kHz and more, the starboard table 16 bits at 44.1 or 22.05 kHz."""
    from padbank.domain import Layout, Place

    text = 'name = "two"\nrig = "quay-twin"\nrights = "any"\n\n[[segments]]\nname = "all"\nwants = [{ clip = "horn", hits = 1 }]\n'
    (library_folder / "shows" / "two.toml").write_text(text, encoding="utf-8")
    places = (
        Place(bank=1, pad_id="port/3", clip="horn", channels=1, sample_rate_hz=48000),
        Place(bank=2, pad_id="star/2", clip="horn", channels=1, sample_rate_hz=22050),
    )
    with Library(library_folder) as library, library.catalogue.atomic():
        library.catalogue.add_layout(Layout(show="two", rig="quay-twin", places=places, controls=()), {"by": "hand"})
    heard = {}
    for spot in ("&bank=1&pad=port/3", "&bank=2&pad=star/2", "&bank=1&pad=star/1", ""):
        with wave.open(io.BytesIO(page.get(f"/api/clips/horn/sound.wav?show=two{spot}").content)) as file:
            heard[spot] = (file.getframerate(), file.getsampwidth() * 8)
    assert heard == {
        "&bank=1&pad=port/3": (48000, 24),
        "&bank=2&pad=star/2": (22050, 16),
        "&bank=1&pad=star/1": (44100, 16),  # not there in the layout: as that pad would take it
        "": (48000, 24),  # where the layout has it first
    }
    levels = page.get("/api/clips/horn/levels?show=two&bank=2&pad=star/2").json()
    assert (levels["device"], levels["pad"], levels["bits"]) == ("starboard", "star/2", 16)
    assert page.get("/api/clips/horn/levels?show=two&bank=1&pad=nowhere/9").status_code == 400
    assert page.get("/api/clips/horn/levels?show=two&bank=x&pad=star/2").status_code == 400


# ---------------------------------------------------------------- adding


def test_dropped_files_are_added_and_bad_ones_refused_with_a_reason(page, library_folder, tmp_path, synth_wav):
    good = synth_wav(tmp_path / "whistle.wav", 800, 0.5).read_bytes()
    drop = page.post("/api/drops").json()["drop"]
    page.put(f"/api/drop/{drop}/0?name=Whistle%20(2).wav", content=good)
    page.put(f"/api/drop/{drop}/1?name=words.wav", content=b"these are words, not sound")
    job = wait_for(page, page.post(f"/api/drops/{drop}/add", json={"tags": ["joke"], "licence": "CC0-1.0"}).json())
    assert job["state"] == "done"
    assert [a["clip"] for a in job["result"]["added"]] == ["whistle-2"]
    assert [r["path"] for r in job["result"]["refused"]] == ["words.wav"] and job["result"]["refused"][0]["reason"]
    clip = page.get("/api/clips/whistle-2").json()
    assert clip["tags"] == ["joke"] and clip["licence"] == "CC0-1.0"
    assert not any((library_folder / "dropped").iterdir())
    assert page.post(f"/api/drops/{drop}/add", json={}).status_code == 400


def test_dropped_files_go_by_their_names_where_the_library_was_named_from_the_folder_it_lies_in(library_folder, synth_wav, tmp_path, monkeypatch):
    monkeypatch.chdir(library_folder.parent)
    whistle = synth_wav(tmp_path / "whistle.wav", 800, 0.5).read_bytes()
    with TestClient(create_app(Path(library_folder.name), port=8808), base_url=HERE, headers=OWN) as page:
        drop = page.post("/api/drops").json()["drop"]
        for number, (name, content) in enumerate((("Whistle.wav", whistle), ("Twin.wav", whistle), ("words.wav", b"words"))):
            page.put(f"/api/drop/{drop}/{number}?name={name}", content=content)
        result = wait_for(page, page.post(f"/api/drops/{drop}/add", json={}).json())["result"]
    assert [a["path"] for a in result["added"]] == ["Whistle.wav"] and [r["path"] for r in result["refused"]] == ["words.wav"]
    assert result["already"] == [{"path": "Twin.wav", "clip": "whistle", "same_as": "Whistle.wav"}]
    with Library(library_folder) as library:
        assert [r.came_from for r in clips_work.find(library, ["twin"])] == ["Whistle.wav Twin.wav"]  # no folder of the page's own
        assert not clips_work.find(library, ["00000"])


def test_paths_to_add_must_be_whole_and_there(page, tmp_path):
    assert page.post("/api/add", json={"paths": ["relative/x.wav"]}).status_code == 400
    assert page.post("/api/add", json={"paths": [str(tmp_path / "nothing")]}).status_code == 400
    assert page.post("/api/add", json={"paths": []}).status_code == 400


# ---------------------------------------------------------------- shows


def test_typed_words_become_wants_and_comments_stay(page, library_folder):
    path = library_folder / "shows" / "jetty-night.toml"
    path.write_text(path.read_text() + "\n# remember the lantern\n")
    seen = page.get("/api/shows/jetty-night").json()

    def edit(**what):
        nonlocal seen
        answer = page.post("/api/shows/jetty-night/edit", json={"seen": seen["revision"], "edit": what})
        assert answer.status_code == 200, answer.json()
        seen = answer.json()
        return {s["name"]: s for s in seen["show"]["segments"]}

    wants = edit(do="add want", segment="closing", words="knock x12 must")["closing"]["wants"]
    assert (wants[-1]["clip"], wants[-1]["hits"], wants[-1]["must"]) == ("knock", 12, True)
    wants = edit(do="add want", segment="closing", words="2 laugh")["closing"]["wants"]
    assert (wants[-1]["tag"], wants[-1]["count"]) == ("laugh", 2)
    assert edit(do="set want", segment="closing", index=0, changes={"hits": 9})["closing"]["wants"][0]["hits"] == 9
    assert len(edit(do="remove want", segment="closing", index=1)["closing"]["wants"]) == 3
    assert "encore" in edit(do="add segment", segment="encore", title="Encore")
    assert list(edit(do="move segment", segment="encore", by=-1)) == ["opening", "encore", "closing"]
    edit(do="level", key="target_lufs", value=-18)
    assert seen["show"]["target_lufs"] == -18
    edit(do="set", key="like", value="jetty-night")
    assert "# remember the lantern" in path.read_text()
    answer = page.post("/api/shows/jetty-night/edit", json={"edit": {"do": "add want", "segment": "closing", "words": "lagh"}})
    assert answer.status_code == 400 and "laugh" in answer.json()["error"]


def test_a_show_edited_in_an_editor_is_not_overwritten(page, library_folder):
    seen = page.get("/api/shows/jetty-night").json()["revision"]
    path = library_folder / "shows" / "jetty-night.toml"
    path.write_text(path.read_text().replace("hits = 4", "hits = 5"))
    answer = page.post("/api/shows/jetty-night/edit", json={"seen": seen, "edit": {"do": "level", "key": "target_lufs", "value": -20}})
    assert answer.status_code == 409 and "changed elsewhere" in answer.json()["error"]
    assert "hits = 5" in path.read_text()


def test_what_is_missing_is_said(page):
    page.post("/api/shows/jetty-night/edit", json={"edit": {"do": "set want", "segment": "opening", "index": 1, "changes": {"count": 3}}})
    page.post("/api/clips/bell/edit", json={"licence": "NONE"})
    missing = page.get("/api/shows/jetty-night").json()["missing"]
    assert ["opening", 1, "2 of 3 there"] in missing
    assert ["closing", 0, "rights are not cleared"] in missing


def test_a_new_show_begins_like_an_older_one(page):
    assert page.post("/api/shows", json={"name": "spring-jetty", "like": "jetty-night"}).json() == {"name": "spring-jetty"}
    assert page.post("/api/shows", json={"name": "spring-jetty", "like": "jetty-night"}).status_code == 400
    assert page.post("/api/shows", json={"name": "../x", "rig": "plank"}).status_code == 400
    assert [s["name"] for s in page.get("/api/shows").json()["shows"]] == ["jetty-night", "spring-jetty"]


# ---------------------------------------------------------------- layouts


def plan(page) -> dict:
    job = wait_for(page, page.post("/api/layouts/jetty-night/plan", json={"seconds": 20}).json())
    assert job["state"] == "done", job
    return job["result"]


def test_a_plan_runs_in_the_background_and_says_how_good_it_is(page):
    result = plan(page)
    assert result["status"] == "proved" and result["number"] == 1
    job = page.app.state.desk.jobs
    notes = next(j.notes for j in job._jobs.values() if j.kind == "planning")
    assert notes["objective"] == pytest.approx(result["objective"]) and notes["gap"] < 1e-3
    board = page.get("/api/layouts/jetty-night").json()
    assert {p["clip"] for p in board["places"]} == {"horn", "laugh-high", "laugh-low", "bell", "sweep"}
    assert board["weighed"]["objective"] == pytest.approx(result["objective"])
    assert {m["what"] for m in board["weighed"]["meters"]} >= {"memory", "voices", "bank memory"}


def test_arranging_by_hand_changes_every_term_and_numbers_each_step(page):
    plan(page)
    board = page.get("/api/layouts/jetty-night").json()
    horn = next(p for p in board["places"] if p["clip"] == "horn")
    other = next(p for p in board["places"] if p["bank"] == horn["bank"] and p["clip"] != "horn")
    swap = {"do": "move", "bank": horn["bank"], "pad": horn["pad"], "to_bank": other["bank"], "to_pad": other["pad"]}
    tried = page.post("/api/layouts/jetty-night/try", json={"step": swap}).json()["weighed"]
    assert page.get("/api/layouts/jetty-night").json()["number"] == 1  # only tried
    done = page.post("/api/layouts/jetty-night/step", json={"seen": 1, "step": swap}).json()
    assert done["number"] == 2 and done["result"]["by"] == "hand"
    assert done["weighed"]["objective"] == pytest.approx(tried["objective"])
    where = {p["clip"]: (p["bank"], p["pad"]) for p in done["places"]}
    assert where["horn"] == (other["bank"], other["pad"]) and where[other["clip"]] == (horn["bank"], horn["pad"])
    assert not any(p["moved"] for p in done["places"])  # the hands know no earlier layout
    late = page.post("/api/layouts/jetty-night/step", json={"seen": 1, "step": swap})
    assert late.status_code == 409 and "layout 2" in late.json()["error"]
    back = page.post("/api/layouts/jetty-night/step", json={"seen": 2, "step": {"do": "put back", "number": 1}}).json()
    assert {(p["clip"], p["bank"], p["pad"]) for p in back["places"]} == {(p["clip"], p["bank"], p["pad"]) for p in board["places"]}


def test_clearing_a_must_is_a_finding_and_a_control_hit_keeps_its_pad(page):
    plan(page)
    board = page.get("/api/layouts/jetty-night").json()
    horn = next(p for p in board["places"] if p["clip"] == "horn")
    answer = page.post("/api/layouts/jetty-night/step", json={"seen": 1, "step": {"do": "put", "clip": "horn", "bank": 1, "pad": "floor/5"}})
    assert answer.status_code == 400 and "Lantern" in answer.json()["error"]
    cleared = page.post("/api/layouts/jetty-night/step", json={"seen": 1, "step": {"do": "clear", "bank": horn["bank"], "pad": horn["pad"]}}).json()
    assert "must-missing" in {f["code"] for f in cleared["weighed"]["findings"]}
    assert "horn" in cleared["unplaced"]
    for step in ({"do": "put", "clip": "horn", "bank": 9, "pad": "plank/1"}, {"do": "put", "clip": "nobody", "bank": 1, "pad": "plank/1"}, {"do": "fly"}, {}):
        assert page.post("/api/layouts/jetty-night/step", json={"seen": 2, "step": step}).status_code == 400


def test_a_pin_is_a_line_in_the_shows_file(page, library_folder):
    plan(page)
    board = page.get("/api/layouts/jetty-night").json()
    horn = next(p for p in board["places"] if p["clip"] == "horn")
    pinned = page.post("/api/layouts/jetty-night/pin", json={"on": True, "clip": "horn", "pad": horn["pad"], "bank": None, "seen": board["revision"]}).json()
    assert next(p for p in pinned["places"] if p["clip"] == "horn")["pinned"]
    assert "[[pins]]" in (library_folder / "shows" / "jetty-night.toml").read_text()
    assert page.post("/api/layouts/jetty-night/pin", json={"on": False, "clip": "horn", "seen": board["revision"]}).status_code == 409
    free = page.post("/api/layouts/jetty-night/pin", json={"on": False, "clip": "horn", "seen": pinned["revision"]}).json()
    assert not any(p["pinned"] for p in free["places"])


def test_a_pin_whose_clip_or_pad_is_gone_is_a_finding_and_the_rest_can_be_arranged(page, library_folder):
    plan(page)
    where = {p["clip"]: (p["bank"], p["pad"]) for p in page.get("/api/layouts/jetty-night").json()["places"]}
    page.post("/api/layouts/jetty-night/pin", json={"on": True, "clip": "horn", "pad": where["horn"][1], "bank": None})
    page.post("/api/layouts/jetty-night/pin", json={"on": True, "clip": "bell", "pad": "plank/4", "bank": 2})
    page.post("/api/clips/many", json={"what": "remove", "names": ["horn"]})
    rig = library_folder / "rigs" / "plank.toml"
    rig.write_text(rig.read_text().replace("rows = 2, columns = 2", "rows = 1, columns = 3"))
    board = page.get("/api/layouts/jetty-night").json()
    lost = [f["text"] for f in board["weighed"]["findings"] if f["code"] == "pin-lost"]
    assert len(lost) == 2
    assert lost[0] == f"horn is pinned to {where['horn'][1]}, and it is not in the library: bring it back in Clips, or take the pin out of the show's file"
    assert lost[1] == "bell is pinned to plank/4 of bank 2, and rig plank has no such pad: name another in the show's file, or take the pin out"
    step = {"do": "move", "bank": where["bell"][0], "pad": where["bell"][1], "to_bank": 1, "to_pad": "plank/3"}
    assert page.post("/api/layouts/jetty-night/step", json={"seen": 1, "step": step}).status_code == 200
    again = page.post("/api/layouts/jetty-night/pin", json={"on": False, "clip": "bell"}).json()
    assert [f["where"] for f in again["weighed"]["findings"] if f["code"] == "pin-lost"] == ["pin horn"]
    refused = page.post("/api/export/jetty-night/look", json={"folder": str(library_folder.parent / "card")})
    assert refused.status_code == 400 and "bring it back" in refused.json()["error"]


def test_why_names_the_next_best_pads(page):
    plan(page)
    horn = next(p for p in page.get("/api/layouts/jetty-night").json()["places"] if p["clip"] == "horn")
    why = page.get("/api/layouts/jetty-night/why", params={"bank": horn["bank"], "pad": horn["pad"]}).json()
    assert why["clip"] == "horn" and why["hits"] == 4
    assert all(e["change_s"] >= -1e-9 for e in why["elsewhere"])  # the plan was proved the best


# ---------------------------------------------------------------- jobs and the stage


def test_a_job_can_be_stopped_and_the_same_work_is_not_started_twice():
    board = JobBoard()

    def work(job):
        while not job.should_stop():
            job.progress(1, 2, "half")
            time.sleep(0.005)
        return "best so far"

    job = board.start("planning", "x", work)
    with pytest.raises(InputError, match="running already"):
        board.start("planning", "x", work)
    job.stop()
    deadline = time.monotonic() + 5
    while job.state == "running" and time.monotonic() < deadline:
        time.sleep(0.01)
    assert (job.state, job.result) == ("stopped", "best so far")


def test_work_that_cannot_ask_is_stopped_by_its_progress():
    board = JobBoard()

    def work(job):
        for i in range(10_000):
            job.progress(i, 10_000, "")
            time.sleep(0.002)

    job = board.start("adding", "y", work, stop_raises=True)
    job.stop()
    deadline = time.monotonic() + 5
    while job.state == "running" and time.monotonic() < deadline:
        time.sleep(0.01)
    assert job.state == "stopped"


def test_hits_reach_the_other_screens(page):
    with page.websocket_connect("ws://127.0.0.1:8808/ws/stage") as tablet, page.websocket_connect("ws://127.0.0.1:8808/ws/desk") as desk:
        tablet.receive_json(), desk.receive_json()
        desk.send_json({"kind": "show", "show": "jetty-night"})
        assert tablet.receive_json()["stage"]["show"] == "jetty-night"
        desk.receive_json()
        desk.send_json({"kind": "hit", "pad": "plank/2", "bank": 1, "velocity": 101})
        assert tablet.receive_json() == {"kind": "hit", "pad": "plank/2", "bank": 1, "velocity": 101}
        for bad in ("no json", "[1]", '{"kind": "hit", "pad": 7}', '{"kind": "bank", "bank": 0}', '{"kind": "else"}'):
            desk.send_text(bad)
            assert desk.receive_json()["kind"] == "refused"


def test_the_stage_gets_names_and_nothing_else(page):
    plan(page)
    view = page.get("/api/stage/banks?show=jetty-night").json()
    assert view["title"] == "Jetty night (invented)" and len(view["banks"]) == 2
    assert "source" not in page.get("/api/stage/banks?show=jetty-night").text
    assert page.get("/api/stage/banks").json() == {"show": None}


def test_each_pad_tells_what_it_takes_of_each_clip(page):
    """The pedal of the small rig takes 0.85 s; its module stores 16 bits in mono or stereo at 44.1 kHz."""
    board = page.get("/api/layouts/jetty-night").json()
    plank, floor = board["pad_classes"]
    assert plank["pads"] == ["plank/1", "plank/2", "plank/3", "plank/4"] and plank["max_clip_s"] is None
    assert floor["pads"] == ["floor/5"] and floor["max_clip_s"] == 0.85
    for name, facts in board["clips"].items():
        on_plank, on_floor = board["takes"][name]
        assert on_plank["refused"] is None
        assert on_plank["n_bytes"] == pytest.approx(facts["duration_s"] * 44100 * 2, abs=4)
        assert (on_floor["refused"] is None) == (facts["duration_s"] <= 0.85)
    assert board["takes"]["horn"][1]["refused"] is None and board["takes"]["sweep"][1]["refused"]


def test_wishes_of_a_layout_nobody_planned_are_not_said_to_be_too_dear(page):
    board = page.get("/api/layouts/jetty-night").json()
    assert {x["reason"] for x in board["weighed"]["left_out"]} == {"nothing is laid out yet: plan, or put it on a pad"}
    text = page.get("/api/layouts/jetty-night/why?clip=sweep").json()["text"]
    assert text.startswith("sweep is under no pad: nothing is laid out yet.") and "cheapest place" in text
    step = {"do": "put", "clip": "horn", "bank": 1, "pad": "plank/1"}
    board = page.post("/api/layouts/jetty-night/step", json={"seen": 0, "step": step}).json()
    assert {x["reason"] for x in board["weighed"]["left_out"]} == {"it is under no pad of this layout: put it on one, or plan"}
    assert "pad_classes" not in board  # told once, with the whole layout


def test_going_on_planning_begins_with_the_best_so_far(library_folder):
    """A planner that is stopped at once keeps what it began with, and the hands know what they knew before it."""
    from padbank.workflow.arrange import apply_step, keep_step, read_board
    from padbank.workflow.plan import plan

    with Library(library_folder) as library:
        first = plan(library, "jetty-night")
        again = plan(library, "jetty-night", go_on=True, should_stop=lambda: True)
        assert again.result.objective <= first.result.objective + 1e-9
        assert {p.clip for p in again.layout.places} == {p.clip for p in first.layout.places} and not again.moved
        # After a step by hand, the steps and what they cost are weighed against the same known layout as the plan.
        board = read_board(library, "jetty-night")
        assert board.known is None
        horn = next(p for p in board.layout.places if p.clip == "horn")
        free = next(p.pad_id for p in board.rig.pads if not any((q.bank, q.pad_id) == (horn.bank, p.pad_id) for q in board.layout.places)
                    and p.pad_id not in board.rig.controls_in(horn.bank))  # fmt: skip
        step = {"do": "move", "bank": horn.bank, "pad": horn.pad_id, "to_bank": horn.bank, "to_pad": free}
        keep_step(library, board, board.layout.number, apply_step(board, step))
        better = plan(library, "jetty-night", go_on=True)
        assert better.result.status == "proved" and better.result.objective <= first.result.objective + 1e-9
        assert read_board(library, "jetty-night").known is None


def test_a_clip_whose_rights_a_show_takes_on_does_not_spoil_the_proof(page, library_folder, tmp_path):
    """The page's checklist and that of ``padbank ready`` are one."""
    with Library(library_folder) as library:
        clips_work.edit(library, "horn", {}, licence="NONE")
        path = library.shows / "jetty-night.toml"
        path.write_text(path.read_text(encoding="utf-8").replace('rights = "cleared"', 'rights = "any"'), encoding="utf-8")
    plan(page)
    job = page.post("/api/export/jetty-night/write", json={"folder": str(tmp_path / "card"), "accept": []}).json()
    proof = wait_for(page, job)["result"]
    lines = {c["text"]: c for c in proof["checks"]}
    assert lines["for rights not stated, the show says that you answer"]["ok"] and proof["ok"], proof["checks"]
    assert any("1 clip has no licence stated" in line for line in proof["to_do"])
    assert proof["checks"][0]["text"] == "every must is under a pad"


def test_a_look_says_before_any_byte_that_the_card_is_too_small_or_not_there(page, library_folder, tmp_path, monkeypatch):
    from padbank.workflow import export_look

    plan(page)
    look = "/api/export/jetty-night/look"
    assert page.post(look, json={"folder": str(tmp_path / "card")}).json()["no_room"] == ""
    gone = page.post(look, json={"folder": str(tmp_path / "no reader" / "card")})
    assert gone.status_code >= 400 and "is the card in" in gone.json()["error"]
    inside = page.post(look, json={"folder": str(library_folder / "sets")})
    assert inside.status_code >= 400 and "lies in the library" in inside.json()["error"]
    monkeypatch.setattr(export_look, "_free", lambda folder: 1000)
    assert "1.0 kB are free" in page.post(look, json={"folder": str(tmp_path / "card")}).json()["no_room"]


def test_the_sheets_letters_are_served_and_nothing_beside_them(page):
    for weight in ("bold", "plain"):
        got = page.get(f"/static/face/{weight}.ttf")
        assert got.status_code == 200 and got.headers["content-type"] == "font/ttf"
        assert got.content[:4] == b"\x00\x01\x00\x00"  # ISO/IEC 14496-22: TrueType outlines
    for other in ("thin", "..", "%2e%2e%2fbold", "bold.ttf/..%2f"):
        assert page.get(f"/static/face/{other}.ttf").status_code == 404


def test_work_that_the_catalogue_did_not_answer_says_what_to_do():
    def work(job):
        raise sqlite3.OperationalError("database is locked")

    job = JobBoard(lambda job: None).start("adding", "clips", work)
    end = time.monotonic() + 10
    while job.state == "running":
        assert time.monotonic() < end
        time.sleep(0.01)
    assert job.error == "the library's catalogue did not answer (database is locked): wait until other commands are done, then try again"
