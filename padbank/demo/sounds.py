"""The demo's harbour, hits, quiz and people: one function for each sound.

Each takes a rate in Hz and gives a sound as ``padbank.demo.synth`` describes it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from padbank.demo.synth import (
    Sound,
    at_peak,
    band,
    clock,
    frames,
    harmonics,
    noise,
    partials,
    place,
    spread,
    swell,
    voice,
    wide,
)

# ---------------------------------------------------------------- harbour


def foghorn(rate_hz: int, pitch_hz: float = 82.0, time_s: float = 2.6) -> Sound:
    n = frames(time_s, rate_hz)
    pitch = np.full(n, pitch_hz)
    pitch[: n // 8] = np.linspace(0.93 * pitch_hz, pitch_hz, n // 8)
    tail = n // 5
    pitch[n - tail :] = np.linspace(pitch_hz, 0.8 * pitch_hz, tail)
    levels = [1 / number**0.8 * (1.0 if number % 2 else 0.55) for number in range(1, 24)]
    body = harmonics(pitch, rate_hz, levels) + 0.03 * band(noise(n, 11), rate_hz, 100, 900)
    return at_peak(np.tanh(1.6 * at_peak(body * swell(n, rate_hz, 0.12, 0.45), 1.0)))


def bell(rate_hz: int, pitch_hz: float = 520.0, time_s: float = 2.8) -> Sound:
    """Ratios of a church-like bell: hum, prime, tierce, quint, nominal and above (common practice)."""
    ratios = (0.5, 1.0, 1.2, 1.5, 2.0, 2.51, 3.01, 4.17, 5.43)
    tones = [
        (pitch_hz * ratio, 0.9 / (1 + 0.5 * i), time_s / (1.6 + 0.7 * i))
        for i, ratio in enumerate(ratios)
    ]
    return at_peak(partials(time_s, rate_hz, tones))


def double_bell(rate_hz: int) -> Sound:
    out = np.zeros(frames(2.6, rate_hz))
    place(out, bell(rate_hz, 640, 2.0), 0, rate_hz)
    place(out, 0.9 * bell(rate_hz, 640, 2.2), 0.38, rate_hz)
    return at_peak(out)


def bell_buoy(rate_hz: int) -> Sound:
    out = np.zeros(frames(4.0, rate_hz))
    for at_s, pitch_hz, level in ((0.0, 410, 1.0), (0.9, 465, 0.6), (1.7, 410, 0.8), (2.9, 438, 0.7)):
        place(out, level * bell(rate_hz, pitch_hz, 1.9), at_s, rate_hz)
    return spread(at_peak(out), rate_hz, 3)


def gull(rate_hz: int, time_s: float = 0.55, pitch_hz: float = 1150.0) -> Sound:
    t = clock(time_s, rate_hz)
    share = t / time_s
    pitch = pitch_hz * (1 + 0.5 * np.sin(np.pi * share) - 0.25 * share)
    levels = [0.6, 1.0, 0.7, 0.35, 0.2, 0.1]
    return at_peak(harmonics(pitch, rate_hz, levels) * swell(len(t), rate_hz, 0.03, 0.2))


def gulls(rate_hz: int) -> Sound:
    left, right = np.zeros(frames(2.4, rate_hz)), np.zeros(frames(2.4, rate_hz))
    for index, at_s in enumerate((0.0, 0.3, 0.52, 0.95, 1.2, 1.62, 1.8)):
        cry = gull(rate_hz, 0.4 + 0.06 * (index % 3), 980 + 130 * (index % 4))
        place(left, cry * (0.3 + 0.1 * index), at_s, rate_hz)
        place(right, cry * (1.0 - 0.1 * index), at_s, rate_hz)
    return at_peak(wide(left, right))


def chain(rate_hz: int) -> Sound:
    out = np.zeros(frames(1.1, rate_hz))
    steps = noise(26, 71)
    at_s = 0.0
    for index in range(26):
        tone = 1700 + 900 * abs(steps[index])
        link = partials(
            0.09, rate_hz, [(tone, 1, 0.02), (1.6 * tone, 0.7, 0.015), (2.9 * tone, 0.5, 0.01)], 5e-4
        )
        place(out, link * (0.4 + 0.6 * abs(steps[25 - index])), at_s, rate_hz)
        at_s += 0.02 + 0.03 * abs(steps[index])
    return spread(at_peak(out), rate_hz, 4)


def splash(rate_hz: int) -> Sound:
    n = frames(1.0, rate_hz)
    t = np.arange(n) / rate_hz
    burst = band(noise(n, 72), rate_hz, 500, 7000) * np.exp(-t / 0.16) * np.minimum(1, t / 0.01)
    out = burst.copy()
    drops = noise(14, 73)
    for index in range(14):
        hz = 700 + 900 * abs(drops[index])
        drop = partials(0.08, rate_hz, [(hz, 0.35, 0.02)])
        place(out, drop, 0.15 + 0.05 * index, rate_hz)
    return spread(at_peak(out), rate_hz, 1)


def anvil(rate_hz: int) -> Sound:
    tones = [(1870, 1, 0.5), (2960, 0.8, 0.42), (4380, 0.6, 0.3), (6720, 0.5, 0.2), (9100, 0.3, 0.1)]
    return spread(at_peak(partials(1.5, rate_hz, tones, 3e-4)), rate_hz, 2)


def bosun(rate_hz: int) -> Sound:
    t = clock(1.7, rate_hz)
    pitch = np.interp(t, [0, 0.5, 0.62, 1.2, 1.35, 1.7], [1900, 1900, 2700, 2700, 1950, 1850])
    pitch = pitch * (1 + 0.006 * np.sin(2 * np.pi * 17 * t))
    out = harmonics(pitch, rate_hz, [1, 0.12, 0.05]) + 0.04 * band(noise(len(t), 21), rate_hz, 1500, 6000)
    return at_peak(out * swell(len(t), rate_hz, 0.04, 0.12))


# ---------------------------------------------------------------- hits


def click(rate_hz: int, time_s: float = 0.06, pitch_hz: float = 1650.0, seed: int = 5) -> Sound:
    """A stick on a rim: two wooden tones and a tick of noise."""
    out = partials(
        time_s, rate_hz, [(pitch_hz, 1, 0.012), (2.31 * pitch_hz, 0.6, 0.007)], 2e-4
    )
    n = len(out)
    tick = band(noise(n, seed), rate_hz, 2500, 0.4 * rate_hz) * np.exp(-np.arange(n) / (0.003 * rate_hz))
    return at_peak(out + 0.5 * tick)


def knock(rate_hz: int) -> Sound:
    return at_peak(partials(0.14, rate_hz, [(310, 1, 0.03), (620, 0.5, 0.02), (1240, 0.4, 0.01)], 5e-4))


def thump(rate_hz: int) -> Sound:
    """An empty barrel, kicked: a tone that falls from 140 to 52 Hz."""
    t = clock(0.34, rate_hz)
    pitch = 52 + 88 * np.exp(-t / 0.03)
    body = np.sin(2 * np.pi * np.cumsum(pitch) / rate_hz) * np.exp(-t / 0.09)
    skin = band(noise(len(t), 6), rate_hz, 800, 4000) * np.exp(-t / 0.006)
    return at_peak((body + 0.3 * skin) * swell(len(t), rate_hz, 0.0005, 0.03))


def shaker(rate_hz: int, time_s: float = 0.18, seed: int = 7) -> Sound:
    n = frames(time_s, rate_hz)
    shape = np.sin(np.pi * np.linspace(0, 1, n)) ** 3
    left = band(noise(n, seed), rate_hz, 4000, 0.42 * rate_hz) * shape
    right = band(noise(n, seed + 100), rate_hz, 4000, 0.42 * rate_hz) * shape
    return at_peak(wide(left, 0.4 * left + 0.6 * right))


def tambourine(rate_hz: int) -> Sound:
    n = frames(0.36, rate_hz)
    t = np.arange(n) / rate_hz
    out = band(noise(n, 8), rate_hz, 5000, 0.42 * rate_hz) * (np.exp(-t / 0.07) + 0.2 * np.exp(-t / 0.2))
    for hz in (6120, 7340, 8810):
        out += 0.15 * np.sin(2 * np.pi * hz * t) * np.exp(-t / 0.1)
    return at_peak(out * swell(n, rate_hz, 0.0005, 0.05))


def cork(rate_hz: int) -> Sound:
    t = clock(0.15, rate_hz)
    pitch = 420 + 900 * t / 0.15
    pop = np.sin(2 * np.pi * np.cumsum(pitch) / rate_hz) * np.exp(-t / 0.02)
    return at_peak(pop * swell(len(t), rate_hz, 0.0005, 0.02))


def drum_roll(rate_hz: int, time_s: float = 3.0) -> Sound:
    out = np.zeros(frames(time_s, rate_hz))
    n = frames(0.12, rate_hz)
    t = np.arange(n) / rate_hz
    strokes = [
        at_peak(
            band(noise(n, 300 + k), rate_hz, 300, 8000) * np.exp(-t / 0.035)
            + 0.6 * np.sin(2 * np.pi * 190 * t) * np.exp(-t / 0.03)
        )
        for k in range(8)
    ]
    at_s, index = 0.0, 0
    while at_s < time_s - 0.5:
        place(out, strokes[index % 8] * (0.35 + 0.65 * at_s / time_s), at_s, rate_hz)
        at_s += 0.046 + 0.004 * (index % 2)
        index += 1
    place(out, 1.4 * strokes[0], time_s - 0.45, rate_hz)
    return spread(at_peak(out), rate_hz, 2, 0.2)


def crash(rate_hz: int) -> Sound:
    n = frames(2.6, rate_hz)
    t = np.arange(n) / rate_hz
    sides = []
    for seed in (41, 42):
        bright = band(noise(n, seed), rate_hz, 3000, 0.42 * rate_hz) * np.exp(-t / 0.5)
        low = band(noise(n, seed + 10), rate_hz, 400, 3000) * np.exp(-t / 0.25)
        sides.append((bright + 0.5 * low) * swell(n, rate_hz, 0.001, 0.4))
    return at_peak(wide(*sides))


# ---------------------------------------------------------------- quiz


def buzzer(rate_hz: int, pitch_hz: float = 148.0, time_s: float = 0.9) -> Sound:
    n = frames(time_s, rate_hz)
    levels = [1 / number for number in range(1, 40)]
    a = harmonics(np.full(n, pitch_hz), rate_hz, levels)
    b = harmonics(np.full(n, 1.06 * pitch_hz), rate_hz, levels)
    return at_peak((a + b) * swell(n, rate_hz, 0.004, 0.02))


def ding(rate_hz: int) -> Sound:
    out = np.zeros(frames(1.5, rate_hz))
    for at_s, hz in ((0.0, 1046.5), (0.12, 1318.5), (0.24, 1568.0)):
        place(out, partials(1.2, rate_hz, [(hz, 1, 0.3), (2 * hz, 0.4, 0.2), (3.01 * hz, 0.2, 0.1)]), at_s, rate_hz)
    return spread(at_peak(out), rate_hz, 0)


def slide(rate_hz: int) -> Sound:
    """Four falling notes of a sorry horn, the last one sinking."""
    out = np.zeros(frames(2.6, rate_hz))
    for index, hz in enumerate((233.1, 220.0, 207.7, 196.0)):
        last = index == 3
        n = frames(1.0 if last else 0.42, rate_hz)
        t = np.arange(n) / rate_hz
        pitch = hz * (1 + 0.02 * np.sin(2 * np.pi * 6 * t)) * (1 - (0.25 * t if last else 0))
        note = voice(pitch, rate_hz, [(0, "u"), (0.4, "a"), (1, "u")])
        place(out, at_peak(note) * swell(n, rate_hz, 0.04, 0.12), 0.5 * index, rate_hz)
    return at_peak(out)


def ticking(rate_hz: int) -> Sound:
    """Two seconds of a big clock that join end to end: tick on 0 and 1 s, tock on ½ and 1½ s."""
    out = np.zeros(frames(2.0, rate_hz))
    for index in range(4):
        place(out, click(rate_hz, 0.08, (1900, 1300)[index % 2], 30 + index % 2), 0.5 * index, rate_hz)
    return at_peak(out)


# ---------------------------------------------------------------- people


def laugh(
    rate_hz: int,
    pitch_hz: float = 150.0,
    count: int = 7,
    gap_s: float = 0.19,
    vowel: str = "a",
    throat: float = 1.0,
    seed: int = 50,
) -> Sound:
    """Ha-ha-ha: breath, then a short vowel, over and over, sinking and slowing."""
    out = np.zeros(frames(count * gap_s * 1.25 + 0.3, rate_hz))
    at_s = 0.02
    for index in range(count):
        n = frames(0.13, rate_hz)
        t = np.arange(n) / n
        pitch = pitch_hz * (1.25 - 0.05 * index) * (1 + 0.12 * np.sin(np.pi * t))
        ha = at_peak(voice(pitch, rate_hz, [(0, vowel), (1, vowel)], throat)) * swell(
            n, rate_hz, 0.03, 0.06
        )
        breath = band(noise(n, seed + index), rate_hz, 900, 5000)
        ha = ha + 0.25 * breath * swell(n, rate_hz, 0.02, 0.1)
        place(out, ha * (1 - 0.07 * index), at_s, rate_hz)
        at_s += gap_s * (1 + 0.03 * index)
    return at_peak(out)


def crowd_laugh(rate_hz: int) -> Sound:
    n = frames(2.6, rate_hz)
    left, right = np.zeros(n), np.zeros(n)
    for index in range(6):
        one = laugh(
            rate_hz, 110 + 34 * index, 5 + index % 4, 0.17 + 0.012 * index,
            "aeoaei"[index], 1 + 0.05 * (index % 3), 500 + 20 * index,
        )  # fmt: skip
        place(left, one * (1 - index / 8), 0.09 * index, rate_hz)
        place(right, one * (0.25 + index / 8), 0.09 * index + 0.004, rate_hz)
    return at_peak(wide(left, right))


def applause(rate_hz: int, time_s: float, hands: int, seed: int = 60) -> Sound:
    """Hands that clap by themselves: grains of noise at random times, thicker in the middle."""
    n = frames(time_s, rate_hz)
    grain_n = frames(0.03, rate_hz)
    t = np.arange(grain_n) / rate_hz
    grains = [
        band(noise(grain_n, seed + k), rate_hz, 700 + 150 * k, min(5200, 0.4 * rate_hz))
        * np.exp(-t / 0.006)
        for k in range(6)
    ]
    count = int(hands * time_s)
    draws = (noise(3 * count, seed + 90) + 1) / 2
    left, right = np.zeros(n), np.zeros(n)
    for index in range(count):
        when_s, level, side = draws[3 * index : 3 * index + 3]
        when_s = when_s * (time_s - 0.1)
        grain = grains[index % 6] * (0.3 + 0.7 * level)
        place(left, grain * (1 - 0.7 * side), when_s, rate_hz)
        place(right, grain * (0.3 + 0.7 * side), when_s, rate_hz)
    shape = swell(n, rate_hz, 0.3 * time_s / 3, 0.5 * time_s)
    return at_peak(wide(left * shape, right * shape))


def crowd_vowel(rate_hz: int, vowel: str, fall: float, time_s: float = 2.0) -> Sound:
    """Many people on one vowel, each a little off: ``fall`` is the pitch at the end, as a ratio."""
    n = frames(time_s, rate_hz)
    here = np.linspace(0, 1, n)
    left, right = np.zeros(n), np.zeros(n)
    for index in range(7):
        pitch = (98 + 23 * index) * (1 + (fall - 1) * here) * (1 + 0.01 * np.sin(30 * here + index))
        one = at_peak(voice(pitch, rate_hz, [(0, vowel), (1, vowel)], 0.95 + 0.04 * (index % 4)))
        one = one * swell(n, rate_hz, 0.12 + 0.05 * index, 0.6)
        left += one * (1 - index / 9)
        right += one * (0.25 + index / 9)
    return at_peak(wide(left, right))


def speech(
    rate_hz: int, syllables: Sequence[tuple[str, str, float]], pitch_hz: float = 118.0, throat: float = 1.0
) -> Sound:
    """Speech-like babble: ``(onset, vowels, seconds)`` per syllable.

    Onsets: ``s`` hiss, ``t`` tick, ``m`` hum, ``-`` none. A space is a pause.
    """
    out = np.zeros(frames(sum(time_s for _, _, time_s in syllables) + 0.1, rate_hz))
    at_s = 0.0
    for index, (onset, vowels, time_s) in enumerate(syllables):
        if onset != " ":
            n = frames(time_s, rate_hz)
            here = np.linspace(0, 1, n)
            pitch = pitch_hz * (1.12 - 0.22 * index / len(syllables)) * (1 + 0.06 * np.sin(np.pi * here))
            marks = [(k / max(1, len(vowels) - 1), vowel) for k, vowel in enumerate(vowels)]
            sound = at_peak(voice(pitch, rate_hz, marks, throat)) * swell(n, rate_hz, 0.035, 0.05)
            if onset == "s":
                hiss = band(noise(frames(0.08, rate_hz), 80 + index), rate_hz, 2800, 0.42 * rate_hz)
                place(out, 0.35 * at_peak(hiss) * swell(len(hiss), rate_hz, 0.02, 0.03), at_s, rate_hz)
            elif onset == "t":
                place(out, 0.5 * click(rate_hz, 0.02, 2400, 80 + index), at_s, rate_hz)
            elif onset == "m":
                hum = harmonics(np.full(frames(0.07, rate_hz), pitch_hz), rate_hz, [1, 0.3, 0.1])
                place(out, 0.4 * hum * swell(len(hum), rate_hz, 0.02, 0.02), at_s, rate_hz)
            place(out, sound, at_s + (0.05 if onset in "stm" else 0.0), rate_hz)
        at_s += time_s
    return at_peak(out)


def over_radio(x: Sound, rate_hz: int, seed: int = 81) -> Sound:
    """Through a small radio: narrow, squashed, with crackle before and after."""
    pad = np.zeros(frames(0.15, rate_hz))
    x = np.concatenate([pad, x, pad])
    narrow = np.tanh(4 * at_peak(band(x, rate_hz, 400, 2800), 1.0))
    return at_peak(narrow + 0.08 * band(noise(len(x), seed), rate_hz, 600, 3000))
