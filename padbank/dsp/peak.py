"""Sample peak and true peak.

Answers: how high does a sound reach, at its samples and between them (the
true peak of BS.1770-5 Annex 2, which a converter or a codec meets)?

The interpolator is the 64-tap one of ``interpolate``, evaluated eight times a
frame and with a parabola through the top three points: within 0.005 dB of a
64-fold FFT interpolation for content up to 0.4535 of the sample rate (20 kHz
at 44.1 kHz, 43.5 kHz at 96 kHz). A sound counts as silence before its first
and after its last frame, so an abrupt start or end rings, as it will in a
converter.

Only the largest value is wanted, so most of the sound is ruled out cheaply:

1. ``s = x - r (x[-1] + x[+1])`` sharpens the sound. Whatever the sound, the
   interpolated value cannot exceed the largest ``|s|`` within the taps' reach
   times ``_BOUND``, the sum of magnitudes of the filter from ``s`` to the
   value midway between two frames (the largest over all fractions). Blocks
   below the peak found so far are done with.
2. The others get their half-way points. A value between points half a frame
   apart that is the largest of the whole sound is at most 1/cos(pi/4) times
   one of its two neighbours (a band-limited function falls from its largest
   value no faster than a cosine).
3. What is left gets all eight points.

Functions and classes: ``true_peak``, ``sample_peak``, ``TruePeakMeter``,
``PeakFinder``; ``oversampled`` and ``frame_peaks`` for limiters.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.chunks import (
    SMALLEST_SAMPLE,
    Chunker,
    Singles,
    as_block,
    block_range,
    check_format,
)
from padbank.dsp.interpolate import BEFORE, TAPS, frame_peaks, interval_matrix, oversampled, taps_at

__all__ = ["HISTORY", "PeakFinder", "TruePeakMeter", "frame_peaks", "oversampled", "sample_peak", "true_peak"]

HISTORY = TAPS
"""Frames that a chunk repeats from the one before."""
POINTS_PER_FRAME = 8
_SHARPEN = 0.3  # r; 0.3 is 0.75 / (1 + 2 * 0.75)
_HALFWAY = 2.0**0.5 * 1.001
_NEAR_TOP = 0.98
"""A peak lies at most 1/cos(pi/16) = 1.0196 above the largest of eight points a frame."""
_BATCH = 128


def _largest_gain_from_sharpened() -> float:
    """The bound of step 1, computed from the taps."""
    n = 4096
    w = 2.0 * np.pi * np.arange(n) / n
    unsharpen = np.fft.ifft(1.0 / (1.0 - 2.0 * _SHARPEN * np.cos(w))).real
    around = np.concatenate([unsharpen[-64:], unsharpen[:65]])
    return max(float(np.abs(np.convolve(taps_at(i / 16), around)).sum()) for i in range(17))


_BOUND = _largest_gain_from_sharpened() * 1.0001
_REACH = 42
"""Frames from an interval beyond which a sharpened sample has no say (its weight is below 1e-5)."""


class PeakFinder:
    """Finds the true peak of chunks ``(channels, HISTORY + frames)``.

    ``frames`` is a multiple of ``block``. What is evaluated lags the chunk's
    end by 33 frames; silence behind the sound brings out the rest.
    """

    def __init__(self, channels: int, frames: int, block: int) -> None:
        self.block = block
        self._blocks = frames // block
        self._sharp = np.empty((channels, HISTORY + frames - 2), dtype=np.float32)
        self._half = interval_matrix(block, tuple(i + 0.5 for i in range(block))).astype(np.float32)
        step = 1.0 / POINTS_PER_FRAME
        self._fine = interval_matrix(
            block, tuple(i * step for i in range(-1, block * POINTS_PER_FRAME + 2))
        ).astype(np.float32)

    def largest(self, chunk: Singles, known: float) -> float:
        """True peak of a chunk, or ``known`` where that is larger.

        ``known`` may be any level that the sound is sure to reach, such as
        its sample peak.
        """
        sharp = self._sharp
        np.add(chunk[:, :-2], chunk[:, 2:], out=sharp)
        sharp *= np.float32(-_SHARPEN)
        sharp += chunk[:, 1:-1]
        threshold = known / _BOUND
        if max(float(sharp.max()), -float(sharp.min())) <= threshold:
            return known
        np.abs(sharp, out=sharp)
        channel, block = self._blocks_above(threshold)
        rows = np.lib.stride_tricks.sliding_window_view(chunk, self.block + TAPS - 1, axis=1)
        rows = rows[:, :: self.block][channel, block]
        halves = rows @ self._half
        coarse = np.maximum(halves.max(axis=1), -halves.min(axis=1))
        own = rows[:, BEFORE : BEFORE + self.block + 1]
        coarse = np.maximum(coarse, np.maximum(own.max(axis=1), -own.min(axis=1)))
        known = max(known, float(coarse.max()))
        order = np.flatnonzero(coarse * _HALFWAY > known)
        order = order[np.argsort(-coarse[order], kind="stable")]
        for first in range(0, len(order), _BATCH):
            batch = order[first : first + _BATCH]
            if coarse[batch[0]] * _HALFWAY <= known:
                break
            known = max(known, self._top_of(rows[batch] @ self._fine, known))
        return known

    def _blocks_above(self, threshold: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Channel and block of everything that a sharpened sample above ``threshold`` can lift."""
        marks = np.zeros((len(self._sharp), self._blocks), dtype=bool)
        channel, at = np.nonzero(self._sharp > np.float32(threshold))
        if len(at) > self._sharp.size // 8:
            marks[:] = True
        else:
            # block b holds the intervals from frame BEFORE + b * block on
            interval = at + 1 - BEFORE
            for shift in range(-_REACH, _REACH + self.block, self.block):
                block = (interval + min(shift, _REACH)) // self.block
                inside = (block >= 0) & (block < self._blocks)
                marks[channel[inside], block[inside]] = True
        channels, blocks = np.nonzero(marks)
        return channels, blocks

    @staticmethod
    def _top_of(points: Singles, known: float) -> float:
        """Largest vertex of the parabolas through the highest points of each row."""
        points = np.abs(points)
        by_row = points.max(axis=1)
        known = max(known, float(by_row.max()))
        points = points[by_row >= known * _NEAR_TOP].astype(np.float64)
        left, mid, right = points[:, :-2], points[:, 1:-1], points[:, 2:]
        tops = np.nonzero((mid >= known * _NEAR_TOP) & (mid >= left) & (mid >= right))
        left, mid, right = left[tops], mid[tops], right[tops]
        bend = 2.0 * mid - left - right
        bent = bend > 0.0
        rise = (right - left)[bent] ** 2 / (8.0 * bend[bent])
        return max(known, float((mid[bent] + rise).max(initial=0.0)))


def ring_frames(rest_frames: int, chunk_frames: int) -> bool:
    """Whether a chunk that ends in ``rest_frames`` needs one more of silence to bring all out."""
    return chunk_frames - rest_frames < TAPS + 2


class TruePeakMeter:
    """Streaming true-peak meter; the same value for any block sizes.

    Parameters
    ----------
    sample_rate_hz : 8,000 to 192,000 (the method does not depend on it)
    channels : 1 to 6
    """

    _FRAMES = 48 * 256

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        check_format(sample_rate_hz, channels)
        self._channels = channels
        self._chunker = Chunker(channels, self._FRAMES, HISTORY)
        self._finder = PeakFinder(channels, self._FRAMES, 48)
        self._known = 0.0

    def feed(self, block: NDArray[np.floating]) -> None:
        """Add ``(frames, channels)`` float samples; InputError on NaN, infinity, other shapes."""
        block = as_block(block, self._channels)
        peak = block_range(block)
        self._known = max(self._known, peak)
        self._chunker.add(block, peak < SMALLEST_SAMPLE, self._take)

    def _take(self, chunk: Singles) -> None:
        self._known = self._finder.largest(chunk, self._known)

    def result(self) -> float:
        """True peak so far, linear; 0.0 for silence and for no sound at all."""
        rest = self._chunker.rest()
        known = self._finder.largest(rest, self._known)
        if ring_frames(self._chunker.filled, self._FRAMES):
            after = np.zeros_like(rest)
            after[:, :HISTORY] = rest[:, -HISTORY:]
            known = self._finder.largest(after, known)
        return known


def true_peak(samples: NDArray[np.floating], sample_rate_hz: int) -> float:
    """True peak of a whole sound, linear.

    Parameters
    ----------
    samples : (frames, channels) or (frames,) float, nominal ±1.0
    sample_rate_hz : 8,000 to 192,000

    Examples
    --------
    >>> float(round(true_peak(np.array([0.0, 0.5, 0.0]), 48_000), 3))
    0.5
    """
    block = as_block(samples)
    meter = TruePeakMeter(sample_rate_hz, block.shape[1])
    meter.feed(block)
    return meter.result()


def sample_peak(samples: NDArray[np.floating]) -> float:
    """Largest magnitude of any sample, linear; InputError on NaN or infinity."""
    return block_range(as_block(samples))
