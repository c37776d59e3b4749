"""The second meter's true peak: the highest point at 8 times the rate, looked for where it can be.

Interpolation is ``scipy.signal.resample_poly``, which takes long for an hour of sound, and nearly
all of it is far below the highest peak. So each stretch of 32 frames is first bounded from the
sound at twice its rate, every point of it less ``SHARPEN`` times its two neighbours. Each point at 8 times
the rate is a weighted sum of those near it, and of the frames around it for a rest of next to
nothing; the sum of the weights' magnitudes bounds it, whatever the sound. The weights come from the
interpolator's own coefficients, so the bound holds by how they were found, and the result is that of
looking everywhere.

Function: ``true_peak``.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Read = Callable[[int, int], NDArray[np.float64]]
"""(start frame, number of frames) -> samples (frames, channels)"""
Floats = NDArray[np.float64]

OVERSAMPLING = 8
HALF_FILTER_FRAMES = 32
"""Half length of the interpolation filter, in frames of the input; flat to 0.46 of the rate."""
PIECE_FRAMES = 1 << 17
GROUP = 32
SHARPEN = 0.18
NEAR = 5
"""Points at twice the rate, on either side of a stretch, that what lies between them hangs on."""
ROUNDING = 1e-5
"""Of single precision, of the loudest frame: 98 products of magnitudes that add up to less than 6."""
FIRST_LOOK, GROWTH = 64, 8
DENSE = 0.2
"""Share of the stretches from which looking everywhere is quicker."""
_BEFORE = HALF_FILTER_FRAMES + 1
_ROW = GROUP + 2 * _BEFORE


@lru_cache(maxsize=1)
def interpolator() -> Floats:
    """Low-pass for 8 times the rate."""
    from scipy.signal import firwin

    taps = 2 * OVERSAMPLING * HALF_FILTER_FRAMES + 1
    return np.asarray(firwin(taps, 1.0 / OVERSAMPLING, window=("kaiser", 7.0)))


def _weights(at_eighth: int, frames: NDArray[np.intp]) -> Floats:
    """By how much each of these frames counts at a point, in eighths of a frame from frame 0."""
    h = interpolator()
    tap = len(h) // 2 + at_eighth - OVERSAMPLING * frames
    inside = (tap >= 0) & (tap < len(h))
    return np.asarray(OVERSAMPLING * np.where(inside, h[np.clip(tap, 0, len(h) - 1)], 0.0))


def _sharp(half: int, frames: NDArray[np.intp]) -> Floats:
    """The same of a sharpened point, in half frames from frame 0."""
    at = OVERSAMPLING // 2 * half
    beside = _weights(at - OVERSAMPLING // 2, frames) + _weights(at + OVERSAMPLING // 2, frames)
    return _weights(at, frames) - SHARPEN * beside


@lru_cache(maxsize=1)
def _sharpening() -> NDArray[np.float32]:
    """From the frames of a row to the sharpened points of its stretch."""
    frames = np.arange(_ROW) - _BEFORE
    return np.stack([_sharp(half, frames) for half in range(2 * GROUP)], axis=1).astype(np.float32)


@lru_cache(maxsize=1)
def bound_factors() -> tuple[float, float]:
    """By how much a point may exceed the sharpened ones near it, and how much the frames add at most.

    Of all the ways to write a point as a sum of sharpened ones, those whose weights' magnitudes add up to
    little are sought by least squares, weighted anew a few times; what is left over is the frames' part.
    """
    frames = np.arange(-_BEFORE - NEAR, _BEFORE + NEAR + 1)
    sharp = np.stack([_sharp(half, frames) for half in range(1 - NEAR, NEAR + 1)], axis=1)
    both = np.concatenate([sharp, np.eye(len(frames))], axis=1)
    most, rest = 0.0, 0.0
    for eighth in range(OVERSAMPLING // 2 + 1):  # the others are these turned round
        point = _weights(eighth, frames)
        leeway = np.ones(both.shape[1])
        for _ in range(10):
            leeway[sharp.shape[1] :] = 1e-5
            parts = leeway * (both.T @ np.linalg.solve((both * leeway) @ both.T, point))
            leeway = np.abs(parts) + 1e-7
        weights = parts[: sharp.shape[1]]
        most = max(most, float(np.abs(weights).sum()))
        rest = max(rest, float(np.abs(point - sharp @ weights).sum()))
    return most, rest


def true_peak(read: Read, frames: int, first: int = 0, last: int | None = None) -> float:
    """Largest magnitude of the sound at 8 times its rate, as a ratio to full scale.

    ``first`` and ``last`` (exclusive): only of these frames of the sound and what follows each.
    """
    peak, side = 0.0, HALF_FILTER_FRAMES  # the filter rings beyond both ends
    begin = first if first else -side
    end = last if last is not None and last < frames else frames + side
    for start in range(begin, end, PIECE_FRAMES):
        count = min(PIECE_FRAMES, end - start)
        peak = _peak_of_piece(_lines(read, start, count, frames), count, peak)
    return peak


def _lines(read: Read, start: int, count: int, frames: int) -> Floats:
    """(channels, frames of whole stretches and a row's more on either side), silence beyond the ends."""
    first, length = start - _ROW, -(-count // GROUP) * GROUP + 2 * _ROW
    low, high = max(first, 0), min(first + length, frames)
    held = read(low, max(0, high - low))
    lines = np.zeros((held.shape[1], length))
    lines[:, low - first :][:, : len(held)] = held.T
    return lines


def _peak_of_piece(lines: Floats, count: int, peak: float) -> float:
    loudest = float(np.abs(lines).max(initial=0.0))
    peak = max(peak, float(np.abs(lines[:, _ROW : _ROW + count]).max(initial=0.0)))
    if not loudest:
        return peak
    bounds = _bounds(lines, loudest)
    left = np.flatnonzero(bounds > peak)
    size = FIRST_LOOK
    while len(left):
        if size > FIRST_LOOK and len(left) > DENSE * len(bounds):
            return max(peak, _look(lines[:, _ROW - HALF_FILTER_FRAMES :][:, : count + 2 * HALF_FILTER_FRAMES]))
        highest = np.argpartition(-bounds[left], size)[:size] if len(left) > size else np.arange(len(left))
        peak = max(peak, _look(_stretches(lines, left[highest])))
        left = np.delete(left, highest)
        left = left[bounds[left] > peak]
        size *= GROWTH
    return peak


def _bounds(lines: Floats, loudest: float) -> Floats:
    """What each stretch can reach at most, channel after channel."""
    most, rest = bound_factors()
    bounds = []
    for line in lines.astype(np.float32):
        rows = np.lib.stride_tricks.sliding_window_view(line[_ROW - _BEFORE - GROUP :], _ROW)[::GROUP]
        # one stretch more on either side
        rows = rows[: (len(line) - 2 * _ROW) // GROUP + 2]
        sharp = np.abs(np.ascontiguousarray(rows) @ _sharpening())
        reach = sharp.max(axis=1)
        near = np.maximum(sharp[:-2, -NEAR:].max(axis=1), sharp[2:, :NEAR].max(axis=1))
        bounds.append(np.maximum(reach[1:-1], near))
    return most * np.concatenate(bounds).astype(np.float64) + (rest + ROUNDING) * loudest


def _stretches(lines: Floats, which: NDArray[np.intp]) -> Floats:
    """Some stretches, numbered channel after channel, with what the filter reaches beside them."""
    channel, stretch = np.divmod(which, (lines.shape[1] - 2 * _ROW) // GROUP)
    first = _ROW - HALF_FILTER_FRAMES
    wide = np.lib.stride_tricks.sliding_window_view(lines, GROUP + 2 * HALF_FILTER_FRAMES, axis=1)
    return np.ascontiguousarray(wide[channel, first + GROUP * stretch])


def _look(rows: Floats) -> float:
    """The highest point of rows, but for the filter's reach at their ends."""
    from scipy.signal import resample_poly

    finer = resample_poly(rows, OVERSAMPLING, 1, axis=1, window=interpolator())
    reach = OVERSAMPLING * HALF_FILTER_FRAMES
    return float(np.abs(finer[:, reach : finer.shape[1] - reach]).max(initial=0.0))
