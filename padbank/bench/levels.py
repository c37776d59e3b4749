"""What levelling costs and what it keeps: meter, limiter and the whole chain on made-up sounds.

What it answers: how many times the meter's CPU time do the limiter and a finished clip take,
and do level and ceiling hold by meters that padbank did not write?

Every sound is driven so that its peaks pass the ceiling by ``OVER_DB``. Levels are read again by
pyloudnorm (its BS.1770-matching filters), true peaks by scipy's resample_poly at 8 x.

Functions: ``bench_levels``, ``level_table``, ``run``.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pyloudnorm
from numpy.typing import NDArray
from scipy import signal

from padbank.dsp.dither import to_float
from padbank.dsp.limiter import limit
from padbank.dsp.measure import measure
from padbank.dsp.render import Rendered, finish

RATE_HZ = 48000
CEILING_DBTP = -1.0
OVER_DB = 3.0
SECONDS = 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCost:
    """One sound: CPU milliseconds for each second of it, and what came out."""

    sound: str
    meter_ms: float
    limiter_ms: float
    finish_ms: float
    limited_db: float
    miss_lu: float
    peak_dbtp: float
    steepest_db_per_ms: float


def made_up_sounds(seconds: float = SECONDS) -> dict[str, NDArray[np.float64]]:
    """Invented stereo sounds, peak 1.0, by kind."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    rng = np.random.default_rng(5)
    noise = rng.standard_normal(len(t))
    beat = t % 0.5
    tones = np.asarray(sum(np.sin(2 * np.pi * hz * t + hz) for hz in (110, 164.8, 220, 329.6)))
    sounds = {
        "strokes": noise * np.exp(-beat / 0.05) + 2 * np.sin(2 * np.pi * 55 * t) * np.exp(-beat / 0.12),
        "chords": tones * (0.6 + 0.4 * np.exp(-beat / 0.2)),
        "dense music": np.tanh(2 * (tones + 0.7 * noise * np.exp(-beat / 0.1))),
        "clipped music": np.clip(3 * tones, -1, 1),
        "square near half the rate": np.sign(np.sin(2 * np.pi * 0.47 * RATE_HZ * t + 0.1)),
        "white noise": noise,
    }
    both = {name: np.stack([one, 0.8 * one], axis=1) for name, one in sounds.items()}
    return {name: sound / np.abs(sound).max() for name, sound in both.items()}


def _cpu_s(work: Callable[[], object], rounds: int) -> float:
    times = []
    for _ in range(rounds):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return statistics.median(times)


def bench_levels(rounds: int = 3) -> list[LevelCost]:
    """Measure every sound."""
    rows = []
    for name, sound in made_up_sounds().items():
        reading = measure(sound, RATE_HZ)
        if reading.integrated_lufs is None or reading.true_peak_dbtp is None:
            raise AssertionError("a made-up sound is silent")
        gain_db = CEILING_DBTP - reading.true_peak_dbtp + OVER_DB
        driven = sound * 10 ** (gain_db / 20)
        target_lufs = reading.integrated_lufs + gain_db - 0.5

        def whole(sound: NDArray[np.float64] = sound, target_lufs: float = target_lufs) -> Rendered:
            return finish(
                sound,
                RATE_HZ,
                role="phrase",
                target_lufs=target_lufs,
                ceiling_dbtp=CEILING_DBTP,
                level_rule="limit",
                limit_max_db=2 * OVER_DB,
                bits=16,
                seed=b"bench",
            )

        made = whole()
        played = to_float(made.pcm, 16)
        second = pyloudnorm.Meter(RATE_HZ, filter_class="DeMan").integrated_loudness(played)
        peak = np.abs(signal.resample_poly(played, 8, 1, axis=0)).max()
        curve_db = 20 * np.log10(limit(driven, RATE_HZ, CEILING_DBTP).gain)
        per_second = 1000 / SECONDS
        rows.append(
            LevelCost(
                sound=name,
                meter_ms=per_second * _cpu_s(lambda s=sound: measure(s, RATE_HZ), rounds),  # type: ignore[misc]
                limiter_ms=per_second
                * _cpu_s(lambda d=driven: limit(d, RATE_HZ, CEILING_DBTP), rounds),  # type: ignore[misc]
                finish_ms=per_second * _cpu_s(whole, rounds),
                limited_db=made.limited_db,
                miss_lu=second - target_lufs + made.short_lu,
                peak_dbtp=float(20 * np.log10(peak)),
                steepest_db_per_ms=float(np.abs(np.diff(curve_db)).max()) * RATE_HZ / 1000,
            )
        )
    return rows


def level_table(rows: Sequence[LevelCost]) -> list[str]:
    """Lines to print; the CPU columns are milliseconds for each second of stereo sound."""
    lines = [
        f"{'sound':<27}{'meter ms/s':>11}{'limiter':>9}{'chain':>8}{'limiter/meter':>15}"
        f"{'limited dB':>12}{'level off LU':>14}{'8x dBTP':>9}{'dB/ms':>8}"
    ]
    for row in rows:
        lines.append(
            f"{row.sound:<27}{row.meter_ms:>11.2f}{row.limiter_ms:>9.2f}{row.finish_ms:>8.2f}"
            f"{row.limiter_ms / row.meter_ms:>14.1f}x{row.limited_db:>12.2f}{row.miss_lu:>14.3f}"
            f"{row.peak_dbtp:>9.3f}{row.steepest_db_per_ms:>8.3f}"
        )
    return lines


def run(argv: Sequence[str] = ()) -> int:
    """``padbank bench levels``; returns the exit status."""
    parser = argparse.ArgumentParser(prog="padbank bench levels", description=__doc__.splitlines()[0])
    parser.parse_args(list(argv))
    print("\n".join(level_table(bench_levels())))
    return 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
