"""Where a sound goes over a level between its samples, frame by frame.

What it answers: what has a limiter to catch? The peak around each frame by two
interpolators at 8 points a frame: the meter's long one (64 taps, flat to
20 kHz at 44.1 kHz) and a short one (20 taps, cut at half the rate), as common
meters and converters have, which lets through more of what lies beside
half the rate. Whoever measures, the ceiling then holds.

Only places that could pass the level are evaluated. As in the true-peak meter, a
sharpened copy of the sound bounds what any interpolation can reach: a value
between frames is at most ``BOUND`` times the largest sharpened sample near it.

Functions: ``peaks_over``.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.interpolate import BEFORE, TAPS, taps_at

FACTOR = 8
BLOCK = 24
SHORT_HALF = 10
"""Frames that the short interpolator reaches either way; Kaiser window, beta 5."""
_SHARPEN = 0.3
_ROW = BLOCK + TAPS - 1
_SHORT_ROW = BLOCK + 2 * SHORT_HALF
_BATCH = 512

Peaks = NDArray[np.float64]


def _short_taps() -> NDArray[np.float64]:
    """Taps of the short low-pass at ``FACTOR`` times the rate, centre in the middle."""
    from scipy import signal  # slow to load, and not every command needs it

    taps = signal.firwin(2 * SHORT_HALF * FACTOR + 1, 1.0 / FACTOR, window=("kaiser", 5.0))
    return np.asarray(taps * FACTOR)


@lru_cache(maxsize=1)
def _phases() -> NDArray[np.float64]:
    """Weights (phases, TAPS) of the frames from ``BEFORE`` before a frame on, both kinds."""
    short = _short_taps()
    rows = [taps_at(phase / FACTOR) for phase in range(FACTOR)]
    for phase in range(FACTOR):
        row = np.zeros(TAPS)
        for tap in range(TAPS):
            at = SHORT_HALF * FACTOR + phase - (tap - BEFORE) * FACTOR
            if 0 <= at < len(short):
                row[tap] = short[at]
        rows.append(row)
    return np.stack(rows)


@lru_cache(maxsize=1)
def _matrices() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """From a row of frames to the points between them, by phase and then by frame.

    Long and short interpolator; the short one's row leaves out what it does not reach. The
    points on the frames themselves are the samples in both.
    """
    first = BEFORE - SHORT_HALF
    matrices = []
    for kind in (_phases()[1:FACTOR], _phases()[FACTOR + 1 :]):
        matrix = np.zeros((len(kind) * BLOCK, _ROW), dtype=np.float32)
        for number, taps in enumerate(kind):
            for frame in range(BLOCK):
                matrix[number * BLOCK + frame, frame : frame + TAPS] = taps
        matrices.append(matrix)
    return matrices[0], np.ascontiguousarray(matrices[1][:, first : first + _SHORT_ROW])


@lru_cache(maxsize=1)
def bound() -> float:
    """Most that a point can exceed the largest sharpened sample within 42 frames, as a ratio."""
    count = 4096
    turn = 2.0 * np.pi * np.arange(count) / count
    unsharpen = np.fft.ifft(1.0 / (1.0 - 2.0 * _SHARPEN * np.cos(turn))).real
    around = np.concatenate([unsharpen[-64:], unsharpen[:65]])
    return 1.0001 * max(float(np.abs(np.convolve(taps, around)).sum()) for taps in _phases())


def peaks_over(samples: NDArray[Any], threshold: float) -> Peaks:
    """Peak within a frame either way of each frame, all channels together.

    Parameters
    ----------
    samples : ndarray (frames, channels)
    threshold : linear; where no point reaches it, 0 may be given for the peak

    Returns
    -------
    ndarray (frames,): what rings before the first frame and after the last counts with them.
    """
    samples = np.asarray(samples)
    frames = len(samples)
    if not frames:
        return np.zeros(0)
    blocks = -(-frames // BLOCK) + 2
    between = np.zeros((blocks, BLOCK), dtype=np.float32)
    row = np.zeros(blocks * BLOCK + TAPS - 1 + BLOCK, dtype=np.float32)
    for channel in samples.T:
        row[BLOCK + BEFORE : BLOCK + BEFORE + frames] = channel
        busy = _busy_blocks(row, blocks, threshold)
        rows = np.lib.stride_tricks.sliding_window_view(row, _ROW)[::BLOCK]
        np.maximum(between, np.abs(row[BEFORE:][: blocks * BLOCK].reshape(-1, BLOCK)), out=between)
        long, short = _matrices()
        inner = slice(BEFORE - SHORT_HALF, BEFORE - SHORT_HALF + _SHORT_ROW)
        for first in range(0, len(busy), _BATCH):
            batch = busy[first : first + _BATCH]
            frames_of = rows[batch].T
            top = between[batch].T
            for points in (long @ frames_of, short @ frames_of[inner]):
                np.abs(points, out=points)
                top = np.maximum(top, points.reshape(FACTOR - 1, BLOCK, -1).max(axis=0))
            between[batch] = top.T
    spans = between.reshape(-1).astype(np.float64)
    peaks = np.maximum(spans[1:], spans[:-1])[BLOCK - 1 : BLOCK - 1 + frames]
    peaks[0] = max(peaks[0], float(spans[:BLOCK].max()))
    peaks[-1] = max(peaks[-1], float(spans[BLOCK + frames :].max()))
    return peaks


def _busy_blocks(row: NDArray[np.float32], blocks: int, threshold: float) -> NDArray[np.intp]:
    """Blocks in which a point could reach the threshold."""
    sharp = np.zeros(-(-len(row) // BLOCK) * BLOCK, dtype=np.float32)
    part = sharp[1 : len(row) - 1]
    np.add(row[:-2], row[2:], out=part)
    part *= np.float32(-_SHARPEN)
    part += row[1:-1]
    np.abs(part, out=part)
    top = sharp.reshape(-1, BLOCK).max(axis=1)
    # block b holds row samples BEFORE onwards; its taps reach 42 frames further either way
    low = (BEFORE - 42) // BLOCK
    high = (BEFORE + BLOCK + 42) // BLOCK
    near = np.zeros(blocks, dtype=np.float32)
    for shift in range(low, high + 1):
        first, last = max(0, -shift), min(blocks, len(top) - shift)
        np.maximum(near[first:last], top[first + shift : last + shift], out=near[first:last])
    return np.flatnonzero(near * bound() >= threshold)
