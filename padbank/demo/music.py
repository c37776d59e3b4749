"""The demo's songs, loops and drones.

Each takes a rate in Hz and gives a sound as ``padbank.demo.synth`` describes it.
Loops join end to end.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from padbank.demo.sounds import shaker, thump
from padbank.demo.synth import (
    Sound,
    at_peak,
    band,
    clock,
    frames,
    harmonics,
    noise,
    place,
    room,
    spread,
    swell,
    wide,
)

# ---------------------------------------------------------------- music


def pluck(rate_hz: int, pitch_hz: float, time_s: float, bright: float = 0.6) -> Sound:
    t = clock(time_s, rate_hz)
    turn = np.exp(2j * np.pi * pitch_hz * t)
    fade = np.exp(-t / (0.35 * time_s))
    out, power, shade = np.zeros(len(t)), np.ones(len(t), dtype=complex), np.ones(len(t))
    for number in range(1, 9):
        if number * pitch_hz > 0.45 * rate_hz:
            break
        power *= turn
        shade *= fade if number == 1 else fade**0.5
        out += bright ** (number - 1) * shade * power.imag
    return out * np.minimum(1, t / 0.003) * swell(len(t), rate_hz, 0, 0.02)


def hz_of(note: float) -> float:
    """Frequency of a MIDI note number: 69 is 440 Hz."""
    return float(440.0 * 2.0 ** ((note - 69) / 12))


def band_music(
    rate_hz: int,
    chords: Sequence[tuple[int, ...]],
    tune: Sequence[int | None],
    beat_s: float,
    beats: int = 4,
    drums: bool = True,
) -> Sound:
    """A tiny quay-side band: bass, strummed chords, a tune on the half beats, barrel and shaker.

    ``tune`` gives two notes a beat, None for a rest; it is repeated as needed.
    """
    n = frames(len(chords) * beats * beat_s + 0.5, rate_hz)
    left, right = np.zeros(n), np.zeros(n)
    hit, shake = thump(rate_hz), shaker(rate_hz, 0.1)
    notes: dict[tuple[float, float], Sound] = {}

    def note(number: float, time_s: float) -> Sound:
        key = (number, time_s)
        if key not in notes:
            notes[key] = pluck(rate_hz, hz_of(number), time_s)
        return notes[key]

    for bar, chord in enumerate(chords):
        for beat in range(beats):
            at_s = (bar * beats + beat) * beat_s
            if beat % 2 == 0:
                bass = 0.55 * note(chord[0] - 12, 1.6 * beat_s)
                place(left, bass, at_s, rate_hz)
                place(right, bass, at_s, rate_hz)
            for index, number in enumerate(chord):
                strum = 0.2 * note(number, 1.2 * beat_s)
                place(left, strum, at_s + 0.012 * index, rate_hz)
                place(right, 0.7 * strum, at_s + 0.012 * index + 0.006, rate_hz)
            for half in (0, 1):
                sung_number = tune[(2 * (bar * beats + beat) + half) % len(tune)]
                if sung_number is not None:
                    sung = 0.38 * note(sung_number, 0.9 * beat_s)
                    place(left, 0.7 * sung, at_s + half * beat_s / 2, rate_hz)
                    place(right, sung, at_s + half * beat_s / 2, rate_hz)
                if drums:
                    place(left, 0.12 * shake[:, 0], at_s + half * beat_s / 2, rate_hz)
                    place(right, 0.12 * shake[:, 1], at_s + half * beat_s / 2, rate_hz)
            if drums and beat % 2 == 0:
                place(left, 0.4 * hit, at_s, rate_hz)
                place(right, 0.4 * hit, at_s, rate_hz)
    out = wide(left, right) * swell(n, rate_hz, 0.002, 0.4)[:, None]
    return at_peak(out)


def organ(rate_hz: int, tune: Sequence[int | None], beat_s: float) -> Sound:
    """A barrel organ: square-ish pipes, a waltz of low-high-high under the tune."""
    n = frames(len(tune) * beat_s + 0.2, rate_hz)
    out = np.zeros(n)
    pipes: dict[int, Sound] = {}

    def pipe(number: int) -> Sound:
        if number not in pipes:
            m = frames(0.95 * beat_s, rate_hz)
            t = np.arange(m) / rate_hz
            pitch = hz_of(number) * (1 + 0.004 * np.sin(2 * np.pi * 5.5 * t))
            levels = [1, 0.1, 0.4, 0.08, 0.2, 0.05, 0.1]
            pipes[number] = harmonics(pitch, rate_hz, levels) * swell(m, rate_hz, 0.015, 0.04)
        return pipes[number]

    for index, number in enumerate(tune):
        if number is not None:
            place(out, 0.6 * pipe(number), index * beat_s, rate_hz)
        root = 53 if (index // 3) % 4 < 2 else (58 if (index // 3) % 4 == 2 else 48)
        for under in ((root - 12,) if index % 3 == 0 else (root, root + 4, root + 7)):
            place(out, 0.25 * pipe(under), index * beat_s, rate_hz)
    return at_peak(out)


def fanfare(rate_hz: int) -> Sound:
    out = np.zeros(frames(2.2, rate_hz))
    for at_s, time_s, numbers in (
        (0.0, 0.2, (60,)), (0.22, 0.2, (64,)), (0.44, 0.2, (67,)), (0.66, 1.4, (60, 64, 67, 72)),
    ):  # fmt: skip
        n = frames(time_s, rate_hz)
        for number in numbers:
            levels = [1 / k**0.7 for k in range(1, 14)]
            brass = harmonics(np.full(n, hz_of(number)), rate_hz, levels)
            place(out, brass * swell(n, rate_hz, 0.02, 0.15) / len(numbers) ** 0.5, at_s, rate_hz)
    return spread(room(at_peak(out), rate_hz, 0.5, 33), rate_hz, 1)


# ---------------------------------------------------------------- loops and drones


def waves(rate_hz: int, time_s: float = 6.0) -> Sound:
    """Surf that joins end to end: filtered noise is circular, its swell makes whole turns."""
    n = frames(time_s, rate_hz)
    turn = 2 * np.pi * np.arange(n) / n
    sides = []
    for seed, lag in ((91, 0.0), (92, 0.7)):
        surf = band(noise(n, seed), rate_hz, 150, 3500)
        sides.append(surf * (0.4 + 0.35 * np.sin(2 * turn + lag) ** 2 + 0.2 * np.sin(turn + lag)))
    return at_peak(wide(*sides))


def engine(rate_hz: int, time_s: float = 2.0) -> Sound:
    """A slow boat engine: twelve strokes of one shape that join end to end."""
    stroke = np.zeros(frames(time_s / 12, rate_hz))
    place(stroke, thump(rate_hz)[: len(stroke)], 0, rate_hz)
    stroke *= swell(len(stroke), rate_hz, 0, 0.02)
    return at_peak(np.tile(stroke, 12))


def rain(rate_hz: int, time_s: float = 5.0) -> Sound:
    n = frames(time_s, rate_hz)
    drops = noise(n, 95)
    sparse = np.where(np.abs(drops) > 0.994, drops, 0.0)
    left = band(sparse, rate_hz, 900, 7000) + 0.05 * band(noise(n, 96), rate_hz, 500, 6000)
    right = np.roll(left, n // 3)
    return at_peak(wide(left, right))


def drone(rate_hz: int, pitch_hz: float = 55.0, time_s: float = 9.0) -> Sound:
    """Slowly beating tones; every frequency makes whole turns, so that it loops."""
    t = clock(time_s, rate_hz)
    sides = []
    for side in (0, 1):
        out = np.zeros(len(t))
        for number, level in enumerate((1.0, 0.6, 0.45, 0.2, 0.15), start=1):
            for off in (0, 1 + side):
                hz = round(number * pitch_hz * time_s + off * number) / time_s
                out += level * np.sin(2 * np.pi * hz * t + side * number)
        sides.append(out)
    return at_peak(wide(*sides))


def glass(rate_hz: int, time_s: float = 6.0) -> Sound:
    t = clock(time_s, rate_hz)
    sides = []
    for side in (0, 1):
        out = np.zeros(len(t))
        for index, number in enumerate((72, 76, 79, 83)):
            hz = round(hz_of(number) * time_s + side) / time_s
            turns = index + 1
            out += np.sin(2 * np.pi * hz * t) * (0.6 + 0.4 * np.sin(2 * np.pi * turns * t / time_s))
        sides.append(out)
    return at_peak(wide(*sides))
