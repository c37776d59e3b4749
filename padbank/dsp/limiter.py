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

Long sounds are read in segments, with as much before and after each as its curve hangs on: of the
whole only three numbers a step are kept (4.3 MB a minute).

True peak: ITU-R BS.1770-5 Annex 2, here at 8 x. The curve is in ``gaincurve``.

Functions and classes: ``limit``, ``Limiter``, ``Limited``.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.gaincurve import (
    Curve,
    curve_reach,
    db_to_gains,
    joined,
    lowest_sloped,
    need_db,
    slopes_db,
    smooth_curve_db,
)
from padbank.dsp.interpolate import TAPS
from padbank.dsp.overs import PAD, Overs, drift, lowest_of_groups
from padbank.dsp.peak import TruePeakMeter
from padbank.dsp.sound import HeldSound, Sound
from padbank.units import db_to_gain, gain_to_db

AIM_DB = 0.04
"""The curve aims this far under the ceiling, for rounding, what lies between points, and other meters' filters."""
SLACK_DB = 0.01
"""A second look is content with peaks over the ceiling by no more than this."""
BETWEEN_MAX_DB = 0.1
ROUNDS = 4
STEPS_PER_S = 6000
"""The gain curve is reckoned in steps of about this many a second and joined by straight lines."""
LOOK_FIRST = (64, 8)
"""The highest of so many groups of frames is evaluated before the others."""
FEW = 0.05
"""A share of the groups that is cheaper to evaluate than to thin out."""
SEGMENT_STEPS = 20 * STEPS_PER_S

Steps = NDArray[np.float32]
Samples = NDArray[np.float64]


class Limiter:
    """The peaks of one clip, ready to be limited at several drive gains.

    Parameters
    ----------
    samples : ndarray (frames, channels), float64, or a ``Sound``
    sample_rate_hz : int
    least : linear; peaks below it never matter (ceiling over the largest drive to come)
    true_peak_linear : of the samples, where it is known already
    loop : frames (end exclusive) that are repeated: the gain at its end runs on into its start
    """

    def __init__(
        self,
        samples: NDArray[Any] | Sound,
        sample_rate_hz: int,
        least: float = 0.0,
        true_peak_linear: float | None = None,
        loop: tuple[int, int] | None = None,
    ) -> None:
        self.sound = HeldSound(samples) if isinstance(samples, np.ndarray) else samples
        self.sample_rate_hz = sample_rate_hz
        self.step_frames = max(1, round(sample_rate_hz / STEPS_PER_S))
        self.steps_per_ms = sample_rate_hz / 1000.0 / self.step_frames
        self.steps = -(-self.sound.frames // self.step_frames)
        self.loop = self._in_steps(loop)
        self._peaks = np.zeros(self.steps, dtype=np.float32)
        self._at_most = np.zeros(self.steps, dtype=np.float32)
        for part in self.segments():
            self._find_peaks(part, 0.98 * least)
        if true_peak_linear is None and self._peaks.any():
            true_peak_linear = self._true_peak(self.sound.read(*self.frames_of(s)) for s in self.segments())
        self._between_db = self._beyond_points_db(true_peak_linear or 0.0)

    def _in_steps(self, loop: tuple[int, int] | None) -> tuple[int, int] | None:
        if loop is None:
            return None
        first, last = round(loop[0] / self.step_frames), round(loop[1] / self.step_frames)
        return (first, last if loop[1] < self.sound.frames else self.steps) if first < last else None

    def segments(self) -> Iterator[slice]:
        """Steps of each segment."""
        for first in range(0, self.steps, SEGMENT_STEPS):
            yield slice(first, min(first + SEGMENT_STEPS, self.steps))

    def frames_of(self, part: slice, around: int = 0) -> tuple[int, int]:
        """First and last frame (exclusive) of some steps, and of so many steps around them."""
        first = max(0, part.start - around) * self.step_frames
        return first, min(self.sound.frames, (part.stop + around) * self.step_frames)

    def _find_peaks(self, part: slice, least: float) -> None:
        """Peak of each step, and what it is at most; where it cannot matter the first may be less.

        A peak that lies under the slopes down from a higher one nearby, or below ``least``, lowers
        no curve, whatever the drive; so the highest are evaluated first.
        """
        around = -(-PAD // self.step_frames)
        first, last = self.frames_of(part, around)
        overs = Overs(self.sound.read(first, last))
        bounds = overs.bounds(least)
        left = np.flatnonzero(bounds >= least)
        for groups in LOOK_FIRST:
            if len(left) < FEW * overs.groups:
                break
            highest = _highest_of_each(bounds, left, groups)
            overs.look(highest)
            slopes = self._slopes_down(self._by_step(overs.peaks()))
            lowest = lowest_of_groups(slopes, self.step_frames, last - first)
            left = left[~overs.looked[left] & (bounds[left] > lowest[left])]
        overs.look(left)
        skip = part.start - first // self.step_frames
        own = slice(skip, skip + part.stop - part.start)
        self._peaks[part] = self._by_step(overs.peaks())[own]
        self._at_most[part] = self._by_step(overs.peaks(bounds))[own]

    def _slopes_down(self, peaks: Steps) -> Curve:
        """Height of the slopes from higher peaks at each step, linear."""
        height = 20.0 * np.log10(np.maximum(peaks, 1e-9, dtype=np.float64))
        return db_to_gains(-lowest_sloped(-height, *slopes_db(self.steps_per_ms)))

    def _by_step(self, peaks: Steps) -> Steps:
        """Largest peak of each step."""
        step = self.step_frames
        largest = np.zeros(-(-len(peaks) // step), dtype=np.float32)
        for frame in range(step):  # an axis of eight is slow to reduce
            some = peaks[frame::step]
            np.maximum(largest[: len(some)], some, out=largest[: len(some)])
        return largest

    def _true_peak(self, blocks: Iterator[Samples]) -> float:
        meter = TruePeakMeter(self.sample_rate_hz, self.sound.channels)
        for block in blocks:
            meter.feed(block)
        return meter.result()

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
        need, aim = np.zeros(self.steps, dtype=np.float32), self._aim(ceiling_dbtp)
        for part in self.segments():
            need[part] = need_db(self._peaks[part] * drive, aim)
        return Limited(self, drive, need)

    def apply(self, drive: float, ceiling_dbtp: float) -> Limited:
        """Drive, limit, look again and take off what is left over."""
        limited = self.draft(drive, ceiling_dbtp)
        aim = self._aim(ceiling_dbtp)
        for _ in range(ROUNDS if limited.need.any() else 0):
            need = limited.need.copy()
            meter = TruePeakMeter(self.sample_rate_hz, self.sound.channels)
            lowest = 0.0
            for part in self.segments():
                meter.feed(limited.piece(part))
                curve = limited.curve_db(part)
                left = need_db(self._peaks_left(limited, part, aim), aim)
                lowest = min(lowest, float(left.min(initial=0.0)))
                # off where points stand out
                need[part] = np.minimum(need[part], np.where(left < 0.0, curve + left, 0.0))
            over_db = gain_to_db(meter.result()) - ceiling_dbtp
            if over_db <= SLACK_DB and lowest >= -AIM_DB - self._between_db - SLACK_DB:
                break
            if over_db > 0.0:  # and everywhere by what lies between the points
                need[need < 0.0] -= over_db
            limited = Limited(self, drive, need)
        return limited

    def _peaks_left(self, limited: Limited, part: slice, aim: float) -> Steps:
        """Peak of each step after limiting, evaluated where it may pass ``aim``.

        A gain that is the same for all taps scales a peak; one that changes by ``d`` a frame adds
        ``drift() * d`` times the samples around it at most.
        """
        from scipy import ndimage  # slow to load, and not every command needs it

        step = self.step_frames
        reach = 1 + -(-TAPS // 2 // step)
        around = max(reach, -(-PAD // step))
        wide = slice(max(0, part.start - around), min(self.steps, part.stop + around))
        gain = db_to_gains(limited.curve_db(wide))
        change = np.abs(np.diff(gain, prepend=gain[:1])) / step
        change = ndimage.maximum_filter1d(change, 2 * reach + 1, mode="nearest")
        loudest = ndimage.maximum_filter1d(self._peaks[wide], 2 * reach + 1, mode="nearest")
        nearest = ndimage.maximum_filter1d(gain, 3, mode="nearest")
        at_most = limited.drive * (nearest * self._at_most[wide] + drift() * change * loudest)
        samples = limited.piece(wide)
        overs = Overs(samples)
        overs.look(np.flatnonzero(lowest_of_groups(-at_most, step, len(samples)) < -aim * (1.0 - 1e-6)))
        skip = part.start - wide.start
        return self._by_step(overs.peaks())[skip : skip + part.stop - part.start]


class Limited:
    """A sound at one drive, limited after one need (dB by step, <= 0); read as often as one likes."""

    def __init__(self, limiter: Limiter, drive: float, need: Steps) -> None:
        self.drive, self.need = drive, need
        self._limiter = limiter
        if limiter.loop is not None and need.any():
            _tie(need, *limiter.loop, self._reach)
        self._kept: tuple[slice, Samples] | None = None
        self._curve: tuple[slice, Curve] | None = None

    @cached_property
    def _reach(self) -> int:
        return curve_reach(-float(self.need.min(initial=0.0)), self._limiter.steps_per_ms)

    def curve_db(self, part: slice) -> Curve:
        """Gain in dB in the middle of some steps."""
        if self._curve is None or self._curve[0] != part:
            curve = smooth_curve_db(self._need_around(part), self._limiter.steps_per_ms)
            skip = min(self._reach, part.start) if self._limiter.loop is None else self._reach
            self._curve = part, curve[skip:][: part.stop - part.start]
        return self._curve[1]

    def _need_around(self, part: slice) -> Steps:
        """Need of some steps and of all around that their curve hangs on."""
        first, last = part.start - self._reach, part.stop + self._reach
        if self._limiter.loop is None:
            return self.need[max(0, first) : last]
        at = np.arange(first, last)
        start, end = self._limiter.loop
        outside = (at < 0) | (at >= self._limiter.steps)
        around = self.need[np.where(outside, start + (at - start) % (end - start), at)]
        # beyond an end that the loop does not reach there is silence
        around[(at < 0) & (start > 0)] = 0.0
        around[(at >= self._limiter.steps) & (end < self._limiter.steps)] = 0.0
        return around

    def _gain(self, part: slice) -> tuple[Curve, bool]:
        """Gain of each frame of some steps, and whether it changes any."""
        step = self._limiter.step_frames
        wide = slice(max(0, part.start - 1), min(self._limiter.steps, part.stop + 1))
        curve = self.curve_db(wide)
        first, last = self._limiter.frames_of(part)
        frames = self._limiter.frames_of(wide)[1] - wide.start * step
        gain = joined(db_to_gains(curve), step, frames)
        skip = first - wide.start * step
        return gain[skip : skip + last - first], bool(curve.any())

    def piece(self, part: slice) -> Samples:
        """The limited frames of some steps."""
        if self._kept is not None and self._kept[0] == part:
            return self._kept[1]
        before = self._limiter.sound.read(*self._limiter.frames_of(part))
        gain, touched = self._gain(part)
        if touched:
            gain = gain * self.drive
            samples = np.empty_like(before)
            for channel in range(before.shape[1]):  # an axis of two is slow to broadcast over
                np.multiply(before[:, channel], gain, out=samples[:, channel])
        else:
            samples = before * self.drive
        self._kept = part, samples
        return samples

    def blocks(self) -> Iterator[Samples]:
        """All frames, limited, piece by piece."""
        for part in self._limiter.segments():
            yield self.piece(part)

    @property
    def samples(self) -> Samples:
        """All frames, limited: ndarray (frames, channels)."""
        return np.concatenate([np.zeros((0, self._limiter.sound.channels)), *self.blocks()])

    @property
    def gain(self) -> Curve:
        """Gain of each frame."""
        return np.concatenate([np.ones(0), *(self._gain(part)[0] for part in self._limiter.segments())])

    @cached_property
    def deepest_db(self) -> float:
        """The deepest reduction (0: untouched)."""
        if not self.need.any():
            return 0.0
        lowest = min(float(self._gain(part)[0].min()) for part in self._limiter.segments())
        return -gain_to_db(lowest) + 0.0


def _tie(need: Steps, start: int, end: int, reach: int) -> None:
    """Give both ends of a loop the same need around them, so that their curves are alike."""
    for first, last in ((max(0, start - reach), start), (start, min(start + reach, len(need) - end + start))):
        if first < last:
            shift = end - start
            least = np.minimum(need[first:last], need[first + shift : last + shift])
            need[first:last] = least
            need[first + shift : last + shift] = least


def limit(samples: NDArray[Any], sample_rate_hz: int, ceiling_dbtp: float) -> Limited:
    """Limit ``(frames, channels)`` to a true peak of ``ceiling_dbtp``.

    >>> import numpy as np
    >>> quiet = np.full((100, 1), 0.01)
    >>> limit(quiet, 48000, -1.0).deepest_db
    0.0
    """
    least = db_to_gain(ceiling_dbtp - AIM_DB - BETWEEN_MAX_DB)
    return Limiter(samples, sample_rate_hz, least).apply(1.0, ceiling_dbtp)


def _highest_of_each(bounds: NDArray[Any], left: NDArray[np.intp], groups: int) -> NDArray[np.intp]:
    """Of every so many groups the one with the highest bound, of those that are left."""
    some = np.zeros(-(-len(bounds) // groups) * groups, dtype=bounds.dtype)
    some[left] = bounds[left]
    rows = some.reshape(-1, groups)
    highest = rows.argmax(axis=1) + np.arange(len(rows)) * groups
    return np.asarray(highest[some[highest] > 0.0])
