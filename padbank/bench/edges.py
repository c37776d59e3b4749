"""Onsets and ends side by side: our edges, pydub's silence search, and a plain threshold.

What it answers: on made-up sounds whose true onset is known, how early or late does each way
start, what does it lose, and at what level does it cut the tail? Three tables:

- sudden sounds (and two slow ones) over silence, noise, hum and DC;
- attacks of 5 to 50 ms over noise and hum;
- sudden sounds whose peak is only 20 to 40 dB over the RMS of hiss or of rumble.

The *true onset* is the sound's first frame. Over noise nobody can see the foot of a slow attack:
the *masked onset* is the first frame by which the last 5 ms of the sound alone are as loud as the noise
(RMS; for hum: its noise). A start after that cuts what can be seen; one more than 1 ms and 0.7 of the
attack, or 16 ms, before the true onset is a late pad.

The sounds are invented and synthesised here; every way gets the same 16-bit samples (all
that pydub can take). The other ways run as they are commonly used: pydub
``detect_nonsilent`` with 1 ms steps and its own default of 16 dB under the mean
level, and ``detect_leading_silence`` at its default of -50 dBFS with 1 ms chunks; the plain
threshold is the first and last sample above -60 dBFS.

Functions: ``bench_edges``, ``bench_attacks``, ``bench_near_noise``, ``edge_table``, ``start_table``,
``made_up_sounds``, ``slow_attacks``, ``laid_over``, ``run``.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.edges import find_edges

RATE_HZ = 44100
Sound = NDArray[np.float64]
BACKGROUNDS = ("silence", "noise -70", "noise -60", "noise -50", "hum", "DC")
HEADS_S = (0.13, 0.4, 1.1)
PEAKS_DB = (-1.0, -12.0)


def made_up_sounds(rate_hz: int = RATE_HZ) -> dict[str, Sound]:
    """Invented sounds that begin at their first frame, peak 1.0, by kind."""

    def time_s(seconds: float) -> Sound:
        return np.arange(int(seconds * rate_hz)) / rate_hz

    rng = np.random.default_rng(20)
    t = time_s(0.7)
    sweep = 50 * t + 1.8 * (1 - np.exp(-t / 0.03))
    sounds = {
        "low drum": np.sin(2 * np.pi * sweep) * np.exp(-t / 0.10),
        "rattle": rng.standard_normal(len(t)) * np.exp(-t / 0.06),
        "chord stab": sum(np.sin(2 * np.pi * hz * t) for hz in (220, 277.2, 329.6))
        * np.minimum(1, t / 0.002)
        * np.exp(-t / 0.15),
        "soft mallet": np.sin(2 * np.pi * 330 * t)
        * np.where(t < 0.004, 0.5 - 0.5 * np.cos(np.pi * t / 0.004), 1.0)
        * np.exp(-t / 0.2),
    }
    t = time_s(3.5)
    sounds["hall clap"] = rng.standard_normal(len(t)) * (
        np.exp(-t / 0.01) + 0.1 * 10 ** (-3 * t / 2.5)
    )
    t = time_s(1.2)
    sounds["bowed"] = np.sin(2 * np.pi * 196 * t) * np.minimum(1, t / 0.2)
    sounds["swell"] = np.sin(2 * np.pi * 330 * t) * np.minimum(1, t / 0.5) ** 2
    return {name: sound / np.abs(sound).max() for name, sound in sounds.items()}


SLOW = ("bowed", "swell")
"""Sounds without a sudden attack: judged by what is lost, not by the millisecond."""


ATTACKS_MS = (5, 10, 20, 50)
ATTACK_BACKGROUNDS = ("noise -70", "noise -60", "noise -50", "hum")
MOST_EARLY_MS = 16.0
OVER_NOISE_DB = (20, 26, 32, 40)
NEAR_NOISE_DBFS = -50.0
NEAR_EARLY_MS = 4.0
"""Players do not mind 10 ms (Jack, Mehrabi, Stockman and McPherson, Music Perception 36(1), 2018)."""


def slow_attacks(attack_ms: float, rate_hz: int = RATE_HZ) -> dict[str, Sound]:
    """Invented sounds that rise for ``attack_ms``, peak 1.0: three rises of three kinds of sound."""
    attack_s = attack_ms / 1000
    t = np.arange(int((0.5 + 4 * attack_s) * rate_hz)) / rate_hz
    share = np.minimum(1.0, t / attack_s)
    rises = {"straight": share, "square": share**2, "cosine": 0.5 - 0.5 * np.cos(np.pi * share)}
    kinds = {
        "tone": np.sin(2 * np.pi * 330 * t),
        "chord": np.asarray(sum(np.sin(2 * np.pi * hz * t) for hz in (220, 277.2, 329.6))),
        "noise": np.random.default_rng(21).standard_normal(len(t)),
    }
    fall = np.exp(-np.maximum(0.0, t - attack_s - 0.2) / 0.15)
    sounds = {
        f"{rise_name} {kind_name}": kind * rise * fall
        for rise_name, rise in rises.items()
        for kind_name, kind in kinds.items()
    }
    return {name: sound / np.abs(sound).max() for name, sound in sounds.items()}


def laid_over(
    sound: Sound, background: str, head_s: float, rate_hz: int = RATE_HZ, seed: int = 1
) -> tuple[Sound, int]:
    """``sound`` after ``head_s`` and before 0.8 s of background; and its true onset frame.

    Hum is of 50 or 60 Hz with two harmonics, all of phases drawn by the seed.
    """
    rng = np.random.default_rng(seed)
    head = int(head_s * rate_hz) + int(rng.integers(0, 200))
    frames = head + len(sound) + int(0.8 * rate_hz)
    t = np.arange(frames) / rate_hz
    if background == "silence":
        under = np.zeros(frames)
    elif background == "hum":
        mains_hz, turns = rng.choice([50.0, 60.0]), 2 * np.pi * rng.random(3)
        waves = np.sin(2 * np.pi * mains_hz * np.outer([1, 3, 5], t) + turns[:, None])
        under = np.array([0.005, 0.002, 0.0008]) @ waves
        under += 10 ** (-70 / 20) * rng.standard_normal(frames)
    elif background.startswith("rumble"):  # noise whose power falls as 1/f, from 20 Hz on
        hz = np.maximum(np.fft.rfftfreq(frames, 1 / rate_hz), 20.0)
        under = np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) / np.sqrt(hz), frames)
        under *= 10 ** (float(background.split()[1]) / 20) / under.std()
    elif background == "DC":
        under = 0.03 + 10 ** (-70 / 20) * rng.standard_normal(frames)
    else:
        under = 10 ** (float(background.split()[1]) / 20) * rng.standard_normal(frames)
    under[head : head + len(sound)] += sound
    return under, head


# ---------------------------------------------------------------- the ways


def _ours(samples: NDArray[np.int16]) -> tuple[int, int]:
    edges = find_edges(samples[:, None] / np.float32(32768), RATE_HZ)
    return edges.onset_frame, edges.end_frame


def _segment(samples: NDArray[np.int16]) -> object:
    from pydub import AudioSegment

    return AudioSegment(
        data=samples.tobytes(), sample_width=2, frame_rate=RATE_HZ, channels=1
    )


def _pydub_nonsilent(samples: NDArray[np.int16]) -> tuple[int, int]:
    from pydub.silence import detect_nonsilent

    segment = _segment(samples)
    spans = detect_nonsilent(
        segment,
        min_silence_len=100,
        silence_thresh=segment.dBFS - 16,  # type: ignore[attr-defined]
        seek_step=1,
    )
    if not spans:
        return 0, len(samples)
    return _frames(spans[0][0]), min(len(samples), _frames(spans[-1][1]))


def _pydub_leading(samples: NDArray[np.int16]) -> tuple[int, int]:
    from pydub.silence import detect_leading_silence

    head = detect_leading_silence(_segment(samples), chunk_size=1)
    tail = detect_leading_silence(_segment(samples[::-1]), chunk_size=1)
    return _frames(head), max(_frames(head) + 1, len(samples) - _frames(tail))


def _plain(samples: NDArray[np.int16]) -> tuple[int, int]:
    over = np.flatnonzero(np.abs(samples.astype(np.int32)) > 32.768)
    return (int(over[0]), int(over[-1]) + 1) if len(over) else (0, len(samples))


def _frames(time_ms: float) -> int:
    return round(time_ms * RATE_HZ / 1000)


WAYS: dict[str, Callable[[NDArray[np.int16]], tuple[int, int]]] = {
    "padbank": _ours,
    "pydub nonsilent": _pydub_nonsilent,
    "pydub leading": _pydub_leading,
    "threshold -60": _plain,
}


# ---------------------------------------------------------------- the table


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeRow:
    """One way over one background, on all sounds, heads and levels.

    Attributes
    ----------
    within : share of sudden sounds whose start lies 0-1 ms before the true onset
    earliest_ms, latest_ms : of sudden sounds; negative is late, into the attack
    lost_db : worst energy lost at the start, slow sounds included
    tail_cut_db : loudest 5 ms of the sound that lie after the end, against its loudest 5 ms
        (highest of all sounds)
    cpu_ms : median CPU time a clip
    """

    way: str
    background: str
    within: float
    earliest_ms: float
    latest_ms: float
    lost_db: float
    tail_cut_db: float
    cpu_ms: float


def bench_edges(
    ways: Sequence[str] = tuple(WAYS), backgrounds: Sequence[str] = BACKGROUNDS
) -> list[EdgeRow]:
    """Run every way over every background."""
    sounds = made_up_sounds()
    rows = []
    for background in backgrounds:
        for way in ways:
            early, lost, cut, cpu = [], [0.0], [-200.0], []
            for name, sound in sounds.items():
                for number, head_s in enumerate(HEADS_S):
                    for peak_db in PEAKS_DB:
                        scaled = sound * 10 ** (peak_db / 20)
                        mixed, onset = laid_over(scaled, background, head_s, seed=number)
                        samples = np.clip(np.rint(mixed * 32768), -32768, 32767).astype(np.int16)
                        began = time.process_time()
                        start, end = WAYS[way](samples)
                        cpu.append(time.process_time() - began)
                        if name not in SLOW:
                            early.append((onset - start) / RATE_HZ * 1000)
                        lost.append(_lost_db(scaled, start - onset))
                        cut.append(_cut_db(scaled, end - onset))
            rows.append(
                EdgeRow(
                    way=way,
                    background=background,
                    within=sum(0.0 <= e <= 1.0 for e in early) / len(early),
                    earliest_ms=max(early),
                    latest_ms=min(early),
                    lost_db=max(lost),
                    tail_cut_db=max(cut),
                    cpu_ms=1000 * statistics.median(cpu),
                )
            )
    return rows


@dataclass(frozen=True, slots=True, kw_only=True)
class StartRow:
    """One way's starts on one kind of sound over one background.

    Attributes
    ----------
    good : share of starts no more than ``early_ms`` before the true onset and not after it
    usable : share of starts no more than ``early_ms`` before the true onset and not after the
        masked onset (see above)
    earliest_ms, latest_ms : before the true onset; negative is late
    lost_db : worst energy lost at the start
    """

    way: str
    case: str
    background: str
    early_ms: float
    good: float
    usable: float
    earliest_ms: float
    latest_ms: float
    lost_db: float


def bench_attacks(
    ways: Sequence[str] = tuple(WAYS),
    attacks_ms: Sequence[float] = ATTACKS_MS,
    backgrounds: Sequence[str] = ATTACK_BACKGROUNDS,
) -> list[StartRow]:
    """Slow attacks, peaks at -1 and -12 dBFS, after two heads."""
    rows = []
    for attack_ms in attacks_ms:
        sounds = slow_attacks(attack_ms)
        for background in backgrounds:
            noise_dbfs = -70.0 if background == "hum" else float(background.split()[1])
            cases = [
                (sound * 10 ** (peak_db / 20), head_s, number)
                for number, head_s in enumerate(HEADS_S[:2])
                for sound in sounds.values()
                for peak_db in PEAKS_DB
            ]
            early_ms = min(1.0 + 0.7 * attack_ms, MOST_EARLY_MS)
            rows += [
                _start_row(way, f"{attack_ms:g} ms attack", background, cases, noise_dbfs, early_ms)
                for way in ways
            ]
    return rows


def bench_near_noise(
    ways: Sequence[str] = tuple(WAYS),
    over_noise_db: Sequence[float] = OVER_NOISE_DB,
    kinds: Sequence[str] = ("noise", "rumble"),
) -> list[StartRow]:
    """Sudden sounds whose peaks are so many dB over the RMS of hiss or rumble."""
    sudden = [sound for name, sound in made_up_sounds().items() if name not in SLOW]
    rows = []
    for over_db, kind in itertools.product(over_noise_db, kinds):
        gain = 10 ** ((NEAR_NOISE_DBFS + over_db) / 20)
        cases = [
            (sound * gain, head_s, seed) for head_s in HEADS_S for seed in (1, 2) for sound in sudden
        ]
        background = f"{kind} {NEAR_NOISE_DBFS:.0f}"
        rows += [
            _start_row(way, f"{over_db:g} dB over", background, cases, NEAR_NOISE_DBFS, NEAR_EARLY_MS)
            for way in ways
        ]
    return rows


def _start_row(
    way: str,
    case: str,
    background: str,
    cases: Sequence[tuple[Sound, float, int]],
    noise_dbfs: float,
    early_ms: float,
) -> StartRow:
    early, usable, lost = [], [], []
    for sound, head_s, seed in cases:
        mixed, onset = laid_over(sound, background, head_s, seed=seed)
        samples = np.clip(np.rint(mixed * 32768), -32768, 32767).astype(np.int16)
        start = WAYS[way](samples)[0] - onset
        early.append(-start / RATE_HZ * 1000)
        usable.append(early[-1] <= early_ms and start <= masked_onset(sound, noise_dbfs))
        lost.append(_lost_db(sound, start))
    return StartRow(
        way=way,
        case=case,
        background=background,
        early_ms=early_ms,
        good=sum(0.0 <= e <= early_ms for e in early) / len(early),
        usable=sum(usable) / len(usable),
        earliest_ms=max(early),
        latest_ms=min(early),
        lost_db=max(lost),
    )


def masked_onset(sound: Sound, noise_dbfs: float) -> int:
    """First frame by which the last 5 ms of the sound alone are as loud as the noise."""
    hop = RATE_HZ // 200
    sums = np.concatenate([np.zeros(hop), np.cumsum(sound**2)])
    over = np.flatnonzero(sums[hop:] - sums[:-hop] >= hop * 10 ** (noise_dbfs / 10))
    return int(over[0]) if len(over) else len(sound)


def _lost_db(sound: Sound, frames: int) -> float:
    if frames <= 0:
        return 0.0
    kept = float((sound[frames:] ** 2).sum() / (sound**2).sum())
    return 200.0 if kept <= 0 else float(-10 * np.log10(kept))


def _cut_db(sound: Sound, end: int) -> float:
    hop = RATE_HZ // 200

    def loudest(part: Sound) -> float:
        whole = len(part) // hop * hop
        if not whole:
            return 0.0
        return float((part[:whole].reshape(-1, hop) ** 2).mean(axis=1).max())

    away = loudest(sound[max(0, end) :])
    return -200.0 if away <= 0 else float(10 * np.log10(away / loudest(sound)))


def edge_table(rows: Sequence[EdgeRow]) -> list[str]:
    """Lines to print."""
    lines = [
        f"{'background':<11}{'way':<17}{'0-1 ms early':>13}{'earliest ms':>13}{'latest ms':>11}"
        f"{'lost dB':>9}{'tail cut dB':>13}{'CPU ms':>8}"
    ]
    for row in rows:
        lines.append(
            f"{row.background:<11}{row.way:<17}{row.within:>12.0%} {row.earliest_ms:>12.2f}"
            f"{row.latest_ms:>11.2f}{row.lost_db:>9.3f}{row.tail_cut_db:>13.1f}{row.cpu_ms:>8.1f}"
        )
    return lines


def start_table(rows: Sequence[StartRow]) -> list[str]:
    """Lines to print."""
    lines = [
        f"{'sound':<15}{'background':<11}{'way':<17}{'up to ms early':>15}{'not late':>10}{'not seen':>10}"
        f"{'earliest ms':>13}{'latest ms':>11}{'lost dB':>10}"
    ]
    for row in rows:
        lines.append(
            f"{row.case:<15}{row.background:<11}{row.way:<17}{row.early_ms:>15.1f}{row.good:>10.0%}"
            f"{row.usable:>10.0%}{row.earliest_ms:>13.2f}{row.latest_ms:>11.2f}{row.lost_db:>10.5f}"
        )
    return lines


def run(argv: Sequence[str] = ()) -> int:
    """``padbank bench edges``; returns the exit status."""
    parser = argparse.ArgumentParser(prog="padbank bench edges", description=__doc__.splitlines()[0])
    parser.parse_args(list(argv))
    print("\n".join(edge_table(bench_edges())))
    print("\nStarts of slow attacks. Not late: not after the true onset; not seen: not after the masked one.")
    print("\n".join(start_table(bench_attacks())))
    print("\nStarts of sudden sounds near the noise: their peaks so far over its RMS.")
    print("\n".join(start_table(bench_near_noise())))
    return 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
