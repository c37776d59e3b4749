"""From a hit to its sound in the page: how long, in a running Chromium.

``bench_hits`` takes a page that is open on padbank (or on anything that serves
the engine's modules) and measures through the engine itself; see
``web/static/engine/bench.js`` for how. The comparison figure of 10 ms: delays of
10 ms are not rated differently from none, 20 ms are (Jack, Mehrabi, Stockman
and McPherson, Music Perception 36(1):109, 2018).

Functions: ``bench_hits``, ``hit_lines``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

NOT_NOTICED_MS = 10.0

_SCRIPT = """
async ({modules, hits}) => {
  const { createEngine } = await import(modules + '/engine.js');
  const { measureHits } = await import(modules + '/bench.js');
  const engine = createEngine({ voices: 32 });
  const { state, text } = await engine.enable();
  if (state !== 'running') throw new Error(text);
  await new Promise((resolve) => setTimeout(resolve, 300));
  const found = await measureHits(engine, { hits });
  await engine.dispose();
  return found;
}
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Median, 95th percentile and worst, in milliseconds."""

    median_ms: float
    p95_ms: float
    worst_ms: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HitFigures:
    """What was measured.

    ``rendered``: from the call of ``hit()`` to the sound's first frame leaving the
    page. ``reported``: an upper bound of it that trusts no clock but the page's.
    ``heard``: ``rendered`` and the output latency that the browser states for this
    machine, ``output_latency_ms``.
    """

    hits: int
    lost: int
    base_latency_ms: float
    output_latency_ms: float
    rendered: Spread
    reported: Spread
    heard: Spread


def bench_hits(page: Any, modules: str = "/static/engine", *, hits: int = 200) -> HitFigures:
    """Measure hits in a Playwright page.

    Parameters
    ----------
    page : an open ``playwright.sync_api.Page``; sound is enabled by pressing F8 in it,
        since browsers want a key or a click
    modules : where the page finds the engine's modules
    hits : how many; a second takes about 30
    """
    page.keyboard.press("F8")
    raw = page.evaluate(_SCRIPT, {"modules": modules, "hits": hits})
    return HitFigures(
        hits=raw["hits"],
        lost=raw["lost"],
        base_latency_ms=raw["baseLatencyMs"],
        output_latency_ms=raw["outputLatencyMs"],
        rendered=_spread(raw["rendered"]),
        reported=_spread(raw["reported"]),
        heard=_spread(raw["heard"]),
    )


def hit_lines(figures: HitFigures) -> list[str]:
    """The figures in words, for a terminal."""
    lines = [
        f"hit to start, {figures.hits} hits, {figures.lost} lost"
        f" (block {figures.base_latency_ms:.1f} ms, output {figures.output_latency_ms:.1f} ms as stated):"
    ]
    for name, spread in (
        ("sound leaves the page", figures.rendered),
        ("at most, by the page's clock", figures.reported),
        ("at the output", figures.heard),
    ):
        lines.append(
            f"  {name:<29} median {spread.median_ms:5.1f}  p95 {spread.p95_ms:5.1f}"
            f"  worst {spread.worst_ms:5.1f} ms"
        )
    return lines


def _spread(raw: dict[str, float]) -> Spread:
    return Spread(median_ms=raw["medianMs"], p95_ms=raw["p95Ms"], worst_ms=raw["worstMs"])
