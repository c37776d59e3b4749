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

Interpolating is what costs, so it is done only where it can matter: highest peaks
first, then what may stand out of the slopes down from them, and in the second round only
where the first one's peaks times the gain come near the ceiling.

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

from padbank.dsp.interpolate import TAPS
from padbank.dsp.overs import Overs, drift, lowest_of_groups
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

LOOK_FIRST = (64, 8)
"""The highest of so many groups of frames is evaluated before the others."""

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
    true_peak_linear : of the samples, where it is known already
    """

    def __init__(
        self,
        samples: NDArray[Any],
        sample_rate_hz: int,
        least: float = 0.0,
        true_peak_linear: float | None = None,
    ) -> None:
        self.samples = np.asarray(samples, dtype=np.float64)
        self.sample_rate_hz = sample_rate_hz
        self.step_frames = max(1, round(sample_rate_hz / STEPS_PER_S))
        self._steps_per_ms = sample_rate_hz / 1000.0 / self.step_frames
        self._peaks, self._at_most = self._peaks_that_matter(0.98 * least)
        if true_peak_linear is None and self._peaks.any():
            true_peak_linear = true_peak(self.samples, sample_rate_hz)
        self._between_db = self._beyond_points_db(true_peak_linear or 0.0)

    def _peaks_that_matter(self, least: float) -> tuple[Curve, Curve]:
        """Peak of each step, and what it is at most; where it cannot matter the first may be less.

        A peak that lies under the slopes down from a higher one nearby, or below ``least``, lowers
        no curve, whatever the drive; so the highest are evaluated first.
        """
        if not len(self.samples):
            return np.zeros(0), np.zeros(0)
        overs = Overs(self.samples)
        bounds = overs.bounds()
        left = np.flatnonzero(bounds >= least)
        for groups in LOOK_FIRST:
            if len(left) < groups:
                break
            first = _highest_of_each(bounds, left, groups)
            overs.look(first)
            slopes = self._slopes_down(self._by_step(overs.peaks()))
            by_frame = np.repeat(slopes, self.step_frames)[: len(self.samples)]
            left = left[~overs.looked[left] & (bounds[left] > lowest_of_groups(by_frame)[left])]
        overs.look(left)
        return self._by_step(overs.peaks()), self._by_step(overs.peaks(bounds))

    def _slopes_down(self, peaks: Curve) -> Curve:
        """Height of the slopes from higher peaks at each step, linear."""
        attack, release = _slopes_db(self._steps_per_ms)
        height = 20.0 * np.log10(np.maximum(peaks, 1e-9))
        return np.asarray(db_to_gains(-_lowest_sloped(-height, attack, release)))

    def _beyond_points_db(self, true_peak_linear: float) -> float:
        """By how much the sound's highest peak lies between the points that are looked at."""
        highest = self.highest_peak
        if not highest or not true_peak_linear:
            return 0.0
        return min(max(gain_to_db(true_peak_linear / highest), 0.0), BETWEEN_MAX_DB)

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
            left = need_db(self._peaks_left(limited, drive, curve, aim), aim)
            if over_db <= SLACK_DB and left.min() >= -AIM_DB - self._between_db - SLACK_DB:
                break
            # Off where points stand out, and everywhere by what lies between the points
            need = np.minimum(need, np.where(left < 0.0, curve + left, 0.0))
            if over_db > 0.0:
                need[need < 0.0] -= over_db
            curve = self._smooth(need)
            limited = self._with(drive, curve)
        return limited

    def _peaks_left(self, limited: Limited, drive: float, curve_db: Curve, aim: float) -> Curve:
        """Peak of each step after limiting, evaluated where it may pass ``aim``.

        A gain that is the same for all taps scales a peak; one that changes by ``d`` a frame adds
        ``drift() * d`` times the samples around it at most.
        """
        from scipy import ndimage

        gain = db_to_gains(curve_db)
        reach = 1 + -(-TAPS // 2 // self.step_frames)
        wide = 2 * reach + 1
        change = np.abs(np.diff(gain, prepend=gain[:1])) / self.step_frames
        change = ndimage.maximum_filter1d(change, wide, mode="nearest")
        around = ndimage.maximum_filter1d(self._peaks, wide, mode="nearest")
        nearest = ndimage.maximum_filter1d(gain, 3, mode="nearest")
        at_most = drive * (nearest * self._at_most + drift() * change * around)
        overs = Overs(limited.samples)
        hot = np.repeat(at_most > aim * (1.0 - 1e-6), self.step_frames)[: len(self.samples)]
        overs.look(np.flatnonzero(lowest_of_groups(~hot) == 0))
        return self._by_step(overs.peaks())

    def _by_step(self, peaks: NDArray[Any]) -> Curve:
        """Largest peak of each step."""
        step = self.step_frames
        largest = np.zeros(-(-len(peaks) // step))
        for frame in range(step):  # an axis of eight is slow to reduce
            some = peaks[frame::step]
            np.maximum(largest[: len(some)], some, out=largest[: len(some)])
        return largest

    def _smooth(self, need: Curve) -> Curve:
        return smooth_curve_db(need, self._steps_per_ms)

    def _with(self, drive: float, curve_db: Curve) -> Limited:
        samples = self.samples * drive
        gain = _joined(db_to_gains(curve_db), self.step_frames, len(samples))
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


def db_to_gains(level_db: Curve) -> Curve:
    return np.asarray(np.exp(level_db * (np.log(10.0) / 20.0)))


def _highest_of_each(bounds: NDArray[Any], left: NDArray[np.intp], groups: int) -> NDArray[np.intp]:
    """Of every so many groups the one with the highest bound, of those that are left."""
    some = np.zeros(-(-len(bounds) // groups) * groups, dtype=bounds.dtype)
    some[left] = bounds[left]
    rows = some.reshape(-1, groups)
    highest = rows.argmax(axis=1) + np.arange(len(rows)) * groups
    return np.asarray(highest[some[highest] > 0.0])


def _slopes_db(steps_per_ms: float) -> tuple[float, float]:
    """Attack and release in dB a step."""
    return STRAIGHT * ATTACK_DB_PER_MS / steps_per_ms, STRAIGHT * RELEASE_DB_PER_MS / steps_per_ms


def _lowest_sloped(need: Curve, attack: float, release: float) -> Curve:
    """The highest curve under ``need`` that falls by ``attack`` and rises by ``release`` a step at most."""
    ramp = np.arange(len(need), dtype=np.float64)
    # min over j <= i of need[j] + release * (i - j): falls at once, rises slowly
    lowest = np.minimum.accumulate(need - release * ramp) + release * ramp
    # the same backwards for the attack: min over j >= i of lowest[j] + attack * (j - i)
    return np.asarray(np.minimum.accumulate((lowest + attack * ramp)[::-1])[::-1] - attack * ramp)


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
    attack, release = _slopes_db(steps_per_ms)
    half = max(1, round(CORNER_S * 1000.0 * steps_per_ms / 4))
    deepest = -float(need.min())
    first = max(0, int(hot[0]) - int(deepest / attack) - 4 * half - 4)
    last = min(len(need), int(hot[-1]) + int(deepest / release) + 4 * half + 4)
    lowest = _lowest_sloped(need[first:last], attack, release)
    width = 2 * half + 1
    from scipy import ndimage  # slow to load, and not every command needs it

    held = ndimage.minimum_filter1d(lowest, 2 * width + 1, mode="nearest")
    rounded = ndimage.uniform_filter1d(held, width, mode="nearest")
    rounded = ndimage.uniform_filter1d(rounded, width, mode="nearest")
    rounded[rounded > -1e-9] = 0.0
    curve[first:last] = np.minimum(rounded, 0.0)
    return curve
