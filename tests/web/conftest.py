"""A small library for the page's tests: a rig of five pads in two banks, a show, eight synthesised clips."""

from __future__ import annotations

import os
import shutil
import socket
import threading
import wave
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from padbank.store.library import Library
from padbank.workflow.add import add
from padbank.workflow.clips import change_tags

RIG = """
name = "plank"
title = "Four pads on a plank and a pedal (invented)"
banks = 2

[[devices]]
name = "module"
memory = "4 MB"
voices = 16
sample_rates_hz = [44100]
same_pad_again = "self-cut"

[[surfaces]]
name = "plank"
channel = 10
grid = { rows = 2, columns = 2, w_mm = 100, h_mm = 90, pitch_x_mm = 112, pitch_y_mm = 102, x_mm = 60, y_mm = 55, first_note = 36 }

[[surfaces]]
name = "floor"
limb = "foot"
channel = 10
max_clip_s = 0.85
pads = [ { number = 5, x_mm = 116, y_mm = 480, w_mm = 110, h_mm = 80, note = 50 } ]

[[controls]]
label = "Lantern"
pad = "floor/5"
banks = [1]
"""

SHOW = """
name = "jetty-night"
title = "Jetty night (invented)"
rig = "plank"
rights = "cleared"

[[segments]]
name = "opening"
title = "Opening"
wants = [
    { clip = "horn", hits = 4, must = true },
    { tag = "laugh", count = 2, hits = 3 },
]

[[segments]]
name = "closing"
title = "Closing"
wants = [
    { clip = "bell", hits = 6, must = true },
    { clip = "sweep", hits = 2 },
]
"""


def write_sound(path: Path, frequency_hz: float, length_s: float, *, level: float = 0.4, rate_hz: int = 44100) -> Path:
    """A decaying tone with 50 ms of silence before it, as a 16-bit WAV."""
    time_s = np.arange(int(length_s * rate_hz)) / rate_hz
    tone = level * np.sin(2 * np.pi * frequency_hz * time_s) * np.exp(-time_s * 3 / length_s)
    samples = np.concatenate([np.zeros(int(0.05 * rate_hz)), tone])
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes((samples * 32767).astype("<i2").tobytes())
    return path


CLIPS = {"horn": 220, "laugh-high": 660, "laugh-low": 330, "bell": 990, "sweep": 440, "knock": 150, "buzz": 120, "ping": 1500}


@pytest.fixture(scope="session")
def _made_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    sounds = folder / "sounds"
    sounds.mkdir()
    for index, (name, frequency_hz) in enumerate(CLIPS.items()):
        write_sound(sounds / f"{name}.wav", frequency_hz, 0.6 + 0.1 * index)
    with Library(folder / "library") as library:
        (library.rigs / "plank.toml").write_text(RIG, encoding="utf-8")
        (library.shows / "jetty-night.toml").write_text(SHOW, encoding="utf-8")
        report = add(library, [sounds], licence="CC0-1.0", workers=1)
        assert not report.refused
        change_tags(library, ["laugh-high", "laugh-low"], ["+laugh"])
    return folder / "library"


@pytest.fixture
def library_folder(_made_library: Path, tmp_path: Path) -> Iterator[Path]:
    """A fresh copy of the small library."""
    yield Path(shutil.copytree(_made_library, tmp_path / "library"))


@pytest.fixture(scope="session")
def synth_wav() -> Callable[..., Path]:
    """``synth_wav(path, frequency_hz, length_s)`` writes a WAV like those of the library."""
    return write_sound


# ---------------------------------------------------------------- a real browser


WAIT_MS = 20_000
"""How long a page may take for anything; a busy computer takes its time."""


def chromium_path() -> str | None:
    names = ("chromium", "chromium-browser", "google-chrome")
    return os.environ.get("PADBANK_CHROMIUM") or next(filter(None, map(shutil.which, names)), None)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    """A running Chromium; tests that ask for it skip where there is none.

    One for each module: only one Playwright can run in a thread at a time.
    """
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: pip install 'padbank[test]'")
    sync_api.expect.set_options(timeout=WAIT_MS)
    path = chromium_path()
    if path is None:
        pytest.skip("Chromium is not installed: apt-get install chromium, or set PADBANK_CHROMIUM")
    flags = ["--no-sandbox", "--disable-background-networking", "--disable-component-update", "--autoplay-policy=user-gesture-required"]
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=flags)
        yield browser
        browser.close()


@dataclass
class Served:
    """A running page server on a copy of the small library."""

    address: str
    folder: Path
    server: Any


def free_port() -> int:
    """A port of its own for each server, so that one that is started anew finds it free beside other tests."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(name="free_port")
def _free_port() -> int:
    return free_port()


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    """``serve(folder, port=None)``: a server on a thread, whose first request can come when it returns."""
    from padbank.web.server import PageServer

    running: list[tuple[Any, threading.Thread]] = []

    def begin(folder: Path, port: int | None = None) -> Served:
        page, started = PageServer(folder, port=port or free_port()), threading.Event()
        thread = threading.Thread(target=page.run, args=(started.set,), daemon=True)
        thread.start()
        running.append((page, thread))
        assert started.wait(20), "the server did not start"
        return Served(page.address, folder, page)

    yield begin
    for page, thread in running:
        page.stop()
        thread.join(10)
        assert not thread.is_alive(), "the server did not stop"


@pytest.fixture
def served(library_folder: Path, serve: Callable[..., Served]) -> Served:
    return serve(library_folder)


class Tab:
    """One page in the browser, with its complaints."""

    def __init__(self, page: Any, address: str) -> None:
        self.page, self.address = page, address
        self.complaints: list[str] = []
        self.forgiven: tuple[str, ...] = ()
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", lambda m: self.complaints.append(m.text) if m.type == "error" else None)

    def forgive(self, *words: str) -> None:
        """Complaints with one of these words are what the test asked for, whenever they come."""
        self.forgiven += words

    def open(self, place: str) -> Any:
        """Go to a place of the desk and wait until it is drawn."""
        self.page.goto(f"{self.address}/{place}")
        self.page.locator(f"main[data-ready={place.split('/')[0]}]").wait_for()
        return self.page


@pytest.fixture
def tab(chromium: Any, served: Served) -> Iterator[Callable[..., Tab]]:
    """``tab(width, height, **context)`` opens a page; at the end none may have complained."""
    made: list[tuple[Any, Tab]] = []

    def make(width: int = 1280, height: int = 800, **more: Any) -> Tab:
        context = chromium.new_context(viewport={"width": width, "height": height}, **more)
        context.set_default_timeout(WAIT_MS)
        one = Tab(context.new_page(), served.address)
        made.append((context, one))
        return one

    yield make
    complaints = [c for _, one in made for c in one.complaints if not any(word in c for word in one.forgiven)]
    for context, _ in made:
        context.close()
    assert not complaints, complaints
