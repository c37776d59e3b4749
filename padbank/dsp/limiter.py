"""A look-ahead, true-peak limiter for whole clips: zero shift, bounded slopes.

What it answers: the clip with no true peak above the ceiling, and how deep it
had to go.

How. A clip is known whole, so there is no delay to hide. For every frame the
peak of the 8 x oversampled sound around it says how far the gain must drop
(``need_db`` <= 0, all channels linked). The gain curve is the highest one that
never lies above the need and never falls faster than ``ATTACK_DB_PER_MS`` or
rises faster than ``RELEASE_DB_PER_MS``: two running minima in dB. A moving
minimum and two moving means of the same total length then round its corners; neither can
raise it above the need nor steepen it. Because the gain changes slowly, the
interpolated peaks of the product are the product's peaks but for a few
hundredths of a dB; what is left over is measured and taken off in a second
round. Frames that need no gain change come out bit-identical.

The slopes and the corner are padbank's own (common practice, no source). True
peak: ITU-R BS.1770-5 Annex 2, here at 8 x.

Functions and classes: ``limit``, ``Limiter``, ``Limited``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from padbank.dsp.peak import frame_peaks, true_peak
from padbank.units import db_to_gain, gain_to_db

FACTOR = 8
ATTACK_DB_PER_MS = 1.0
RELEASE_DB_PER_MS = 0.05
CORNER_S = 0.002
AIM_DB = 0.01
"""The curve aims this far under the ceiling, for rounding and other meters' filters."""
ROUNDS = 4

Curve = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limited:
    """The limited sound and the deepest gain reduction in dB (0: untouched)."""

    samples: NDArray[np.float64]
    deepest_db: float
    gain_db: Curve


class Limiter:
    """The peaks of one clip, ready to be limited at any drive gain.

    Parameters
    ----------
    samples : ndarray (frames, channels), float64
    sample_rate_hz : int
    """

    def __init__(self, samples: NDArray[Any], sample_rate_hz: int) -> None:
        self.samples = np.asarray(samples, dtype=np.float64)
        self.sample_rate_hz = sample_rate_hz
        self._peaks = peaks_of(self.samples)

    @property
    def true_peak(self) -> float:
        """Highest interpolated peak, linear; 0 for no frames."""
        return float(self._peaks.max(initial=0.0))

    def curve_db(self, drive: float, ceiling_dbtp: float) -> Curve:
        """Gain in dB (<= 0) per frame that keeps ``drive * samples`` under the ceiling."""
        need = _need_db(self._peaks * drive, db_to_gain(ceiling_dbtp - AIM_DB))
        return smooth_curve_db(need, self.sample_rate_hz)

    def apply(self, drive: float, ceiling_dbtp: float) -> Limited:
        """Drive, limit, look again and take off what is left over."""
        ceiling = db_to_gain(ceiling_dbtp - AIM_DB)
        driven = self.samples * drive
        need = _need_db(self._peaks * drive, ceiling)
        if not need.any():
            return Limited(samples=driven, deepest_db=0.0, gain_db=need)
        for _ in range(ROUNDS):
            curve = smooth_curve_db(need, self.sample_rate_hz)
            limited = driven * np.power(10.0, curve / 20.0)[:, None]
            left = _need_db(peaks_of(limited), ceiling)
            over_db = gain_to_db(true_peak(limited, self.sample_rate_hz)) - ceiling_dbtp
            if over_db <= 0.0 and left.min() >= -AIM_DB:
                break
            # Off where points stand out, and everywhere by what lies between the points
            need = np.minimum(need, curve + left)
            if over_db > 0.0:
                need[need < 0.0] -= over_db
        return Limited(samples=limited, deepest_db=-float(curve.min()), gain_db=curve)


def limit(samples: NDArray[Any], sample_rate_hz: int, ceiling_dbtp: float) -> Limited:
    """Limit ``(frames, channels)`` to a true peak of ``ceiling_dbtp``.

    >>> import numpy as np
    >>> quiet = np.full((100, 1), 0.01)
    >>> limit(quiet, 48000, -1.0).deepest_db
    0.0
    """
    return Limiter(samples, sample_rate_hz).apply(1.0, ceiling_dbtp)


def peaks_of(samples: NDArray[np.float64]) -> Curve:
    """Peak around each frame, all channels, by a long and by a short interpolator.

    The long one (``peak.frame_peaks``) is flat to 20 kHz; the short one (20 taps, as common
    meters have) lets through more of what lies beside half the rate. Converters are of both kinds.
    """
    frames = len(samples)
    if not frames:
        return np.zeros(0)
    peaks = np.array(frame_peaks(samples, FACTOR), dtype=np.float64)
    short = np.abs(signal.resample_poly(samples, FACTOR, 1, axis=0)).max(axis=1)
    between = short.reshape(frames, FACTOR).max(axis=1)
    np.maximum(peaks, between, out=peaks)
    np.maximum(peaks[1:], between[:-1], out=peaks[1:])
    return peaks


def _need_db(peaks: Curve, ceiling: float) -> Curve:
    need = np.zeros(len(peaks))
    hot = np.flatnonzero(peaks > ceiling)
    if len(hot):
        need[hot] = 20.0 * np.log10(ceiling / peaks[hot])
    return need


def smooth_curve_db(need_db: Curve, sample_rate_hz: int) -> Curve:
    """The highest curve under ``need_db`` (<= 0) with the stated slopes and round corners."""
    curve = np.zeros(len(need_db))
    hot = np.flatnonzero(need_db)
    if not len(hot):
        return curve
    attack = ATTACK_DB_PER_MS * 1000.0 / sample_rate_hz
    release = RELEASE_DB_PER_MS * 1000.0 / sample_rate_hz
    half = max(1, round(CORNER_S * sample_rate_hz / 4))
    deepest = -float(need_db.min())
    first = max(0, int(hot[0]) - int(deepest / attack) - 4 * half - 2)
    last = min(len(need_db), int(hot[-1]) + int(deepest / release) + 4 * half + 2)
    part = need_db[first:last]
    ramp = np.arange(len(part), dtype=np.float64)
    # min over j <= i of need[j] + release * (i - j): falls at once, rises slowly
    falling = np.minimum.accumulate(part - release * ramp) + release * ramp
    # the same backwards for the attack: min over j >= i of curve[j] + attack * (j - i)
    falling = np.minimum.accumulate((falling + attack * ramp)[::-1])[::-1] - attack * ramp
    width = 2 * half + 1
    held = ndimage.minimum_filter1d(falling, 2 * width - 1, mode="nearest")
    rounded = ndimage.uniform_filter1d(held, width, mode="nearest")
    rounded = ndimage.uniform_filter1d(rounded, width, mode="nearest")
    rounded[rounded > -1e-9] = 0.0
    curve[first:last] = np.minimum(rounded, 0.0)
    return curve
