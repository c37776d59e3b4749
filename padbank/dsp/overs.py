"""Where a sound goes over a level between its samples, frame by frame.

What it answers: what has a limiter to catch? The peak around each frame by two
interpolators at 8 points a frame: the meter's long one (64 taps, flat to
20 kHz at 44.1 kHz) and a short one (20 taps, cut at half the rate), as common
meters and converters have, which lets through more of what lies beside
half the rate. Whoever measures, the ceiling then holds.

Only groups of ``GROUP`` frames that could matter are evaluated. ``Overs.bounds`` says
what each can reach at most: the half-way points are added, the sound at twice its rate is
sharpened (``s = x - r (x[-1] + x[+1])``), and any value between frames is a weighted
sum of the sharpened points near it whose weights' magnitudes add up to about
``1 / (1 - 2 r)``. ``SPARE`` covers the short interpolator and what lies beside half the
rate; the tests hold the bound against full evaluation.

Class: ``Overs``. Functions: ``peaks_over``, ``lowest_of_groups``, ``drift``.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.interpolate import BEFORE, TAPS, interval_matrix, taps_at

FACTOR = 8
GROUP = 8
SHORT_HALF = 10
"""Frames that the short interpolator reaches either way; Kaiser window, beta 5."""
PAD = 64
"""Silence kept on both sides, where the interpolators still ring."""
SPARE = 1.015
_SHARPEN = 0.2
_WIDE = 32
_HALF_TAPS = 32
_HALF_BETA = 4.5
_ROW = GROUP + TAPS - 1
_SHORT_ROW = GROUP + 2 * SHORT_HALF
_BATCH = 1024
_NEARLY_ALL = 0.7

Peaks = NDArray[np.float64]
Singles = NDArray[np.float32]
Groups = NDArray[np.intp]


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
def _matrices() -> tuple[Singles, Singles]:
    """From a row of frames to the points between them, by phase and then by frame.

    Long and short interpolator; the short one's row leaves out what it does not reach. The
    points on the frames themselves are the samples in both.
    """
    first = BEFORE - SHORT_HALF
    matrices = []
    for kind in (_phases()[1:FACTOR], _phases()[FACTOR + 1 :]):
        matrix = np.zeros((len(kind) * GROUP, _ROW), dtype=np.float32)
        for number, taps in enumerate(kind):
            for frame in range(GROUP):
                matrix[number * GROUP + frame, frame : frame + TAPS] = taps
        matrices.append(matrix)
    return matrices[0], np.ascontiguousarray(matrices[1][:, first : first + _SHORT_ROW])


@lru_cache(maxsize=1)
def drift() -> float:
    """Most that a gain which changes by 1 a frame can add to a point, for samples within 1."""
    at = np.arange(TAPS) - BEFORE
    phases = _phases()
    shares = np.tile(np.arange(FACTOR) / FACTOR, 2)
    return float((np.abs(phases) * np.abs(at[None, :] - shares[:, None])).sum(axis=1).max())


@lru_cache(maxsize=1)
def _sharpening() -> Singles:
    """From 64 frames to the sharpened points, two a frame, of the 32 in the middle."""
    size = _WIDE + _HALF_TAPS
    at = np.arange(size)[:, None] - _HALF_TAPS // 2 - np.arange(_WIDE + 1)[None, :]
    frames = (at == 0).astype(np.float64)
    halves = interval_matrix(size, _HALF_TAPS // 2, np.arange(-0.5, _WIDE), _HALF_TAPS, _HALF_BETA)
    matrix = np.empty((size, 2 * _WIDE))
    matrix[:, 0::2] = frames[:, :-1] - _SHARPEN * (halves[:, :-1] + halves[:, 1:])
    matrix[:, 1::2] = halves[:, 1:] - _SHARPEN * (frames[:, :-1] + frames[:, 1:])
    return np.ascontiguousarray(matrix.T).astype(np.float32)


@lru_cache(maxsize=1)
def _most_sharpened() -> np.float32:
    """Most that a sharpened point can be, for samples within 1."""
    return np.float32(np.abs(_sharpening()).sum(axis=1).max() * 1.0001)


class Overs:
    """The peaks of a sound between its frames, evaluated where one asks for them.

    Parameters
    ----------
    samples : ndarray (frames, channels)

    Group ``g`` holds the frames from ``GROUP * g - PAD`` on, each with what lies between it and the
    next one.
    """

    def __init__(self, samples: NDArray[Any]) -> None:
        self.frames, channels = samples.shape
        self.groups = -(-(self.frames + 2 * PAD) // GROUP)
        self._row = np.zeros((channels, BEFORE + self.groups * GROUP + 2 * TAPS), dtype=np.float32)
        for channel, line in zip(samples.T, self._row, strict=True):
            line[BEFORE + PAD : BEFORE + PAD + self.frames] = channel
        self.looked = np.zeros(self.groups, dtype=bool)
        self._spans = self._row[0, BEFORE:][: self.groups * GROUP].copy()
        np.abs(self._spans, out=self._spans)
        for line in self._row[1:]:
            np.maximum(self._spans, np.abs(line[BEFORE:][: self.groups * GROUP]), out=self._spans)

    def bounds(self, least: float = 0.0) -> Singles:
        """What each group can reach at most, of all channels.

        Rows of groups that cannot come near ``least`` are bounded by their loudest frame alone, below ``least``.
        """
        near_ones = np.float32(SPARE / (1.0 - 2.0 * _SHARPEN))
        loosely = self._loudest_of_rows() * _most_sharpened()
        rows = np.flatnonzero(loosely * near_ones >= least)
        batches: list[Groups | slice] = [rows[at : at + _BATCH] for at in range(0, len(rows), _BATCH)]
        if len(rows) > _NEARLY_ALL * len(loosely):  # picking rows out costs more than these few
            batches = [slice(at, at + _BATCH) for at in range(0, len(loosely), _BATCH)]
        top = np.repeat(loosely[:, None], _WIDE // GROUP, axis=1)
        for some in batches:
            top[some] = 0.0
        first = BEFORE - _HALF_TAPS // 2
        for line in self._row:
            windows = np.lib.stride_tricks.sliding_window_view(
                np.pad(line, (0, _WIDE)), _WIDE + _HALF_TAPS
            )[first::_WIDE][: len(top)]
            for some in batches:
                sharp = _sharpening() @ windows[some].T
                np.abs(sharp, out=sharp)
                highest = sharp.reshape(_WIDE // GROUP, 2 * GROUP, -1).max(axis=1).T
                top[some] = np.maximum(top[some], highest)
        near = np.pad(top.reshape(-1)[: self.groups], 1)
        near = np.maximum(near[1:-1], np.maximum(near[:-2], near[2:]))
        return np.asarray(near * near_ones)

    def _loudest_of_rows(self) -> Singles:
        """The loudest frame that the sharpened points of each row hear of."""
        loudest = np.pad(self._spans, (0, -len(self._spans) % _WIDE))
        for _ in range(_WIDE.bit_length() - 1):  # an axis of 32 takes four times as long to reduce
            loudest = np.maximum(loudest[0::2], loudest[1::2])
        loudest = np.pad(loudest, 1)
        return np.asarray(np.maximum(loudest[1:-1], np.maximum(loudest[:-2], loudest[2:])))

    def look(self, groups: Groups) -> None:
        """Evaluate these groups."""
        self.looked[groups] = True
        long, short = _matrices()
        inner = slice(BEFORE - SHORT_HALF, BEFORE - SHORT_HALF + _SHORT_ROW)
        spans = self._spans.reshape(-1, GROUP)
        for line in self._row:
            rows = np.lib.stride_tricks.sliding_window_view(line, _ROW)[::GROUP]
            for first in range(0, len(groups), _BATCH):
                batch = groups[first : first + _BATCH]
                frames = rows[batch].T
                top = spans[batch].T
                for points in (long @ frames, short @ frames[inner]):
                    np.abs(points, out=points)
                    top = np.maximum(top, points.reshape(FACTOR - 1, GROUP, -1).max(axis=0))
                spans[batch] = top.T

    def peaks(self, bounds: Singles | None = None) -> Singles:
        """Peak within a frame either way of each frame, all channels together.

        Where nothing was evaluated, the samples' own, or the group's bound where ``bounds`` are
        given. What rings before the first frame and after the last counts with them.
        """
        if not self.frames:
            return np.zeros(0, dtype=np.float32)
        spans = self._spans
        if bounds is not None:
            spans = np.maximum(spans, np.repeat(np.where(self.looked, np.float32(0.0), bounds), GROUP))
        peaks = np.maximum(spans[1:], spans[:-1])[PAD - 1 : PAD - 1 + self.frames]
        peaks[0] = max(peaks[0], spans[:PAD].max())
        peaks[-1] = max(peaks[-1], spans[PAD + self.frames :].max())
        return peaks


def lowest_of_groups(by_step: NDArray[Any], step_frames: int, frames: int) -> NDArray[Any]:
    """The least of what is given for the steps that hear of each group: of its frames and the next one."""
    first = np.arange(-PAD, frames + PAD, GROUP)
    lowest = np.full(len(first), np.inf)
    for frame in range(0, GROUP + step_frames, step_frames):
        at = np.clip(np.minimum(first + frame, first + GROUP), 0, frames - 1) // step_frames
        np.minimum(lowest, by_step[at], out=lowest)
    return lowest


def peaks_over(samples: NDArray[Any], threshold: float) -> Peaks:
    """Peak within a frame either way of each frame, all channels together.

    Parameters
    ----------
    samples : ndarray (frames, channels)
    threshold : linear; where no point reaches it, less may be given for the peak

    Returns
    -------
    ndarray (frames,): what rings before the first frame and after the last counts with them.
    """
    samples = np.asarray(samples)
    if not len(samples):
        return np.zeros(0)
    overs = Overs(samples)
    overs.look(np.flatnonzero(overs.bounds(threshold) >= threshold))
    return np.asarray(overs.peaks(), dtype=np.float64)
