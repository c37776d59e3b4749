"""The exact frame where a sound begins, within the few frames around a rough guess.

What it answers: given frames of which the first ``still`` hold only background,
where may something have begun that the background cannot explain?

1. DC and mains hum (50 or 60 Hz with harmonics, by least squares on the still frames) are
   subtracted.
2. Where a faint foreword (a lossy coder's pre-echo, a stick's breath) comes
   within ``FOREWORD_S`` before a sudden attack ``FOREWORD_DB`` above it, it counts as noise.
3. ``rise`` says how early the sound may have begun, from the noise's own spectrum and
   power and from the slope of the attack. What is then found to begin with an even stretch
   ``PLATEAU_DB`` down begins where that ends.
4. The start is set ``LEAD_S`` before that. Of several channels the earliest counts.

The figures are padbank's own (common practice, no source).

Functions and classes: ``find_onset``, ``Onset``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.rise import rise_start, whitened
from padbank.units import seconds_to_frames

LEAD_S = 0.00025
PEAK_OVER_RMS = 4.5
"""Noise hardly ever peaks higher than this over its own RMS."""
FOREWORD_DB = 26.0
FOREWORD_S = 0.035
PLATEAU_DB = 40.0
PLATEAU_S = (0.015, 0.150)
PLATEAU_GROWS_DB = 3.0
PLATEAU_STEP_DB = 16.0
"""A swell grows by more from the second to the last third of its foot, and no step comes after it."""
FOREWORD_NOISE = 2.8
"""How many times its RMS a foreword's raised threshold is taken to be: its peak is then 1.4."""
MAINS_HZ = (50.0, 60.0)

Frames = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Onset:
    """The frame to start at (it may be negative), how many frames after it the sound begins at
    the earliest, and whether mains hum was subtracted."""

    start: int
    lead: int
    hum: bool


def find_onset(
    frames: Frames,
    rate: int,
    *,
    still: int,
    sure: int,
    background: bool,
    quiet_peak: float,
    loud_peak: float,
) -> Onset | None:
    """The onset, or None when nothing stands out.

    Parameters
    ----------
    frames : ndarray (frames, channels), around the rough onset
    rate : frames a second
    still : how many of them, from the first on, lie before the sound
    sure : a frame by which the sound is there
    background : whether these hold noise to be learned from (not digital silence)
    quiet_peak, loud_peak : what counts as silence, and the peak of the whole sound, linear
    """
    rest, hum = _less_dc_and_hum(frames, still, rate)
    size = np.abs(rest)
    learn = background and still >= seconds_to_frames(0.004, rate)
    threshold = np.full(size.shape[1], quiet_peak)
    if learn:
        before = size[:still]
        learned = np.maximum(PEAK_OVER_RMS * np.sqrt((before**2).mean(axis=0)), 1.15 * before.max(axis=0))
        threshold = np.maximum(threshold, learned)
    hits = np.flatnonzero((size[still:] > threshold).any(axis=1))
    foreword = None
    if len(hits):
        foreword = _past_foreword(size[still:], int(hits[0]), threshold, rate, loud_peak)
    starts = []
    for channel in range(rest.shape[1]):
        if channel and np.array_equal(rest[:, channel], rest[:, channel - 1]):
            continue
        one = rest[:, channel]
        if foreword is not None:
            at, raised = still + foreword[0], float(foreword[1])
            start = rise_start((one * (FOREWORD_NOISE / raised)) ** 2, rate, at)
            starts += [start] if start is not None else []
            continue
        least = quiet_peak / PEAK_OVER_RMS
        start = None
        if learn and float((one[:still] ** 2).mean()) > least**2:
            start = rise_start(whitened(one, still) ** 2, rate, sure)
            least = float(np.sqrt((one[:still] ** 2).mean()))
        if start is None:
            start = rise_start((one / least) ** 2, rate, sure)
        if start is not None:
            starts.append(_past_plateau(one, start, rate, loud_peak))
    if not starts:
        return None
    lead = max(1, seconds_to_frames(LEAD_S, rate))
    return Onset(math.floor(min(starts)) - lead, lead, hum)


def _past_foreword(
    size: Frames,
    at: int,
    threshold: Frames,
    rate: int,
    loud_peak: float,
) -> tuple[int, float] | None:
    """Where a loud attack passes a faint foreword that begins at ``at``, and the level it has there.

    Lossy coding smears a little of an attack to before it. What lies ``FOREWORD_DB`` under a
    sudden attack within ``FOREWORD_S`` is that, or a stick's breath, and only makes
    the pad late. None where there is no such thing.
    """
    back = max(1, seconds_to_frames(0.0015, rate))
    top = size[at : at + back + seconds_to_frames(FOREWORD_S, rate)].max(axis=1)
    if len(top) <= back:
        return None
    before, after = np.maximum.accumulate(top)[:-back], top[back:]
    sudden = (after >= before * 10 ** (FOREWORD_DB / 20)) & (after >= loud_peak / 4)
    if not sudden.any():
        return None
    raised = max(2.0 * float(before[int(np.flatnonzero(sudden)[0])]), float(threshold.max()))
    over = np.flatnonzero(top > raised)
    return (at + int(over[0]), raised) if len(over) else None


def _past_plateau(frames: Frames, start: float, rate: int, loud_peak: float) -> float:
    """``start``, or the attack's own where between the two lies an even, faint stretch.

    An editor's gate opens on the room a little before the word: ``PLATEAU_DB`` under the
    peak, that is no part of the sound, and ``PLATEAU_S`` of it would be heard as a late pad.
    """
    begin = max(0, math.floor(start))
    loud = np.flatnonzero(np.abs(frames[begin:]) > loud_peak * 10 ** (-PLATEAU_DB / 20))
    least, most = (seconds_to_frames(time_s, rate) for time_s in PLATEAU_S)
    if not len(loud) or not least <= loud[0] <= most:
        return start
    attack = begin + int(loud[0])
    third = (attack - begin - least // 3) // 3
    thirds = frames[attack - least // 3 - 3 * third :][: 3 * third].reshape(3, -1)
    power = (thirds**2).mean(axis=1)
    level = float(power[1:].max())
    even = power.min() > 0.0 and abs(10.0 * math.log10(power[2] / power[1])) <= PLATEAU_GROWS_DB
    after = float((frames[attack : attack + least // 3] ** 2).mean())
    if not even or after < level * 10 ** (PLATEAU_STEP_DB / 10):
        return start
    again = rise_start(frames**2 / level, rate, attack + least // 3)
    return again if again is not None and start < again <= attack else start


def _less_dc_and_hum(frames: Frames, still: int, rate: int) -> tuple[Frames, bool]:
    """Frames less the DC and the mains hum that their first ``still`` frames show; and whether they hum."""
    if still < 8:
        # Nothing lies before the sound: its own first value is all that is known of DC
        return np.asarray(frames - (frames[0] if still else 0.0)), False
    rest = np.asarray(frames - frames[:still].mean(axis=0))
    mains_hz = _mains(rest[:still], rate)
    if mains_hz is None:
        return rest, False
    basis = _harmonics(np.arange(len(frames)) / rate, mains_hz, rate)
    known = basis[:still]
    weights = np.linalg.lstsq(known.T @ known, known.T @ frames[:still], rcond=None)[0]
    return np.asarray(frames - basis @ weights), True


def _harmonics(time_s: Frames, mains_hz: float, rate: int) -> Frames:
    orders = [k for k in range(1, 9) if k * mains_hz < 0.45 * rate]
    turns = [np.exp(2j * np.pi * mains_hz * time_s)]
    for _ in orders[1:]:  # a product is ten times as quick as an exponential
        turns.append(turns[-1] * turns[0])
    waves = np.stack(turns, axis=1)
    return np.concatenate([np.ones((len(time_s), 1)), waves.real, waves.imag], axis=1)


def _mains(rest: Frames, rate: int) -> float | None:
    """The mains frequency that explains at least half the power of ``rest``, or None.

    Judged on means of 1 ms, which is enough for hum.
    """
    width = max(1, rate // 1000)
    count = len(rest) // width
    if count < 40:  # two periods of 50 Hz
        return None
    coarse = rest[: count * width].reshape(count, width, -1).mean(axis=1)
    time_s = (np.arange(count) * width + (width - 1) / 2) / rate
    best, best_power = None, 0.5 * float((rest**2).sum()) / width
    for mains_hz in MAINS_HZ:
        basis = _harmonics(time_s, mains_hz, rate)
        weights = np.linalg.lstsq(basis, coarse, rcond=None)[0]
        explained = float(((basis @ weights) ** 2).sum())
        if explained > best_power:
            best, best_power = mains_hz, explained
    return best
