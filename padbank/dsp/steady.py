"""How high a steady tone can reach between its samples, told from the samples alone.

Answers: can a stretch of sound hold a higher crest than those already looked
at? Steady tones are the sounds whose crests are all alike, so that no other
bound tells them apart and each would have to be looked at.

A sine of angle ``w`` a frame obeys ``x[n+1] + x[n-1] = 2 cos(w) x[n]``. For any
sound at all, call ``e[n] = x[n+1] + x[n-1] - 2 cos(w) x[n]``: what is left over.
Around an interval between two frames take the sine ``z`` through both. From
there on, frame by frame, the sound parts from ``z`` by what the recursion makes
of ``e``, so what the interpolator gives between the two frames is what it gives
for ``z`` plus a weighted sum of ``e``. The weights follow from the taps and
``w``; their magnitudes add up to ``spill`` at most (0.5 for low tones, 1 at a
quarter of the rate). The amplitude of ``z`` follows from three frames:
``A² sin²(w) = x[n]² - x[n-1] x[n+1] + x[n+1] e[n]``. So nothing in the stretch
reaches beyond

    reach · max A + spill · max |e|

whatever the sound is; for a steady tone the second term is next to nothing,
and the bound meets the highest crest within a millionth.

Classes: ``ToneBound``.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from padbank.dsp import workspace
from padbank.dsp.chunks import Singles
from padbank.dsp.interpolate import BEFORE, TAPS, taps_at

_STEPS = 16
_BETWEEN_STEPS = 1.01
"""What the two sums may rise to between the steps of a frame that they are computed at."""
_PROBE = 128
NOISY = 1e-4
"""Where noise opens more than that between tone and bound within a few frames, the bound is of no use."""
_LARGEST_TWICE_COSINE = 1.9996
"""140 Hz at 44.1 kHz. Below, amplitudes told from neighbours lose digits."""


class ToneBound:
    """Upper bounds for one channel, chunk after chunk; remembers the tone between them."""

    def __init__(self) -> None:
        self._twice_cosine = np.float32(0.0)
        self._weights = (1.0, 1.0, 1.0)

    def is_near(self, line: Singles) -> bool:
        """Whether the middle of a stretch is so near a tone that ``highest`` is worth asking about."""
        middle = len(line) // 2
        if not _may_be_tone(line[middle : middle + 6].tolist()):
            return False
        around = line[middle : middle + _PROBE].astype(np.float64)
        sums, inner = around[2:] + around[:-2], around[1:-1]
        squares = inner**2 - around[2:] * around[:-2]
        least, most = float(squares.min()), float(squares.max())
        if least < (1.0 - 2.0 * NOISY) * most:
            return False
        limit = NOISY * math.sqrt(most)  # both the amplitude and what spills are larger than that tells
        left_over = np.abs(sums - float(self._twice_cosine) * inner).max()
        if left_over > limit:
            self._twice_cosine = np.float32((sums @ inner) / (inner @ inner))
            left_over = np.abs(sums - float(self._twice_cosine) * inner).max()
        if left_over > limit or abs(self._twice_cosine) > _LARGEST_TWICE_COSINE:
            return False
        _, spill, sine = self._weights = _sums_of_weights(float(self._twice_cosine))
        return bool(spill * left_over <= NOISY * math.sqrt(least) / sine)

    def highest(self, line: Singles) -> float:
        """What no interpolated value exceeds whose taps lie within ``line``.

        Only after ``is_near`` has found the tone; true wherever it has, whatever ``line`` holds.
        """
        reach, spill, sine = self._weights
        left_over, square, loudest = _recursion(line, self._twice_cosine)
        amplitude = math.sqrt(square + loudest * left_over) / sine
        return reach * amplitude + spill * left_over


def _may_be_tone(frames: list[float]) -> bool:
    """Whether six frames in a row have one amplitude: all the look that most chunks get."""
    squares = [b * b - a * c for a, b, c in zip(frames, frames[1:], frames[2:], strict=False)]
    return len(squares) == 4 and min(squares) > (1.0 - 2.0 * NOISY) * max(squares) > 0.0


def _recursion(line: Singles, twice_cosine: np.float32) -> tuple[float, float, float]:
    """Largest magnitude of ``e``, largest ``x[n]² - x[n-1] x[n+1]``, largest magnitude of ``x``."""
    before, inner, after = line[:-2], line[1:-1], line[2:]
    left_over = workspace.singles("left over", len(inner))
    other = workspace.singles("other", len(inner))
    np.multiply(inner, twice_cosine, out=left_over)
    np.add(before, after, out=other)
    left_over -= other
    largest = max(float(left_over.max()), -float(left_over.min()))
    np.multiply(before, after, out=other)
    np.multiply(inner, inner, out=left_over)
    loudest = math.sqrt(float(left_over.max()))
    left_over -= other
    # rounding: each of the products is off by half a bit, and so is their difference
    rounding = 2.0**-22 * loudest**2
    return largest + 2.0**-22 * loudest, max(0.0, float(left_over.max())) + rounding, loudest


@lru_cache(maxsize=16)
def _sums_of_weights(twice_cosine: float) -> tuple[float, float, float]:
    """``reach``, ``spill`` and the sine of the angle for one tone; see the module's text."""
    angle = math.acos(twice_cosine / 2.0)
    taps = np.array([taps_at(step / _STEPS) for step in range(_STEPS + 1)])
    at = np.arange(TAPS) - BEFORE
    reach = float(np.abs(taps @ np.exp(1j * angle * at)).max())
    # what frame k owes to e[j]: beyond the interval's end, or before its start
    apart = at[None, :] - at[:, None]
    grows = np.sin(angle * np.abs(apart)) / math.sin(angle)
    owes = np.where(at[:, None] >= 1, apart > 0, apart < 0) * grows
    spill = float(np.abs(taps @ owes.T).sum(axis=1).max())
    return 1.0 + _BETWEEN_STEPS * max(0.0, reach - 1.0), _BETWEEN_STEPS * spill, math.sin(angle)
