"""``padbank bench page``: how quick the page is, in a running Chromium, with 20,000 clips.

Measured: the command's start to the first page answered; a visit to Clips until
it is usable; each keystroke of a search, in the page's own work and until the
next frame is drawn; the layout's evaluator behind one step by hand; hit to
start (``bench.hits``); memory of the server and of the page. Needs Playwright
for Python and a Chromium (``PADBANK_CHROMIUM`` names one).

Functions: ``run``, ``bench_page``.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from padbank.bench.add import make_clips
from padbank.bench.hits import bench_hits, hit_lines
from padbank.errors import InputError
from padbank.store.library import Library
from padbank.workflow.add import add
from padbank.workflow.plan import plan

WORDS = ("gull", "anchor", "lantern", "rope", "tide", "quay", "barrel", "mast")
TYPED = ("gull-rope", "lantern 07", "tide", "mast-mast-1", "quay 15 tide")

KEYSTROKE = """async (text) => {
  const box = document.getElementById('search');
  const root = document.querySelector('.place-clips');
  const found = [];
  for (let i = 0; i <= text.length; i += 1) {
    box.value = text.slice(0, i);
    const began = performance.now();
    box.dispatchEvent(new Event('input', { bubbles: true }));
    const work = performance.now() - began;
    await new Promise((resolve) => requestAnimationFrame(() => setTimeout(resolve, 0)));
    found.push([work, performance.now() - began, Number(root.dataset.searchMs)]);
  }
  return found;
}"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PageFigures:
    """Seconds, milliseconds and bytes as named; lists hold every single reading."""

    first_page_s: float
    usable_ms: tuple[float, ...]
    keystroke_ms: tuple[float, ...]
    keystroke_drawn_ms: tuple[float, ...]
    rows_in_page: int
    list_bytes: int
    step_ms: tuple[float, ...]
    server_bytes: int | None
    page_bytes: int | None
    hits: tuple[str, ...]


def chromium_path() -> str:
    names = ("chromium", "chromium-browser", "google-chrome")
    path = os.environ.get("PADBANK_CHROMIUM") or next(filter(None, map(shutil.which, names)), None)
    if path is None:
        raise InputError("no Chromium was found: install one (apt-get install chromium) or name it in PADBANK_CHROMIUM")
    return path


def make_library(folder: Path, rows: int) -> None:
    """A library of 40 sounds under many names, with the shipped rig of eight pads and a show."""
    sounds = make_clips(folder / "sounds", 40)
    with Library(folder / "library") as library:
        add(library, sounds, licence="CC0-1.0", workers=1)
        names = [c.name for c in library.catalogue.clips()]
        wants = "\n".join(f'    {{ clip = "{name}", hits = {2 + i % 7} }},' for i, name in enumerate(names[:24]))
        show = f'name = "bench"\nrig = "crate-eight"\n\n[[segments]]\nname = "opening"\nwants = [\n{wants}\n]\n'
        (library.shows / "bench.toml").write_text(show, encoding="utf-8")
        plan(library, "bench", seconds=5)
    with sqlite3.connect(folder / "library" / "catalogue.db") as db:
        known = db.execute("select c.original, r.recipe from clips c join recipes r on r.clip = c.id order by c.id").fetchall()
        first = db.execute("select max(id) from clips").fetchone()[0] + 1
        clips = [
            (first + i, f"{WORDS[i % 8]}-{WORDS[(i // 8) % 8]}-{i:05d}", known[i % len(known)][0], "CC0-1.0", "2026-01-01")
            for i in range(rows - len(known))
        ]
        db.executemany("insert into clips (id, name, original, recipe_number, licence, added_at) values (?, ?, ?, 1, ?, ?)", clips)
        recipes = [(first + i, known[i % len(known)][1]) for i in range(len(clips))]
        db.executemany("insert into recipes (clip, number, recipe, made_at, why) values (?, 1, ?, '2026-01-01', 'as proposed')", recipes)
        db.executemany("insert into tags (clip, tag) values (?, ?)", [(first + i, WORDS[i % 8]) for i in range(len(clips))])
    db.close()


def _first_page(library: Path) -> tuple[subprocess.Popen[str], str, float]:
    """Start ``padbank serve`` as a person would and wait for its first page."""
    began = time.perf_counter()
    command = [sys.executable, "-m", "padbank", "--library", str(library), "serve", "--no-browser"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    assert server.stdout is not None
    address = server.stdout.readline().strip()
    while True:
        try:
            with urllib.request.urlopen(f"{address}/clips", timeout=5) as answer:
                answer.read()
            return server, address, time.perf_counter() - began
        except OSError as error:
            if server.poll() is not None or time.perf_counter() - began > 60:
                raise InputError("padbank serve did not answer: run it by itself to see why") from error
            time.sleep(0.005)


def _resident_bytes(pid: int) -> int | None:
    try:
        text = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return None  # only Linux says it this way
    return next((int(line.split()[1]) * 1024 for line in text.splitlines() if line.startswith("VmRSS")), None)


def bench_page(rows: int = 20_000, visits: int = 5) -> PageFigures:
    """Measure the page with a library of ``rows`` clips."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError as error:
        raise InputError("bench page needs Playwright for Python: pip install playwright") from error
    with tempfile.TemporaryDirectory(prefix="padbank-bench-") as temporary:
        folder = Path(temporary)
        make_library(folder, rows)
        server, address, first_s = _first_page(folder / "library")
        try:
            with sync_playwright() as playwright:
                flags = ["--no-sandbox", "--disable-background-networking", "--autoplay-policy=no-user-gesture-required"]
                browser = playwright.chromium.launch(executable_path=chromium_path(), args=flags)
                page = browser.new_page(viewport={"width": 1280, "height": 800})
                usable = []
                for _ in range(visits):
                    page.goto(f"{address}/clips")
                    page.locator("html[data-usable]").wait_for()
                    usable.append(float(page.evaluate("document.documentElement.dataset.usable")))
                readings = [r for text in TYPED for r in page.evaluate(KEYSTROKE, text)]
                in_page = page.locator(".rows .line").count()
                listed = len(page.request.get(f"{address}/api/clips").body())
                heap = page.evaluate("performance.memory ? performance.memory.usedJSHeapSize : null")
                steps = _steps(page, address)
                hits = tuple(hit_lines(bench_hits(page, "/static/engine", hits=200)))
                browser.close()
            memory = _resident_bytes(server.pid)
        finally:
            server.terminate()
            server.wait(10)
    return PageFigures(
        first_page_s=first_s,
        usable_ms=tuple(usable),
        keystroke_ms=tuple(r[0] for r in readings),
        keystroke_drawn_ms=tuple(r[1] for r in readings),
        rows_in_page=in_page,
        list_bytes=listed,
        step_ms=tuple(steps),
        server_bytes=memory,
        page_bytes=heap,
        hits=hits,
    )


def _steps(page: Any, address: str) -> list[float]:
    """Milliseconds until the server has weighed a clip held over another pad."""
    board = page.request.get(f"{address}/api/layouts/bench").json()
    here, there = board["places"][0], board["places"][1]
    step = {"do": "move", "bank": here["bank"], "pad": here["pad"], "to_bank": there["bank"], "to_pad": there["pad"]}
    script = """async (step) => {
      const found = [];
      for (let i = 0; i < 12; i += 1) {
        const began = performance.now();
        const answer = await fetch('/api/layouts/bench/try', { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify({ step }) });
        await answer.json();
        found.push(performance.now() - began);
      }
      return found;
    }"""
    return [float(x) for x in page.evaluate(script, step)]


def _spread(values: Sequence[float], unit: str = "ms") -> str:
    ordered = sorted(values)
    p95 = ordered[min(len(ordered) - 1, round(0.95 * (len(ordered) - 1)))]
    return f"median {statistics.median(ordered):8.2f} {unit}   p95 {p95:8.2f} {unit}   worst {ordered[-1]:8.2f} {unit}"


def run(words: Sequence[str]) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="padbank bench page", description="How quick the page is, in a running Chromium.")
    parser.add_argument("--rows", type=int, default=20_000, help="clips in the library")
    options = parser.parse_args(list(words))
    if options.rows < 100:
        parser.error("--rows: give at least 100")
    found = bench_page(options.rows)
    print(f"{options.rows:,} clips; times as this machine is loaded now")
    print(f"start to first page      {found.first_page_s * 1000:8.0f} ms")
    print(f"visit until usable       {_spread(found.usable_ms)}")
    print(f"keystroke, page's work   {_spread(found.keystroke_ms)}   (aim: p95 under 10 ms)")
    print(f"keystroke until drawn    {_spread(found.keystroke_drawn_ms)}")
    print(f"step by hand, weighed    {_spread(found.step_ms)}")
    print(f"rows in the page         {found.rows_in_page:8d}      list {found.list_bytes / 1000:,.0f} kB")
    if found.server_bytes is not None:
        print(f"server's memory          {found.server_bytes / 1e6:8.0f} MB")
    if found.page_bytes is not None:
        print(f"page's memory            {found.page_bytes / 1e6:8.0f} MB")
    for line in found.hits:
        print(line)
    return 0
