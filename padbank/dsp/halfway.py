"""The sound at twice its rate, sharpened: where its highest crests must lie, and how high they are.

Answers: which points of a sound may hold a crest higher than what is known,
and what do they come to? That is step 2 of the search that ``peak`` describes.
At twice its rate a sound has next to nothing above half the band. Sharpened by
their neighbours there, all points bound what lies between them by ``BOUND``: values
between are averages of them, with weights that are all but positive. And 13
points around a crest give what the interpolator makes of 65 frames, within 6e-6.

Conventions: *points* are frames and the values half way between them, in turn;
``known`` is a level that the sound is sure to reach.

Functions: ``points_of_rows``, ``crests_in_rows``, ``highest_in_lines``.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padbank.dsp import workspace
from padbank.dsp.chunks import Singles
from padbank.dsp.crests import STEEPEST, highest_vertex
from padbank.dsp.interpolate import TAPS, interval_matrix, windowed_sinc

Places = NDArray[np.intp]

BLOCK = 32
"""Frames of a row that ``points_of_rows`` looks at; it takes ``REACH`` more on either side."""
REACH = TAPS // 2
ROW_FRAMES = BLOCK + 2 * REACH
SHARPEN = 0.18
BOUND = 1.0015 / (1.0 - 2.0 * SHARPEN)
"""The smallest weights that give any value back to 0.1 % add up to 1.0012 times the quotient in
magnitude: the tests solve that linear programme again, and try to find a sound that beats the bound."""
MARGIN = 4
"""Frames on either side of a stretch that its points need, besides the interpolator's reach."""
SPAN = 64
"""Frames that there have to be on either side of what ``highest_in_lines`` looks at."""
_SHORT_BLOCK = 24
_SHORT_ROWS = 512
_SHORT_ROW = _SHORT_BLOCK + 2 * REACH
_SHORT_WINDOW = np.dtype((np.void, 4 * _SHORT_ROW))
_BESIDE = 6
_WINDOW = np.dtype((np.void, 4 * (2 * _BESIDE + 1)))
_POINTS = 7
_MOST_CRESTS = 16_384
_MOST_STEPS = 4
_FIRST_LOOK = 128


def _half_filter(frames: int, points: int) -> NDArray[np.float64]:
    """From ``frames`` frames to the points half a frame before each from number ``REACH`` on."""
    return interval_matrix(frames, REACH, np.arange(points, dtype=np.float64) - 0.5)


@lru_cache(maxsize=1)
def _halves_matrix() -> Singles:
    return _half_filter(_SHORT_ROW, _SHORT_BLOCK).astype(np.float32)


@lru_cache(maxsize=1)
def _twice_matrix() -> Singles:
    """From the frames of a block, ``REACH`` more on either side, to its sharpened points at twice the rate."""
    at = np.arange(ROW_FRAMES)[:, None] - REACH - np.arange(BLOCK + 1)[None, :]
    frames = (at == 0).astype(np.float64)
    halves = _half_filter(ROW_FRAMES, BLOCK + 1)
    matrix = np.empty((ROW_FRAMES, 2 * BLOCK))
    matrix[:, 0::2] = frames[:, :-1] - SHARPEN * (halves[:, :-1] + halves[:, 1:])
    matrix[:, 1::2] = halves[:, 1:] - SHARPEN * (frames[:, :-1] + frames[:, 1:])
    return matrix.astype(np.float32)


@lru_cache(maxsize=1)
def _nearby_matrix() -> Singles:
    """From a point and ``_BESIDE`` on either side, half a frame apart, to 8 points an eighth of a frame apart.

    From three before the point to four after it; the last is there because
    products with eight rows run at twice the pace of seven. Least squares over all
    that the interpolator lets through, the band above 0.4535 of the rate included:
    within 6e-6 of the level.
    """
    at = np.arange(-TAPS * 16, TAPS * 16 + 1) / 32.0
    angle = np.linspace(0.0, 2.0 * np.pi * 0.55, 160)
    gain = np.cos(np.outer(angle, at)) @ windowed_sinc(at) / 32.0
    wanted = np.arange(-3, 5) / 8.0
    given = np.arange(-_BESIDE, _BESIDE + 1) / 2.0
    rows = []
    for turned in (np.cos, np.sin):
        inputs = turned(np.outer(angle, given)) * gain[:, None]
        outputs = turned(np.outer(angle, wanted)) * gain[:, None]
        rows.append((inputs, outputs))
    inputs, outputs = (np.concatenate(parts) for parts in zip(*rows, strict=True))
    weight = np.ones(len(inputs))
    for _ in range(6):  # towards the smallest largest error
        matrix = np.linalg.lstsq(inputs * weight[:, None], outputs * weight[:, None], rcond=None)[0]
        error = np.abs(inputs @ matrix - outputs).max(axis=1)
        weight *= np.sqrt(0.2 + error / error.max())
    return np.ascontiguousarray(matrix.T).astype(np.float32)


def points_of_rows(windows: Singles) -> Singles:
    """(rows, ``2 * BLOCK``) sharpened points of ``(rows, ROW_FRAMES)`` frames, with their signs.

    Valid until this thread's next call.
    """
    rows = workspace.singles("half rows", *windows.shape)
    rows[:] = windows
    twice = workspace.singles("twice", len(rows), 2 * BLOCK)
    return np.matmul(rows, _twice_matrix(), out=twice)


def crests_in_rows(twice: Singles, above: NDArray[np.bool_]) -> Places:
    """Positions (row by row) of the points ``above`` that no neighbour in the row exceeds.

    ``twice`` holds magnitudes; ``above`` is used up.
    """
    line, crests = twice.reshape(-1), above.reshape(-1)
    falls, rises = line[:-1] >= line[1:], line[1:] >= line[:-1]
    # rows need not follow each other in time
    falls[2 * BLOCK - 1 :: 2 * BLOCK] = True
    rises[2 * BLOCK - 1 :: 2 * BLOCK] = True
    crests[:-1] &= falls
    crests[1:] &= rises
    return crests.nonzero()[0]


def highest_in_lines(chunk: Singles, start: int, end: int, known: float, alike: bool) -> tuple[float, bool]:
    """Highest crest from frame ``start`` up to ``end`` of every channel; and whether crests are alike.

    For sounds where most rows have to be looked at: less arithmetic than by rows. With
    ``alike`` all crests that stand out are looked at in turn; else the highest first,
    to see whether they do away with the rest.
    """
    # All channels as one long line: what lies between them makes no sense, and is left out.
    channels, length = chunk.shape
    count = (channels - 1) * length + end - start
    points = _points(chunk.reshape(-1), start - MARGIN, count + 2 * MARGIN)
    gaps = [slice(2 * (n * length + end - start), 2 * (n + 1) * length) for n in range(channels - 1)]
    places, sharp = _crests(points, np.float32(known / BOUND), gaps)
    if not alike and len(places) > 2 * _FIRST_LOOK:
        heights = sharp[places - 2 * MARGIN]
        highest = np.argpartition(-heights, _FIRST_LOOK)[:_FIRST_LOOK]
        known = _highest_near(points, places[highest], known)
        still = heights > np.float32(known / BOUND)
        alike = 2 * int(np.count_nonzero(still)) > len(places)
        places = places[still]
    return _highest_near(points, places, known), alike


def _points(line: Singles, first: int, count: int) -> Singles:
    """(2 * count,) frames of ``line`` from ``first`` on, and the point half a frame after each."""
    item = line.itemsize
    points = workspace.singles("points", count, 2)
    points[:, 0] = line[first : first + count]
    rows = workspace.singles("short rows", _SHORT_ROWS, _SHORT_ROW)
    halves = workspace.singles("halves", _SHORT_ROWS, _SHORT_BLOCK)
    for at in range(0, count, _SHORT_ROWS * _SHORT_BLOCK):
        some = min(count - at, _SHORT_ROWS * _SHORT_BLOCK)
        size = -(-some // _SHORT_BLOCK)
        windows = np.ndarray(
            (size,), _SHORT_WINDOW, line, (first + at + 1 - REACH) * item, (_SHORT_BLOCK * item,)
        )
        rows[:size].view(_SHORT_WINDOW)[:, 0] = windows
        np.matmul(rows[:size], _halves_matrix(), out=halves[:size])
        points[at : at + some, 1] = halves.reshape(-1)[:some]
    return points.reshape(-1)


def _crests(points: Singles, threshold: np.float32, gaps: list[slice]) -> tuple[Places, Singles]:
    """Where crests above ``threshold`` lie in ``points``, and all sharpened points.

    Of what lies ``2 * MARGIN`` points from either end, but for the ``gaps`` counted
    from there, as the sharpened points are, too.
    """
    inner = slice(2 * MARGIN, -2 * MARGIN)
    middle = points[inner]
    sharp = workspace.singles("sharp points", len(middle))
    np.add(points[2 * MARGIN - 1 : -2 * MARGIN - 1], points[2 * MARGIN + 1 : 1 - 2 * MARGIN], out=sharp)
    sharp *= np.float32(-SHARPEN)
    sharp += middle
    np.abs(sharp, out=sharp)
    crests = np.greater(sharp, threshold, out=workspace.booleans("above points", len(sharp)))
    for gap in gaps:
        crests[gap] = False
    falls = np.greater_equal(sharp[:-1], sharp[1:], out=workspace.booleans("falls", len(sharp) - 1))
    crests[:-1] &= falls
    # numpy takes "greater" of two truth values for "and not"
    np.greater(crests[1:], falls, out=crests[1:])
    return crests.nonzero()[0] + 2 * MARGIN, sharp


def _highest_near(points: Singles, places: Places, known: float) -> float:
    """Highest of what lies around some points; where it still rises at an end, the look goes on there."""
    for _ in range(_MOST_STEPS):
        further = []
        for first in range(0, len(places), _MOST_CRESTS):
            some = places[first : first + _MOST_CRESTS]
            nearby = _nearby(points, some)
            known = highest_vertex(nearby, known)
            enough = np.float32(STEEPEST * known)
            ends, inner = nearby[:: _POINTS - 1], nearby[1 :: _POINTS - 3]
            rising = (ends > inner) & (ends > enough)
            if rising.any():
                end, which = rising.nonzero()
                further.append(some[which] + 2 * end - 1)
        if not further:
            break
        places = np.concatenate(further)
        places = places[(places >= _BESIDE) & (places < len(points) - _BESIDE)]
    return known


def _nearby(points: Singles, places: Places) -> Singles:
    """(7, crests) values around some points; at least ``_BESIDE`` have to lie on either side of each."""
    windows = np.ndarray((len(points) - 2 * _BESIDE,), _WINDOW, points, 0, (points.itemsize,))
    around = windows[places - _BESIDE].view(np.float32).reshape(-1, 2 * _BESIDE + 1)
    nearby = _nearby_matrix() @ around.T
    return nearby[:_POINTS]
