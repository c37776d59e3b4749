"""What a clip would lose as mono or at a lower rate, judged on the clip itself.

``mono_loss_db``: the energy that the side signal (L−R)/2 holds beside the mid
signal (L+R)/2: 0 for the same sound in both channels, 3 dB for unrelated ones,
up to ``MOST_LOSS_DB`` for opposite ones.

``rate_loss_db``: energy above what the lower rate keeps (``KEPT_OF_NYQUIST``,
the pass band that soxr VHQ states), after a first-difference pre-emphasis that
flattens the usual fall of 6 dB an octave, so that the treble counts.

Both are conventions of this project, not of a standard; they order versions
and are shown in natural units.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padbank.units import power_to_db

MOST_LOSS_DB = 24.0
KEPT_OF_NYQUIST = 0.913
"""Pass band end of soxr's high-quality recipes as a share of the lower Nyquist (soxr.h)."""
BLOCK_FRAMES = 4096
MOST_BLOCKS = 200
"""Longer clips are judged on so many blocks, evenly spread."""


def mono_loss_db(samples: NDArray[np.floating]) -> float:
    """Loss in dB of playing ``(frames, 2)`` samples as mono; 0 for mono or silence."""
    if samples.shape[1] < 2 or not len(samples):
        return 0.0
    left, right = samples[:, 0].astype(np.float64), samples[:, 1].astype(np.float64)
    mid, side = float(np.mean(((left + right) / 2) ** 2)), float(np.mean(((left - right) / 2) ** 2))
    if side == 0.0:
        return 0.0
    if mid == 0.0:
        return MOST_LOSS_DB
    return min(MOST_LOSS_DB, power_to_db((mid + side) / mid))


def rate_loss_db(samples: NDArray[np.floating], rate_hz: int, new_rates_hz: tuple[int, ...]) -> dict[int, float]:
    """Loss in dB at each of ``new_rates_hz``; 0 where the rate is not lower."""
    losses = dict.fromkeys(new_rates_hz, 0.0)
    lower = [r for r in new_rates_hz if r < rate_hz]
    if not lower or not len(samples):
        return losses
    count = -(-len(samples) // BLOCK_FRAMES)
    picked = range(0, count, -(-count // MOST_BLOCKS))
    window = np.hanning(BLOCK_FRAMES).astype(np.float32)
    power = np.zeros(BLOCK_FRAMES // 2 + 1)
    for index in picked:
        block = samples[index * BLOCK_FRAMES : (index + 1) * BLOCK_FRAMES].astype(np.float32)
        sharpened = np.zeros((BLOCK_FRAMES, block.shape[1]), dtype=np.float32)
        sharpened[1 : len(block)] = np.diff(block, axis=0)
        spectrum = np.fft.rfft(sharpened.T * window, axis=1)
        power += (spectrum.real**2 + spectrum.imag**2).sum(axis=0)
    total = float(power.sum())
    if total == 0.0:
        return losses
    frequencies_hz = np.fft.rfftfreq(BLOCK_FRAMES, 1.0 / rate_hz)
    for rate in lower:
        kept = float(power[frequencies_hz <= KEPT_OF_NYQUIST * rate / 2].sum())
        losses[rate] = MOST_LOSS_DB if kept <= 0 else min(MOST_LOSS_DB, power_to_db(total / kept))
    return losses
