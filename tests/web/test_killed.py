"""Stopped in the middle: by the person, and by kill -9 of the server. What does the page show, and does it go on?"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from padbank.errors import CardError
from padbank.store.library import Library
from padbank.workflow.export import export
from padbank.workflow.plan import plan

expect = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install 'padbank[test]'").expect

SHOW = "jetty-night"

SERVER = """
import sys, time
from pathlib import Path
from padbank.web import drop_routes, export_routes, layout_routes
from padbank.web.server import PageServer

slow, folder, port = sys.argv[1:]

def wait(*args, **kwargs):
    while True:
        time.sleep(0.1)

def endless_plan(library, show, *, progress, **more):
    progress(1, 5, "bank by bank")
    wait()

def endless_export(library, show, folder, *, progress, real=export_routes.export, **more):
    def careful(done, total, label):
        progress(done, total, label)
        if label.startswith("write") and done == 2:
            wait()
    return real(library, show, folder, progress=careful, **more)

if slow == "plan":
    layout_routes.plan = endless_plan
elif slow == "export":
    export_routes.export = endless_export
elif slow == "add":
    drop_routes._add = wait
server = PageServer(Path(folder), port=int(port))
server.run(lambda: print(server.port, flush=True))
"""


class Killable:
    """A real server process that is slow at one thing, and can be killed and started again at its port."""

    def __init__(self, folder: Path, port: int) -> None:
        self.folder, self.port = folder, port
        self.process: subprocess.Popen[str] | None = None

    def start(self, slow: str = "") -> None:
        command = [sys.executable, "-c", SERVER, slow, str(self.folder), str(self.port)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env={**os.environ, "OPENBLAS_NUM_THREADS": "1"})
        assert self.process.stdout is not None
        assert int(self.process.stdout.readline()) == self.port

    def kill(self) -> None:
        assert self.process is not None
        self.process.kill()
        self.process.communicate()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"


@pytest.fixture
def killable(library_folder, free_port):
    with Library(library_folder) as library:
        plan(library, SHOW)
    server = Killable(library_folder, free_port)
    yield server
    server.kill()


def drop(page, name: str, data: bytes) -> None:
    page.locator("#files").set_input_files({"name": name, "mimeType": "audio/wav", "buffer": data})


ENDED = re.compile("that work ended when padbank was stopped: look at what is there, then begin it again")


def test_a_server_killed_in_the_middle_of_anything_is_told_of_and_everything_goes_on(chromium, killable, tmp_path, synth_wav):
    card = tmp_path / "card"
    killable.start("plan")
    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    context.set_default_timeout(20_000)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    lost = page.get_by_text("padbank does not answer.")

    page.goto(f"{killable.address}/layout/{SHOW}")
    page.get_by_role("button", name="Plan", exact=True).click()
    page.get_by_text("bank by bank").wait_for()
    killable.kill()
    lost.wait_for()
    killable.start("export")
    page.get_by_role("alert").get_by_text(ENDED).wait_for()
    expect(page.get_by_role("button", name="Plan", exact=True)).to_be_enabled()
    page.get_by_text(re.compile("layout 1, planned")).wait_for()

    page.goto(f"{killable.address}/export/{SHOW}")
    page.get_by_label("Write the set into").fill(str(card))
    page.get_by_role("button", name="See what would change").click()
    page.get_by_text("To be written: 5 files").wait_for()
    page.get_by_role("button", name="Write the set").click()
    page.get_by_role("region", name="Writing").get_by_text(re.compile("write ")).wait_for()
    killable.kill()
    lost.wait_for()
    assert list(card.rglob("*.wav")) and not list((card / SHOW).rglob("*.wav"))  # pieces beside, no set
    killable.start("add")
    page.get_by_role("alert").get_by_text(ENDED).wait_for()
    page.get_by_text("To be written: 5 files").wait_for()
    page.get_by_role("button", name="Write the set").click()
    page.get_by_role("heading", name="Proved: the set is as planned").wait_for()
    assert len(list(card.rglob("*.wav"))) == 5  # the pieces are gone

    page.goto(f"{killable.address}/clips")
    sound = synth_wav(tmp_path / "whistle.wav", 700, 0.5).read_bytes()
    page.get_by_text("8 clips", exact=True).wait_for()
    drop(page, "whistle.wav", sound)
    page.get_by_role("region", name="Adding files").get_by_text("Adding").wait_for()
    killable.kill()
    lost.wait_for()
    assert list((killable.folder / "dropped").rglob("whistle.wav"))
    killable.start()
    page.get_by_role("alert").get_by_text(ENDED).wait_for()
    assert not list((killable.folder / "dropped").rglob("whistle.wav"))
    page.get_by_text("8 clips", exact=True).wait_for()
    drop(page, "whistle.wav", sound)
    page.get_by_text("1 added, 0 already there, 0 refused.").first.wait_for()
    page.get_by_text("9 clips", exact=True).wait_for()
    context.close()
    assert not faults


def test_a_drop_is_stopped_while_it_is_fetched_and_begun_again(tab, served, tmp_path, synth_wav):
    sound = synth_wav(tmp_path / "whistle.wav", 700, 0.5).read_bytes()
    one = tab()
    page = one.open("clips")
    page.route("**/api/drop/**", lambda route: None)  # on its way for ever
    drop(page, "whistle.wav", sound)
    panel = page.get_by_role("region", name="Adding files")
    panel.get_by_text("Fetching 1 file").wait_for()
    panel.get_by_role("button", name="Stop").click()
    panel.get_by_text("Stopped. Nothing was added.").wait_for()
    assert [p.suffix for p in (served.folder / "dropped").iterdir()] == [".held"]
    page.unroute("**/api/drop/**")
    drop(page, "whistle.wav", sound)
    page.get_by_text("1 added, 0 already there, 0 refused.").first.wait_for()
    one.forgive("ERR_")


@pytest.mark.parametrize("at", ["render", "write", "swap in"])
def test_an_export_that_is_stopped_leaves_the_old_set_whole_and_no_pieces(library_folder, tmp_path, at):
    class Stop(Exception):
        pass

    def stop(done, total, label):
        if label.startswith(at):
            raise Stop

    with Library(library_folder) as library:
        plan(library, SHOW)
        first = export(library, SHOW, tmp_path / "card")
        before = {p: p.read_bytes() for p in (tmp_path / "card").rglob("*") if p.is_file()}
        show = library.shows / f"{SHOW}.toml"
        show.write_text(show.read_text(encoding="utf-8") + "\n[level]\ntarget_lufs = -20\n", encoding="utf-8")
        with pytest.raises(Stop):
            export(library, SHOW, tmp_path / "card", progress=stop)
        assert {p: p.read_bytes() for p in (tmp_path / "card").rglob("*") if p.is_file()} == before
        again = export(library, SHOW, tmp_path / "card")
        assert len(again.written.written) >= len(first.written.card.files)


def test_two_exports_into_one_folder_wait_their_turn(library_folder, tmp_path):
    """The second is told, not mixed in."""
    inside, go = threading.Event(), threading.Event()

    def hold(done, total, label):
        if label == "swap in":
            inside.set()
            assert go.wait(20)

    def first():
        with Library(library_folder) as library:
            export(library, SHOW, tmp_path / "card", progress=hold)

    with Library(library_folder) as library:
        plan(library, SHOW)
        thread = threading.Thread(target=first)
        thread.start()
        assert inside.wait(20)
        with pytest.raises(CardError, match="another padbank is writing there: wait until it is done"):
            export(library, SHOW, tmp_path / "card")
        go.set()
        thread.join(20)
        assert len(list((tmp_path / "card").rglob("*.wav"))) == 5
