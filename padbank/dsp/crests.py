"""The highest crests of an interpolated sound, around places that someone picked.

Answers: how high does the sound reach near here? The interpolator of
``interpolate`` gives eight points a frame; a parabola through a crest's three
points gives its top. Which places are worth a look is ``peak``'s affair.

Conventions: chunks are ``(channels, frames)`` float32, contiguous; ``known`` is
a level that the sound is sure to reach, and what comes back is never lower. A
place is the window of ``WINDOW_FRAMES`` frames around it, told by where that
begins in the chunk, channel after channel.

Functions: ``highest_at``, ``highest_near``, ``highest_in_groups``;
``highest_vertex``; ``windows_of``.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padbank.dsp import workspace
from padbank.dsp.chunks import Singles
from padbank.dsp.interpolate import TAPS, interval_matrix

POINTS_PER_FRAME = 8
MIDDLE = TAPS // 2
WINDOW_FRAMES = TAPS + 1
"""All frames that count for what lies up to one frame before or after the one in their middle."""
GROUP = 4
"""Intervals that are looked at together where noise is."""
_WINDOW = np.dtype((np.void, 4 * WINDOW_FRAMES))
_MOST_POINTS = 2048
_NEAR_POINTS = 7
_MOST_STEPS = 4
STEEPEST = 0.95


def highest_at(chunk: Singles, start: int, known: float) -> float:
    """``highest_near`` in plain numbers for one place: much quicker there."""
    flat, length = chunk.reshape(-1), chunk.shape[1]
    for _ in range(_MOST_STEPS):
        around = flat[start : start + WINDOW_FRAMES] @ _around_matrix()
        points = [abs(value) for value in around.tolist()]
        for left, mid, right in zip(points, points[1:], points[2:], strict=False):
            bend = 2.0 * mid - left - right
            if left <= mid >= right and bend > 0.0:
                known = max(known, mid + (right - left) ** 2 / (8.0 * bend))
        top = max(points)
        if top < known or top not in (points[0], points[-1]):
            break
        known = top
        start += 1 if top == points[-1] else -1
        if start < 0 or start % length > length - WINDOW_FRAMES:
            break
    return known


def highest_near(chunk: Singles, twice_at: NDArray[np.intp], known: float) -> float:
    """Highest of what lies around positions given in half frames from the chunk's start.

    Where it still rises at the end of what was looked at, the look goes on there.
    """
    length = chunk.shape[1]
    windows = np.ndarray((chunk.size - WINDOW_FRAMES + 1,), _WINDOW, chunk, 0, (chunk.itemsize,))
    for _ in range(_MOST_STEPS):
        halves = (twice_at & 1).astype(bool)
        further = []
        for half, at in ((0, twice_at[~halves]), (1, twice_at[halves])):
            matrix, starts = _near_matrix(half), at >> 1
            for first in range(0, len(at), _MOST_POINTS):
                some = slice(first, first + _MOST_POINTS)
                around = windows[starts[some]].view(np.float32).reshape(-1, WINDOW_FRAMES)
                points = (matrix @ around.T)[:_NEAR_POINTS]
                known = highest_vertex(points, known)
                enough = np.float32(STEEPEST * known)
                ends, inner = points[:: _NEAR_POINTS - 1], points[1 :: _NEAR_POINTS - 3]
                rising = (ends > inner) & (ends > enough)
                if rising.any():
                    end, which = rising.nonzero()
                    further.append(at[some][which] + 2 * end - 1)
        if not further:
            break
        twice_at = np.concatenate(further)
        twice_at = twice_at[(twice_at >= 0) & ((twice_at >> 1) % length <= length - WINDOW_FRAMES)]
    return known


def highest_in_groups(chunk: Singles, groups: NDArray[np.bool_], start: int, known: float) -> float:
    """Step 3 over the few groups of intervals that may reach beyond ``known``; ``start``: the first window's."""
    channel, group = groups.nonzero()
    windows = windows_of(chunk, start, GROUP, groups.shape[1], GROUP + WINDOW_FRAMES)
    for first in range(0, len(group), _MOST_POINTS):
        few = slice(first, first + _MOST_POINTS)
        known = highest_vertex(_group_matrix() @ windows[channel[few], group[few]].T, known)
    return known


@lru_cache(maxsize=1)
def _around_matrix() -> Singles:
    """From 65 frames to the points from half a frame before the middle one to one frame after it."""
    points = np.arange(-POINTS_PER_FRAME // 2, POINTS_PER_FRAME + 1) / POINTS_PER_FRAME
    return interval_matrix(WINDOW_FRAMES, MIDDLE, points).astype(np.float32)


@lru_cache(maxsize=1)
def _group_matrix() -> Singles:
    """From the frames of a group of intervals to all its points and one more on either side."""
    points = np.arange(-1, GROUP * POINTS_PER_FRAME + 2) / POINTS_PER_FRAME
    matrix = interval_matrix(GROUP + WINDOW_FRAMES, MIDDLE, points)
    return np.ascontiguousarray(matrix.T).astype(np.float32)


@lru_cache(maxsize=2)
def _near_matrix(half: int) -> Singles:
    """From 65 frames to points around the middle one (``half`` 0) or half a frame after it (1).

    One more than is looked at: products with eight rows run at twice the pace of seven.
    """
    points = half / 2.0 + np.arange(-(_NEAR_POINTS // 2), _NEAR_POINTS // 2 + 2) / POINTS_PER_FRAME
    return np.ascontiguousarray(interval_matrix(WINDOW_FRAMES, MIDDLE, points).T).astype(np.float32)


def highest_vertex(points: Singles, known: float) -> float:
    """Top of the parabolas through three neighbours whose middle is highest, down the columns; or ``known``.

    With rises ``p`` before and ``q`` after the middle point, the parabola's
    top is ``(p + q)² / (8 (|p| + |q|))`` above it where the middle is a crest.
    Elsewhere the same term seldom comes to more than a crest nearby, so it is
    only where it does that one looks whether it is one.
    """
    count, columns = points.shape
    np.abs(points, out=points)
    rises = np.subtract(points[1:], points[:-1], out=workspace.singles("rises", count - 1, columns))
    lean = np.add(rises[:-1], rises[1:], out=workspace.singles("lean", count - 2, columns))
    np.abs(rises, out=rises)
    rises += np.float32(1e-30)
    steps = np.add(rises[:-1], rises[1:], out=workspace.singles("steps", count - 2, columns))
    np.divide(lean, steps, out=steps)
    lean *= steps
    lean *= np.float32(0.125)
    lean += points[1:-1]
    if float(lean.max()) > known:
        tops, line = lean.reshape(-1), points.reshape(-1)
        left = (tops > known).nonzero()[0]
        middle = line[left + columns]
        crests = (middle >= line[left]) & (middle >= line[left + 2 * columns])
        known = float(tops[left].max(initial=known, where=crests))
    return max(known, float(points[0].max()), float(points[-1].max()))


def windows_of(chunk: Singles, start: int, step: int, count: int, size: int) -> Singles:
    """View of ``count`` windows of each channel, without the 20 µs of numpy's own helper."""
    row, item = chunk.strides
    return np.ndarray(
        (len(chunk), count, size), np.float32, chunk, start * item, (row, step * item, item)
    )
