"""The gain curve of the limiter: from what each step needs to a smooth curve that never exceeds it.

What it answers: which is the highest curve, in dB by steps of time, that never lies above the need,
never falls faster than ``ATTACK_DB_PER_MS``, never rises faster than ``RELEASE_DB_PER_MS``
and has round corners?

The slopes and the corner are padbank's own (common practice, no source).

Functions: ``need_db``, ``smooth_curve_db``, ``lowest_sloped``, ``slopes_db``, ``curve_reach``, ``joined``,
``db_to_gains``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

ATTACK_DB_PER_MS = 1.0
RELEASE_DB_PER_MS = 0.05
CORNER_S = 0.002
STRAIGHT = 0.99
"""Lines straight in gain are up to 1 % steeper in dB than their ends, at 6000 steps a second."""

Curve = NDArray[np.float64]


def joined(steps: Curve, step_frames: int, frames: int) -> Curve:
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


def slopes_db(steps_per_ms: float) -> tuple[float, float]:
    """Attack and release in dB a step."""
    return STRAIGHT * ATTACK_DB_PER_MS / steps_per_ms, STRAIGHT * RELEASE_DB_PER_MS / steps_per_ms


def lowest_sloped(need: NDArray[np.floating], attack: float, release: float) -> Curve:
    """The highest curve under ``need`` that falls by ``attack`` and rises by ``release`` a step at most."""
    ramp = np.arange(len(need), dtype=np.float64)
    # min over j <= i of need[j] + release * (i - j): falls at once, rises slowly
    lowest = np.minimum.accumulate(need - release * ramp) + release * ramp
    # the same backwards for the attack: min over j >= i of lowest[j] + attack * (j - i)
    return np.asarray(np.minimum.accumulate((lowest + attack * ramp)[::-1])[::-1] - attack * ramp)


def need_db(peaks: NDArray[np.floating], ceiling: float) -> Curve:
    """Gain in dB (<= 0) that each peak needs to come down to the ceiling (both linear)."""
    need = np.zeros(len(peaks))
    hot = np.flatnonzero(peaks > ceiling)
    if len(hot):
        need[hot] = 20.0 * np.log10(ceiling / peaks[hot])
    return need


def _half_corner(steps_per_ms: float) -> int:
    return max(1, round(CORNER_S * 1000.0 * steps_per_ms / 4))


def curve_reach(deepest_db: float, steps_per_ms: float) -> int:
    """Steps after which a need of ``deepest_db`` no longer shows in the curve."""
    return int(deepest_db / slopes_db(steps_per_ms)[1]) + 8 * _half_corner(steps_per_ms) + 8


def smooth_curve_db(need: NDArray[np.floating], steps_per_ms: float) -> Curve:
    """The highest curve under ``need`` (dB, <= 0, by step) with slopes bounded and corners round.

    Any value between two steps lies under the need of both, so lines may join them.
    """
    curve = np.zeros(len(need))
    hot = np.flatnonzero(need)
    if not len(hot):
        return curve
    attack, release = slopes_db(steps_per_ms)
    half = _half_corner(steps_per_ms)
    deepest = -float(need.min())
    first = max(0, int(hot[0]) - int(deepest / attack) - 4 * half - 4)
    last = min(len(need), int(hot[-1]) + int(deepest / release) + 4 * half + 4)
    lowest = lowest_sloped(need[first:last], attack, release)
    width = 2 * half + 1
    from scipy import ndimage  # slow to load, and not every command needs it

    held = ndimage.minimum_filter1d(lowest, 2 * width + 1, mode="nearest")
    rounded = ndimage.uniform_filter1d(held, width, mode="nearest")
    rounded = ndimage.uniform_filter1d(rounded, width, mode="nearest")
    rounded[rounded > -1e-9] = 0.0
    curve[first:last] = np.minimum(rounded, 0.0)
    return curve
