"""Sounds for the demo, made from equations: nothing here was recorded by anybody.

Every function takes a sample rate in Hz and gives a float64 array, ``(frames,)``
for mono or ``(frames, 2)`` for stereo, with its highest peak at ``PEAK``
(±0.8) unless it says otherwise. The same arguments give the same sound: noise
comes from a generator's raw integers, whose stream is fixed.

These are the building blocks; the sounds themselves are in ``demo.sounds`` and
``demo.music``.

Functions: ``noise``, ``band``, ``swell``, ``partials``, ``harmonics``,
``voice``, ``place``, ``wide``, ``spread``, ``room``.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float64]

PEAK = 0.8
VOICE_TOP_HZ = 3600.0
"""Above this a formant voice has next to nothing."""

VOWELS_HZ: dict[str, tuple[float, float, float]] = {
    "i": (270.0, 2290.0, 3010.0),
    "e": (530.0, 1840.0, 2480.0),
    "a": (730.0, 1090.0, 2440.0),
    "o": (570.0, 840.0, 2410.0),
    "u": (300.0, 870.0, 2240.0),
}
"""First three formants of a man's vowels: averages after Peterson & Barney, J. Acoust. Soc. Am.
24, 175 (1952); from memory, and good enough for a voice that never spoke."""


def frames(time_s: float, rate_hz: int) -> int:
    return int(time_s * rate_hz + 0.5)


def clock(time_s: float, rate_hz: int) -> Sound:
    """Times of the frames in seconds."""
    return np.arange(frames(time_s, rate_hz)) / rate_hz


def noise(n: int, seed: int) -> Sound:
    """White noise, uniform in ±1. Raw generator output, so that no library changes it."""
    raw = np.random.PCG64(seed).random_raw(n)
    return (raw >> np.uint64(11)).astype(np.float64) * (2.0 / 2**53) - 1.0


def band(x: Sound, rate_hz: int, low_hz: float, high_hz: float) -> Sound:
    """Keep ``low_hz`` to ``high_hz``, with soft edges. Circular: a loop stays a loop."""
    spectrum = np.fft.rfft(x)
    hz = np.fft.rfftfreq(len(x), 1 / rate_hz)
    shape = 1 / (1 + (hz / high_hz) ** 8)
    if low_hz > 0:
        shape *= 1 - 1 / (1 + (hz / low_hz) ** 8)
    return np.fft.irfft(spectrum * shape, len(x))


def at_peak(x: Sound, peak: float = PEAK) -> Sound:
    highest = float(np.max(np.abs(x))) if x.size else 0.0
    return x if highest == 0 else x * (peak / highest)


def swell(n: int, rate_hz: int, attack_s: float, release_s: float) -> Sound:
    """Rise and fall as half cosines, flat between."""
    shape = np.ones(n)
    up, down = min(n, frames(attack_s, rate_hz)), min(n, frames(release_s, rate_hz))
    if up:
        shape[:up] *= 0.5 - 0.5 * np.cos(np.pi * np.arange(up) / up)
    if down:
        shape[n - down :] *= 0.5 + 0.5 * np.cos(np.pi * np.arange(1, down + 1) / down)
    return shape


def partials(
    time_s: float, rate_hz: int, tones: Sequence[tuple[float, float, float]], strike_s: float = 0.002
) -> Sound:
    """Decaying sine tones ``(frequency in Hz, level, decay time in s)``, struck together."""
    t = clock(time_s, rate_hz)
    out = np.zeros(len(t))
    for hz, level, decay_s in tones:
        if hz < 0.45 * rate_hz:
            out += level * np.exp(-t / decay_s) * np.sin(2 * np.pi * hz * t)
    out *= np.minimum(1.0, t / strike_s)
    return out * swell(len(t), rate_hz, 0, min(0.03, time_s / 4))


def harmonics(
    pitch_hz: Sound, rate_hz: int, levels: Sequence[float] | NDArray[np.float64]
) -> Sound:
    """Whole multiples of a pitch that may glide; ``levels`` per harmonic, fixed or by frame."""
    turn = np.exp(2j * np.pi * np.cumsum(pitch_hz) / rate_hz)
    out, power = np.zeros(len(pitch_hz)), np.ones(len(pitch_hz), dtype=complex)
    highest_hz = float(np.max(pitch_hz))
    for number, level in enumerate(levels, start=1):
        if number * highest_hz > 0.45 * rate_hz:
            break
        power *= turn
        out += level * power.imag
    return out


def voice(
    pitch_hz: Sound, rate_hz: int, vowels: Sequence[tuple[float, str]], throat: float = 1.0
) -> Sound:
    """A voiced sound: harmonics weighted by gliding formants.

    Parameters
    ----------
    vowels : ``(time as a share of the length, vowel)``, in order.
    throat : scales the formants; above 1 is a smaller head.
    """
    n = len(pitch_hz)
    share = np.linspace(0, 1, 120)
    slow_pitch = np.interp(share, np.linspace(0, 1, n), pitch_hz)
    centres = [
        throat
        * np.interp(share, [at for at, _ in vowels], [VOWELS_HZ[vowel][i] for _, vowel in vowels])
        for i in range(3)
    ]
    here = np.linspace(0, 1, n)
    levels = []
    highest_hz = min(0.45 * rate_hz, 1.4 * VOICE_TOP_HZ)
    for number in range(1, min(40, int(highest_hz / np.max(slow_pitch))) + 1):
        hz = number * slow_pitch
        weight = np.zeros(len(share))
        for centre, width_hz, strength in zip(centres, (90, 120, 180), (1, 0.6, 0.3), strict=True):
            weight += strength / (1 + ((hz - centre) / width_hz) ** 2)
        levels.append(np.interp(here, share, weight / number**0.6))
    return harmonics(pitch_hz, rate_hz, np.array(levels))


def place(out: Sound, x: Sound, at_s: float, rate_hz: int) -> None:
    """Add ``x`` to ``out`` from ``at_s`` on; what would run over the end is left off."""
    start = frames(at_s, rate_hz)
    room = max(0, min(len(x), len(out) - start))
    out[start : start + room] += x[:room]


def wide(left: Sound, right: Sound) -> Sound:
    n = min(len(left), len(right))
    return np.stack([left[:n], right[:n]], axis=1)


def spread(x: Sound, rate_hz: int, seed: int, amount: float = 0.3, delay_s: float = 0.011) -> Sound:
    """Mono to stereo: each side gets its own later, softer, duller copy."""
    lag = frames(delay_s + 0.001 * (seed % 5), rate_hz)
    soft = band(x, rate_hz, 0, min(5000, 0.4 * rate_hz))
    left, right = x.copy(), x.copy()
    left[lag:] += amount * soft[: len(x) - lag]
    right[2 * lag :] -= amount * soft[: len(x) - 2 * lag]
    return at_peak(wide(left, right))


def room(x: Sound, rate_hz: int, time_s: float, seed: int, wet: float = 0.35) -> Sound:
    """A hall: the sound convolved with decaying noise (Fourier product), tail included."""
    n = frames(time_s, rate_hz)
    tail = noise(n, seed) * np.exp(-5 * np.arange(n) / n)
    total = len(x) + n
    size = 1 << (total - 1).bit_length()
    echo = np.fft.irfft(np.fft.rfft(x, size) * np.fft.rfft(tail, size), size)[:total]
    out = np.zeros(total)
    out[: len(x)] += x
    echo *= np.max(np.abs(x)) / max(1e-9, np.max(np.abs(echo)))
    return at_peak(out + wet * echo)
