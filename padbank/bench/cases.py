"""The test signals of EBU Tech 3341 and 3342 that are defined in words, synthesised.

Answers: which signals must a loudness meter read how? Cases 7 and 8 of Tech
3341 and 5 and 6 of Tech 3342 are recordings that only the EBU distributes;
all others are here.

Source: EBU Tech 3341 v4 (2023), table 1, and EBU Tech 3342 (2023), table 1,
through the public test suites of open meters. Levels are the peak of a sine
in dBFS, per channel. From memory or our own reading, where those sources do
not say it: cases 20 to 23 take 0.5 for the tone's peak and 1.0 for the
spliced period's, and are limited to half the final rate before decimation
(picked without that, two of the four signals truly peak beyond the
standard's own tolerance).

A ``Case`` carries the standard's tolerance and a tighter one, which padbank
holds itself to. Some cases are twenty sounds; each must read right.

Functions: ``tech_3341``, ``tech_3342``, ``all_cases``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padbank.units import db_to_gain, seconds_to_frames

Sound = NDArray[np.float64]

TONE_HZ = 1000.0
FADE_S = 0.01


@dataclass(frozen=True, slots=True)
class Case:
    """One test case: sounds, and what a meter must read for each.

    ``quantity`` is I, M, S (their maxima), LRA or TP.
    """

    name: str
    quantity: str
    sounds: tuple[Callable[[int], Sound], ...]
    expected: tuple[float, ...]
    over: float
    under: float
    tight_over: float
    tight_under: float

    def worst(self, figures: list[float | None]) -> float | None:
        """The figure furthest from what is expected, as a difference; None where one is missing."""
        if any(figure is None for figure in figures):
            return None
        return max(
            (figure - wanted for figure, wanted in zip(figures, self.expected, strict=True) if figure is not None),
            key=abs,
        )

    def holds(self, figures: list[float | None], *, tight: bool) -> bool:
        over, under = (self.tight_over, self.tight_under) if tight else (self.over, self.under)
        return all(
            figure is not None and wanted - under <= figure <= wanted + over
            for figure, wanted in zip(figures, self.expected, strict=True)
        )


def stepped_tone(
    rate_hz: int, steps: list[tuple[float, float | None]], channels_db: tuple[float, ...] = (0.0, 0.0)
) -> Sound:
    """A 1 kHz tone whose peak changes: (seconds, dBFS or None for silence), phase running on."""
    ends_s = np.cumsum([seconds for seconds, _ in steps])
    bounds = [0, *(seconds_to_frames(float(end_s), rate_hz) for end_s in ends_s)]
    period = rate_hz // math.gcd(rate_hz, int(TONE_HZ))
    tone = np.resize(np.sin(2.0 * np.pi * TONE_HZ / rate_hz * np.arange(period)), bounds[-1])
    for (_, level), start, end in zip(steps, bounds[:-1], bounds[1:], strict=True):
        tone[start:end] *= 0.0 if level is None else db_to_gain(level)
    return tone[:, None] * np.array([db_to_gain(level) for level in channels_db])


def _steps(*steps: tuple[float, float | None]) -> Callable[[int], Sound]:
    return lambda rate_hz: stepped_tone(rate_hz, list(steps))


def _faded(tone: Sound, rate_hz: int) -> Sound:
    """10 ms linear fades at both ends, so that the ends do not ring."""
    frames = seconds_to_frames(FADE_S, rate_hz)
    ramp = (np.arange(frames) + 0.5) / frames
    tone[:frames] *= ramp
    tone[-frames:] *= ramp[::-1]
    return tone


def _peak_tone(of_rate: float, peak: float, phase_deg: float) -> Callable[[int], Sound]:
    def sound(rate_hz: int) -> Sound:
        tone = peak * np.sin(2.0 * np.pi * of_rate * np.arange(rate_hz) + np.radians(phase_deg))
        return np.repeat(_faded(tone, rate_hz)[:, None], 2, axis=1)

    return sound


def _spliced(offset: int) -> Callable[[int], Sound]:
    """A tone at 1/6 of the rate with one period of 1/4 of the rate inside, made at 4 x the rate."""

    def sound(rate_hz: int) -> Sound:
        half = 0.5 * np.sin(2.0 * np.pi * np.arange(rate_hz // 24 * 24) / 24.0)
        period = np.sin(2.0 * np.pi * np.arange(16) / 16.0)
        fine = _faded(np.concatenate([half, period, half]), 4 * rate_hz)
        spectrum = np.fft.rfft(fine)
        spectrum[len(fine) // 8 :] = 0.0
        tone = np.fft.irfft(spectrum, len(fine))[offset::4]
        return np.repeat(tone[:, None], 2, axis=1)

    return sound


def tech_3341() -> Iterator[Case]:
    """EBU Tech 3341 cases 1 to 6 and 9 to 23; the tight tolerances are padbank's own."""

    def loud(name: str, quantity: str, sounds: list[Callable[[int], Sound]], expected: list[float]) -> Case:
        tight = {"I": 0.03, "S": 0.02, "M": 0.05}[quantity]
        return Case(name, quantity, tuple(sounds), tuple(expected), 0.1, 0.1, tight, tight)

    for name, level in (("1", -23.0), ("2", -33.0)):
        for quantity in "IMS":
            yield loud(f"{name} {quantity}", quantity, [_steps((20, level))], [level])
    yield loud("3", "I", [_steps((10, -36), (60, -23), (10, -36))], [-23.0])
    yield loud("4", "I", [_steps((10, -72), (10, -36), (60, -23), (10, -36), (10, -72))], [-23.0])
    yield loud("5", "I", [_steps((20, -26), (20.1, -20), (20, -26))], [-23.0])
    five = (-28.0, -28.0, -24.0, -30.0, -30.0)
    yield loud("6", "I", [lambda rate_hz: stepped_tone(rate_hz, [(20, 0.0)], five)], [-23.0])
    yield loud("9", "S", [_steps(*[(1.34, -20), (1.66, -30)] * 5)], [-23.0])
    turns = range(20)
    yield loud("10", "S", [_steps((i * 0.15, None), (3, -23), (1, None)) for i in turns], [-23.0] * 20)
    yield loud(
        "11", "S", [_steps((i * 0.15, None), (3, -38 + i), (3 - i * 0.15, None)) for i in turns],
        [-38.0 + i for i in turns],
    )  # fmt: skip
    yield loud("12", "M", [_steps(*[(0.18, -20), (0.22, -30)] * 25)], [-23.0])
    yield loud("13", "M", [_steps((i * 0.02, None), (0.4, -23), (1, None)) for i in turns], [-23.0] * 20)
    yield loud(
        "14", "M", [_steps((i * 0.02, None), (0.4, -38 + i), (0.4 - i * 0.02, None)) for i in turns],
        [-38.0 + i for i in turns],
    )  # fmt: skip
    peaks = [
        ("15", _peak_tone(1 / 4, 0.5, 0.0), -6.0),
        ("16", _peak_tone(1 / 4, 0.5, 45.0), -6.0),
        ("17", _peak_tone(1 / 6, 0.5, 60.0), -6.0),
        ("18", _peak_tone(1 / 8, 0.5, 67.5), -6.0),
        ("19", _peak_tone(1 / 4, 1.41, 45.0), 3.0),
        *((str(20 + offset), _spliced(offset), 0.0) for offset in range(4)),
    ]
    for name, sound, expected in peaks:
        yield Case(name, "TP", (sound,), (expected,), 0.2, 0.4, 0.05, 0.10)


def tech_3342() -> Iterator[Case]:
    """EBU Tech 3342 cases 1 to 4: the loudness range of stepped tones."""
    steps = {
        "1": ([-20, -30], 10.0),
        "2": ([-20, -15], 5.0),
        "3": ([-40, -20], 20.0),
        "4": ([-50, -35, -20, -35, -50], 15.0),
    }
    for name, (levels, expected) in steps.items():
        sound = _steps(*[(20, float(level)) for level in levels])
        yield Case(name, "LRA", (sound,), (expected,), 1.0, 1.0, 0.02, 0.02)


def all_cases() -> Iterator[tuple[str, Case]]:
    """Both standards' cases, with the standard's number."""
    yield from (("3341", case) for case in tech_3341())
    yield from (("3342", case) for case in tech_3342())
