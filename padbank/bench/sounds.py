"""Sounds that the meter's benchmark synthesises, all stereo.

Functions: ``music``, ``white``, ``tone``, ``square``, ``in_16_bits``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Singles = NDArray[np.float32]

RATE_HZ = 44_100


def music(seconds: float, rate_hz: int = RATE_HZ, *, seed: int = 1, drive: float = 0.0) -> Singles:
    """Stereo drums and tones in a made-up pattern; ``drive`` above 0 pushes them into a soft limit."""
    rng = np.random.default_rng(seed)
    frames = int(seconds * rate_hz)
    mix = np.zeros((frames, 2))
    beat = int(0.25 * rate_hz)
    decay = np.exp(-np.arange(2 * beat) / (0.07 * rate_hz))
    time_s = np.arange(2 * beat) / rate_hz
    kick = np.sin(2 * np.pi * (50 * time_s + 9 * (1 - np.exp(-time_s * 30)))) * decay
    brush = rng.standard_normal(2 * beat) * decay**2
    brush = np.convolve(brush, [0.4, 0.35, 0.25], mode="same")
    notes = 110.0 * 2.0 ** (np.array([0, 3, 7, 10, 12, 15]) / 12.0)
    for number, start in enumerate(range(0, frames, beat)):
        end = min(frames, start + 2 * beat)
        span = end - start
        level = 0.6 + 0.4 * rng.random()
        if number % 2 == 0:
            mix[start:end] += 0.8 * level * kick[:span, None]
        else:
            mix[start:end] += 0.25 * level * brush[:span, None] * rng.uniform(0.5, 1.0, 2)
        tone_hz = notes[rng.integers(len(notes))]
        tone = sum(np.sin(2 * np.pi * tone_hz * k * time_s[:span]) / k**1.2 for k in range(1, 12))
        mix[start:end] += 0.12 * level * (tone * decay[:span] ** 0.3)[:, None] * rng.uniform(0.4, 1, 2)
    mix += 0.004 * rng.standard_normal(mix.shape)
    mix *= 0.7 / np.abs(mix).max()
    if drive > 0.0:
        mix = 0.9 * np.tanh(mix * drive)
    return mix.astype(np.float32)


def white(seconds: float, rate_hz: int = RATE_HZ) -> Singles:
    noise = np.random.default_rng(2).standard_normal((int(seconds * rate_hz), 2))
    return (0.1 * noise).astype(np.float32)


def tone(seconds: float, freq_hz: float, rate_hz: int = RATE_HZ) -> Singles:
    """A steady sine on both sides, a quarter turn apart, faded in and out within 20 ms.

    Begun abruptly it would overshoot by 1.1 dB, and no later crest would have to be looked at.
    """
    phase = 2 * np.pi * freq_hz / rate_hz * np.arange(int(seconds * rate_hz))
    sides = 0.5 * np.sin(np.stack([phase, phase + np.pi / 2], axis=1))
    edge = 0.5 - 0.5 * np.cos(np.pi * np.arange(rate_hz // 50) / (rate_hz // 50))
    sides[: len(edge)] *= edge[:, None]
    sides[-len(edge) :] *= edge[::-1, None]
    return sides.astype(np.float32)


def in_16_bits(sound: Singles) -> Singles:
    return (np.round(sound * np.float32(32768.0)) / np.float32(32768.0)).astype(np.float32)


def square(seconds: float, freq_hz: float = 440.3, rate_hz: int = RATE_HZ) -> Singles:
    """A square wave of plain sign changes, which rings between its samples."""
    return (0.5 * np.sign(tone(seconds, freq_hz, rate_hz) + np.float32(1e-9))).astype(np.float32)
