"""The page's sound engine in a real Chromium, held to the same cases as the Python one.

Every page is served with a Content-Security-Policy without ``unsafe-*``, so
what passes here runs under the product's own. Sound is checked by rendering:
each pad plays a constant of its own level, so that the sum at any instant
says which pads sound.
"""

from __future__ import annotations

import json
import os
import shutil
import threading
from collections import Counter
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from importlib import resources
from pathlib import Path

import pytest

sync_api = pytest.importorskip(
    "playwright.sync_api", reason="playwright is not installed: pip install 'padbank[test]'"
)

POLICY = (
    "default-src 'none'; script-src 'self'; connect-src 'self'; media-src 'self'; worker-src 'self'"
)
PAGE = b"<!doctype html><html lang=en><meta charset=utf-8><title>engine</title><button>Enable sound</button>"
CASES = json.loads(resources.files("padbank.rehearsal").joinpath("cases.json").read_text("utf-8"))[
    "cases"
]
RATE_HZ = 8000
FADE_S = 0.003


def chromium_path():
    for name in ("PADBANK_CHROMIUM",):
        if os.environ.get(name):
            return os.environ[name]
    return shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


class Handler(SimpleHTTPRequestHandler):
    def do_GET(self):
        if self.path == "/":
            self.send_response(200)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write(PAGE)
        else:
            super().do_GET()

    def end_headers(self):
        self.send_header("Content-Security-Policy", POLICY)
        super().end_headers()

    def log_message(self, *args):
        pass


Handler.extensions_map = {**SimpleHTTPRequestHandler.extensions_map, ".js": "text/javascript"}


@pytest.fixture(scope="module")
def address():
    static = Path(str(resources.files("padbank.web"))) / "static"
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Handler, directory=str(static)))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture(scope="module")
def browser():
    path = chromium_path()
    if path is None:
        pytest.skip("no Chromium on this machine")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture
def page(browser, address):
    context = browser.new_context()
    opened = context.new_page()
    faults = []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on(
        "console", lambda message: faults.append(message.text) if message.type == "error" else None
    )
    opened.goto(address + "/")
    yield opened
    context.close()
    assert faults == []


CASE_TO_JS = """
function fromCase(c) {
  const l = c.limits;
  return {
    limits: {voices: l.voices, voicesPerStereo: l.voices_per_stereo, samePadAgain: l.same_pad_again,
             releaseS: l.release_s, whenFull: l.when_full},
    sounds: c.sounds.map(s => ({bank: s.bank, pad: s.pad, clip: s.clip, durationS: s.duration_s,
             channels: s.channels, playMode: s.play_mode, muteGroup: s.mute_group})),
    events: c.events.map(([timeS, kind, what]) => ({timeS, kind,
             pad: kind === 'bank' ? null : what, bank: kind === 'bank' ? what : null})),
  };
}
"""


def rows(soundings):
    return [
        (s["bank"], s["pad"], f"{s['reason']} by {s['by']}" if s["by"] else s["reason"])
        for s in soundings
    ]


def close(value, expected):
    return (value is None) == (expected is None) and (
        expected is None or abs(value - expected) <= 1e-9
    )


def test_decisions_follow_the_written_cases(page):
    results = page.evaluate(
        "async (cases) => {"
        + CASE_TO_JS
        + """const {perform} = await import('/engine/voices.js');
        return cases.map((c) => { const f = fromCase(c); return perform(f.limits, f.sounds, f.events); });
        }""",
        CASES,
    )
    for case, result in zip(CASES, results, strict=True):
        assert rows(result["soundings"]) == [tuple(r[2:]) for r in case["expected"]], case["name"]
        for sounding, row in zip(result["soundings"], case["expected"], strict=True):
            assert close(sounding["startS"], row[0]), case["name"]
            assert close(sounding["stopS"], row[1]), case["name"]
        assert [[e["timeS"], e["bank"], e["pad"]] for e in result["empty"]] == case["empty"]


RENDER = (
    "async ({c, rate, lengthS, fadeS}) => {"
    + CASE_TO_JS
    + """
    const {createEngine} = await import('/engine/engine.js');
    const f = fromCase(c);
    const context = new OfflineAudioContext(1, Math.round(lengthS * rate), rate);
    const log = {start: [], stop: [], miss: []};
    const engine = createEngine({...f.limits, context, fadeS,
      onStart: (e) => log.start.push(e), onStop: (e) => log.stop.push(e), onMiss: (e) => log.miss.push(e)});
    await engine.enable();
    const levels = {};
    let level = 1;
    for (const s of f.sounds) {
      const buffer = new AudioBuffer({length: Math.round(s.durationS * rate), numberOfChannels: s.channels, sampleRate: rate});
      for (let i = 0; i < s.channels; i++) buffer.getChannelData(i).fill(level);
      levels[`${s.bank}|${s.pad}`] = level;
      level /= 4;
      await engine.assign(s.pad, buffer, {bank: s.bank, clip: s.clip, playMode: s.playMode, muteGroup: s.muteGroup});
    }
    for (const e of f.events) {
      if (e.kind === 'bank') engine.switchBank(e.bank);
      else if (e.kind === 'hit') engine.hit(e.pad, {timeS: e.timeS});
      else if (e.kind === 'release') engine.release(e.pad, {timeS: e.timeS});
      else engine.stopAll({timeS: e.timeS});
    }
    const decided = engine.voicesInUse;
    const rendered = await context.startRendering();
    await new Promise((resolve) => setTimeout(resolve, 30));
    return {log, levels, decided, samples: [...rendered.getChannelData(0)]};
    }"""
)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_rendered_sound_follows_the_written_case(page, case):
    """Starts at the hit's frame, silent after the cut's fade, nothing in between lost."""
    stops = [row[1] for row in case["expected"] if row[1] is not None]
    length_s = max([*stops, *(row[0] for row in case["expected"])]) + 0.25
    got = page.evaluate(RENDER, {"c": case, "rate": RATE_HZ, "lengthS": length_s, "fadeS": FADE_S})
    samples, levels = got["samples"], got["levels"]

    # What the engine said: the same starts, stops and reasons.
    said = Counter(
        (e["bank"], e["pad"], f"{e['reason']} by {e['by']}" if e["by"] else e["reason"], round(e["timeS"], 6))
        for e in got["log"]["stop"]
    )
    expected = Counter(
        (row[2], row[3], row[4], round(row[1], 6))
        for row in case["expected"]
        if row[4] != "refused" and row[1] is not None
    )
    assert said == expected
    assert Counter((e["bank"], e["pad"], round(e["timeS"], 6)) for e in got["log"]["start"]) == Counter(
        (row[2], row[3], round(row[0], 6)) for row in case["expected"] if row[4] != "refused"
    )
    misses = Counter(e["why"] for e in got["log"]["miss"])
    assert misses == Counter(
        {"empty": len(case["empty"]), "no voices": sum(r[4] == "refused" for r in case["expected"])}
    )

    # What is heard: at every frame outside fades and releases, exactly the pads that should sound.
    release_s = case["limits"]["release_s"]
    spans, blurred = [], []
    for start_s, stop_s, bank, pad, why in case["expected"]:
        stop_s = length_s if stop_s is None else stop_s
        spans.append((start_s, stop_s, levels[f"{bank}|{pad}"]))
        if why not in ("end", "refused"):
            # A fade after the cut; a release before the stop, whatever stopped it in the end.
            blurred.append((stop_s, stop_s + FADE_S))
        releases = [e[0] for e in case["events"] if e[1] in ("release", "hit") and e[2] == pad]
        mode = next(s["play_mode"] for s in case["sounds"] if (s["bank"], s["pad"]) == (bank, pad))
        if mode == "gate":
            blurred += [(t, t + max(release_s, FADE_S)) for t in releases if t > start_s]
    checked = 0
    for frame, sample in enumerate(samples):
        time_s = frame / RATE_HZ
        if any(a - 1e-6 <= time_s <= b + 1e-6 for a, b in blurred):
            continue
        want = sum(level for a, b, level in spans if a - 1e-9 <= time_s < b - 1e-9)
        assert sample == pytest.approx(want, abs=1e-6), f"{case['name']} at {time_s} s"
        checked += 1
    assert checked > 0.4 * len(samples)


def test_a_start_lies_on_the_frame_of_its_hit(page):
    """An impulse hit at frame n comes out at frame n: no look-ahead, no rounding loss."""
    frames = [0, 1, 127, 128, 129, 4410, 12345]
    got = page.evaluate(
        """async (frames) => {
        const {createEngine} = await import('/engine/engine.js');
        const rate = 44100;
        const context = new OfflineAudioContext(1, 16384, rate);
        const engine = createEngine({voices: 16, context});
        const buffer = new AudioBuffer({length: 64, numberOfChannels: 1, sampleRate: rate});
        buffer.getChannelData(0)[0] = 1;
        await engine.assign('kit/1', buffer);
        for (const n of frames) engine.hit('kit/1', {timeS: n / rate});
        const data = (await context.startRendering()).getChannelData(0);
        return [...data.keys()].filter((n) => data[n] !== 0).map((n) => [n, data[n]]);
        }""",
        frames,
    )
    assert [n for n, _ in got] == frames
    assert [value for _, value in got] == pytest.approx([1.0] * len(frames))


def test_a_cut_does_not_click(page):
    """A 997 Hz sine cut by its mute group: no step beyond the sine's own plus the fade's slope."""
    steps = page.evaluate(
        """async () => {
        const {createEngine, FADE_S} = await import('/engine/engine.js');
        const rate = 48000;
        const context = new OfflineAudioContext(1, rate, rate);
        const engine = createEngine({voices: 16, context});
        const sine = new AudioBuffer({length: rate, numberOfChannels: 1, sampleRate: rate});
        sine.getChannelData(0).forEach((_, n, d) => { d[n] = Math.sin(2 * Math.PI * 997 * n / rate); });
        const silence = new AudioBuffer({length: rate, numberOfChannels: 1, sampleRate: rate});
        await engine.assign('kit/1', sine, {muteGroup: 'ropes'});
        await engine.assign('kit/2', silence, {muteGroup: 'ropes'});
        engine.hit('kit/1', {timeS: 0});
        engine.hit('kit/2', {timeS: 0.40003});
        const d = (await context.startRendering()).getChannelData(0);
        let worst = 0;
        for (let n = 1; n < d.length; n++) worst = Math.max(worst, Math.abs(d[n] - d[n - 1]));
        const after = Math.round((0.40003 + FADE_S) * rate) + 1;
        return {worst, after: Math.max(...d.slice(after).map(Math.abs)), fadeS: FADE_S};
        }"""
    )
    # Steepest step of the sine: 2 sin(pi 997 / 48000) = 0.1304; of a 3 ms ramp: 1 / 144 = 0.0069.
    assert steps["worst"] <= 0.1304 + 0.0070
    assert steps["after"] == 0
    assert steps["fadeS"] <= 0.005
