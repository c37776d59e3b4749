"""A look-ahead, true-peak limiter for whole clips: zero shift, bounded slopes.

What it answers: the clip with no true peak above the ceiling, and how deep it
had to go.

How. A clip is known whole, so there is no delay to hide. For every frame the
peak of the 8 x oversampled sound around it (``overs``) says how far the gain must drop
(``need_db`` <= 0, all channels linked). The gain curve is the highest one that
never lies above the need and never falls faster than ``ATTACK_DB_PER_MS`` or
rises faster than ``RELEASE_DB_PER_MS``: two running minima in dB, over steps of
a sixth of a millisecond. A moving minimum and two moving means of the same total length then round its
corners, and straight lines join the steps; none of these can raise it above the
need nor steepen it. Because the gain changes slowly, the
interpolated peaks of the product are the product's peaks but for a few
hundredths of a dB; what is left over is measured and taken off in a second
round. Frames that need no gain change come out bit-identical.

The slopes and the corner are padbank's own (common practice, no source). True
peak: ITU-R BS.1770-5 Annex 2, here at 8 x.

Functions and classes: ``limit``, ``Limiter``, ``Limited``, ``need_db``,
``smooth_curve_db``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.overs import peaks_over
from padbank.dsp.peak import true_peak
from padbank.units import db_to_gain, gain_to_db

ATTACK_DB_PER_MS = 1.0
RELEASE_DB_PER_MS = 0.05
CORNER_S = 0.002
AIM_DB = 0.04
"""The curve aims this far under the ceiling, for rounding, what lies between points, and other meters' filters."""
SLACK_DB = 0.01
"""A second look is content with peaks over the ceiling by no more than this."""
BETWEEN_MAX_DB = 0.1
ROUNDS = 4
STEPS_PER_S = 6000
"""The gain curve is reckoned in steps of about this many a second and joined by straight lines."""
STRAIGHT = 0.99
"""Lines straight in gain are up to 1 % steeper in dB than their ends, at 6000 steps a second."""

Curve = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Limited:
    """The limited sound, its gain (frames,) and the deepest reduction in dB (0: untouched)."""

    samples: NDArray[np.float64]
    gain: Curve
    deepest_db: float


class Limiter:
    """The peaks of one clip, ready to be limited at several drive gains.

    Parameters
    ----------
    samples : ndarray (frames, channels), float64
    sample_rate_hz : int
    least : linear; peaks below it never matter (ceiling over the largest drive to come)
    """

    def __init__(self, samples: NDArray[Any], sample_rate_hz: int, least: float = 0.0) -> None:
        self.samples = np.asarray(samples, dtype=np.float64)
        self.sample_rate_hz = sample_rate_hz
        self.step_frames = max(1, round(sample_rate_hz / STEPS_PER_S))
        self._peaks = self._by_step(peaks_over(self.samples, 0.98 * least))
        self._between_db = self._beyond_points_db()

    def _beyond_points_db(self) -> float:
        """By how much the sound's highest peak lies between the points that are looked at."""
        highest = self.highest_peak
        if not highest:
            return 0.0
        beyond_db = gain_to_db(true_peak(self.samples, self.sample_rate_hz) / highest)
        return min(max(beyond_db, 0.0), BETWEEN_MAX_DB)

    @property
    def highest_peak(self) -> float:
        """Highest point of both interpolators, linear; 0 for no frames."""
        return float(self._peaks.max(initial=0.0))

    def _aim(self, ceiling_dbtp: float) -> float:
        return db_to_gain(ceiling_dbtp - AIM_DB - self._between_db)

    def draft(self, drive: float, ceiling_dbtp: float) -> Limited:
        """Limited by the first curve, without looking again: within some hundredths of a dB."""
        need = need_db(self._peaks * drive, self._aim(ceiling_dbtp))
        return self._with(drive, self._smooth(need))

    def apply(self, drive: float, ceiling_dbtp: float) -> Limited:
        """Drive, limit, look again and take off what is left over."""
        aim = self._aim(ceiling_dbtp)
        need = need_db(self._peaks * drive, aim)
        curve = self._smooth(need)
        limited = self._with(drive, curve)
        for _ in range(ROUNDS if need.any() else 0):
            over_db = gain_to_db(true_peak(limited.samples, self.sample_rate_hz)) - ceiling_dbtp
            left = need_db(self._by_step(peaks_over(limited.samples, aim)), aim)
            if over_db <= SLACK_DB and left.min() >= -AIM_DB - self._between_db - SLACK_DB:
                break
            # Off where points stand out, and everywhere by what lies between the points
            need = np.minimum(need, np.where(left < 0.0, curve + left, 0.0))
            if over_db > 0.0:
                need[need < 0.0] -= over_db
            curve = self._smooth(need)
            limited = self._with(drive, curve)
        return limited

    def _by_step(self, peaks: Curve) -> Curve:
        """Largest peak of each step."""
        step = self.step_frames
        padded = np.zeros(-(-len(peaks) // step) * step)
        padded[: len(peaks)] = peaks
        return np.asarray(padded.reshape(-1, step).max(axis=1))

    def _smooth(self, need: Curve) -> Curve:
        return smooth_curve_db(need, self.sample_rate_hz / 1000.0 / self.step_frames)

    def _with(self, drive: float, curve_db: Curve) -> Limited:
        samples = self.samples * drive
        gain = _joined(np.exp(curve_db * (np.log(10.0) / 20.0)), self.step_frames, len(samples))
        touched = np.flatnonzero(curve_db)
        if len(touched):
            first = max(0, int(touched[0]) - 1) * self.step_frames
            last = (int(touched[-1]) + 2) * self.step_frames
            samples[first:last] *= gain[first:last, None]
        return Limited(
            samples=samples, gain=gain, deepest_db=-gain_to_db(float(gain.min(initial=1.0))) + 0.0
        )


def limit(samples: NDArray[Any], sample_rate_hz: int, ceiling_dbtp: float) -> Limited:
    """Limit ``(frames, channels)`` to a true peak of ``ceiling_dbtp``.

    >>> import numpy as np
    >>> quiet = np.full((100, 1), 0.01)
    >>> limit(quiet, 48000, -1.0).deepest_db
    0.0
    """
    least = db_to_gain(ceiling_dbtp - AIM_DB - BETWEEN_MAX_DB)
    return Limiter(samples, sample_rate_hz, least).apply(1.0, ceiling_dbtp)


def _joined(steps: Curve, step_frames: int, frames: int) -> Curve:
    """Straight lines through the middles of the steps, one value for each frame."""
    if not frames:
        return np.ones(0)
    ends = np.concatenate([steps[:1], steps, steps[-1:]])
    # the middle of an even step lies between two frames
    share = (np.arange(step_frames) + (0.0 if step_frames % 2 else 0.5)) / step_frames
    lines = ends[:-1, None] + np.diff(ends)[:, None] * share
    return np.asarray(lines.reshape(-1)[step_frames - step_frames // 2 :][:frames])


def need_db(peaks: Curve, ceiling: float) -> Curve:
    """Gain in dB (<= 0) that each peak needs to come down to the ceiling (both linear)."""
    need = np.zeros(len(peaks))
    hot = np.flatnonzero(peaks > ceiling)
    if len(hot):
        need[hot] = 20.0 * np.log10(ceiling / peaks[hot])
    return need


def smooth_curve_db(need: Curve, steps_per_ms: float) -> Curve:
    """The highest curve under ``need`` (dB, <= 0, by step) with slopes bounded and corners round.

    Any value between two steps lies under the need of both, so lines may join them.
    """
    curve = np.zeros(len(need))
    hot = np.flatnonzero(need)
    if not len(hot):
        return curve
    attack = STRAIGHT * ATTACK_DB_PER_MS / steps_per_ms
    release = STRAIGHT * RELEASE_DB_PER_MS / steps_per_ms
    half = max(1, round(CORNER_S * 1000.0 * steps_per_ms / 4))
    deepest = -float(need.min())
    first = max(0, int(hot[0]) - int(deepest / attack) - 4 * half - 4)
    last = min(len(need), int(hot[-1]) + int(deepest / release) + 4 * half + 4)
    part = need[first:last]
    ramp = np.arange(len(part), dtype=np.float64)
    # min over j <= i of need[j] + release * (i - j): falls at once, rises slowly
    lowest = np.minimum.accumulate(part - release * ramp) + release * ramp
    # the same backwards for the attack: min over j >= i of lowest[j] + attack * (j - i)
    lowest = np.minimum.accumulate((lowest + attack * ramp)[::-1])[::-1] - attack * ramp
    width = 2 * half + 1
    from scipy import ndimage  # slow to load, and not every command needs it

    held = ndimage.minimum_filter1d(lowest, 2 * width + 1, mode="nearest")
    rounded = ndimage.uniform_filter1d(held, width, mode="nearest")
    rounded = ndimage.uniform_filter1d(rounded, width, mode="nearest")
    rounded[rounded > -1e-9] = 0.0
    curve[first:last] = np.minimum(rounded, 0.0)
    return curve
