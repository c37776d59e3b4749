"""Meters that padbank did not write, for stereo as played.

- Loudness written out from the equations of ITU-R BS.1770-5 (Annex 1), at 48 kHz: scipy's
  direct-form filter on the coefficients of tables 1 and 2.
- libebur128 through pyebur128, where it is installed.
- pyloudnorm 0.2.0 with its BS.1770-matching filters (``filter_class="DeMan"``), integrated from 3 s
  on: it rounds a last partial block in, so that shorter sounds may differ.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pyloudnorm
import pytest
from scipy import signal

try:
    import pyebur128
except ImportError:  # libebur128 is only for comparing
    pyebur128 = None

SHELF = (
    [1.53512485958697, -2.69169618940638, 1.19839281085285],
    [1.0, -1.69065929318241, 0.73248077421585],
)
HIGH_PASS = ([1.0, -2.0, 1.0], [1.0, -1.99004745483398, 0.99007225036621])
RATE_HZ = 48_000


def weighted_energy(samples):
    """K-weighted squares of ``(frames, channels)``, summed over the channels (G = 1)."""
    weighted = signal.lfilter(*HIGH_PASS, signal.lfilter(*SHELF, samples, axis=0), axis=0)
    return (weighted**2).sum(axis=1)


def loudest_window_lufs(samples, frames):
    """Eq. 2 over windows of so many frames slid by 1 ms, silence around."""
    around = np.zeros((frames, samples.shape[1]))
    sums = np.concatenate([[0.0], np.cumsum(weighted_energy(np.concatenate([around, samples, around])))])
    windows = (sums[frames:] - sums[:-frames])[::48] / frames
    return -0.691 + 10 * np.log10(windows.max())


def momentary_max_lufs(samples):
    return loudest_window_lufs(samples, 19_200)


def integrated_lufs(samples):
    """Eq. 3-7: blocks of 400 ms every 100 ms, gates at -70 LUFS and 10 LU under the mean."""
    sums = np.concatenate([[0.0], np.cumsum(weighted_energy(samples))])
    starts = np.arange(0, len(samples) - 19_200 + 1, 4_800)
    blocks = (sums[starts + 19_200] - sums[starts]) / 19_200
    blocks = blocks[-0.691 + 10 * np.log10(blocks + 1e-30) > -70.0]
    gate = 10 * np.log10(blocks.mean()) - 10.0
    return -0.691 + 10 * np.log10(blocks[10 * np.log10(blocks) > gate].mean())


def libebur128_lufs(samples, rate_hz, *, momentary):
    """Integrated, or the highest momentary loudness asked every millisecond, silence around."""
    mode = pyebur128.MeasurementMode.MODE_I | pyebur128.MeasurementMode.MODE_M
    state = pyebur128.R128State(samples.shape[1], rate_hz, mode)
    if not momentary:
        state.add_frames(np.ascontiguousarray(samples.reshape(-1)), len(samples))
        return pyebur128.get_loudness_global(state)
    around = np.zeros((round(0.4 * rate_hz), samples.shape[1]))
    samples = np.concatenate([around, samples, around])
    step, highest = rate_hz // 1000, -np.inf
    for first in range(0, len(samples) - step, step):
        state.add_frames(np.ascontiguousarray(samples[first : first + step].reshape(-1)), step)
        highest = max(highest, pyebur128.get_loudness_momentary(state))
    return highest


def readings(played, rate_hz, *, momentary):
    """Integrated loudness, or the highest momentary one, by the meters that can read it."""
    found = {}
    if rate_hz == RATE_HZ:
        found["written out"] = momentary_max_lufs(played) if momentary else integrated_lufs(played)
    if pyebur128 is not None:
        found["libebur128"] = libebur128_lufs(played, rate_hz, momentary=momentary)
    if not momentary and len(played) >= 3 * rate_hz:
        meter = pyloudnorm.Meter(rate_hz, filter_class="DeMan")
        found["pyloudnorm"] = meter.integrated_loudness(played)
    return found


@pytest.fixture(scope="session")
def other_meters():
    """``readings`` and ``loudest_window_lufs``."""
    return SimpleNamespace(readings=readings, loudest_window_lufs=loudest_window_lufs)
