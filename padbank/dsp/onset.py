"""The exact frame where a sound begins, within the few frames around a rough guess.

What it answers: given frames of which the first ``still`` hold only background,
where does something start that the background cannot explain, and where did
its rise leave zero?

1. DC and mains hum (50 or 60 Hz with harmonics, by least squares on the still frames) are
   subtracted.
2. The first frame over the threshold is looked for: 4.5 times the background's RMS or
   1.15 times its peak, whichever is higher, and never below what counts as silence.
3. Where a faint foreword (a lossy coder's pre-echo, a stick's breath) comes
   within ``PRE_ECHO_S`` before a sudden attack ``PRE_ECHO_DB`` above it, it is passed over.
4. From the times at which the rise passes one, two and four thresholds its beginning is
   reckoned back, and the start is set ``LEAD_S`` before that.

The figures are padbank's own (common practice, no source).

Functions: ``find_onset``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padbank.units import seconds_to_frames

LEAD_S = 0.0006
PRE_ECHO_S = 0.035
PRE_ECHO_DB = 26.0
MAINS_HZ = (50.0, 60.0)

Frames = NDArray[np.float64]


def find_onset(
    frames: Frames,
    rate: int,
    *,
    still: int,
    background: bool,
    quiet_peak: float,
    loud_peak: float,
) -> tuple[int, int] | None:
    """Onset and lead, both in frames, or None when nothing stands out.

    Parameters
    ----------
    frames : ndarray (frames, channels), around the rough onset
    rate : frames a second
    still : how many of them, from the first on, lie before the sound
    background : whether these hold noise to be learned from (not digital silence)
    quiet_peak, loud_peak : what counts as silence, and the peak of the whole sound, linear

    Returns
    -------
    (start, lead): the frame to start at, which may be negative, and how many frames after it
    the sound is reckoned to begin.
    """
    size = np.abs(_less_dc_and_hum(frames, still, rate))
    threshold = np.full(size.shape[1], quiet_peak)
    if background and still >= seconds_to_frames(0.004, rate):
        before = size[:still]
        learned = np.maximum(4.5 * np.sqrt((before**2).mean(axis=0)), 1.15 * before.max(axis=0))
        threshold = np.maximum(threshold, learned)
    hits = np.flatnonzero((size[still:] > threshold).any(axis=1))
    if not len(hits):
        return None
    at, threshold = _past_pre_echo(size[still:], int(hits[0]), threshold, rate, loud_peak)
    channel = int(np.argmax(size[still + at] / threshold))
    lead = max(1, seconds_to_frames(LEAD_S, rate))
    delay = _delay(size[still + at :, channel], threshold[channel], lead)
    return still + at - round(delay) - lead, lead


def _past_pre_echo(
    size: Frames,
    at: int,
    threshold: Frames,
    rate: int,
    loud_peak: float,
) -> tuple[int, Frames]:
    """Move on to a loud attack that follows a faint foreword within ``PRE_ECHO_S``.

    Lossy coding smears a little of an attack to before it. What lies ``PRE_ECHO_DB``
    under a sudden attack is that, or a stick's breath, and only makes the pad late.
    """
    back = max(1, seconds_to_frames(0.0015, rate))
    part = size[at : at + back + seconds_to_frames(PRE_ECHO_S, rate)]
    if len(part) <= back:
        return at, threshold
    top = part.max(axis=1)
    before = np.maximum.accumulate(top)[:-back]
    after = top[back:]
    sudden = (after >= before * 10 ** (PRE_ECHO_DB / 20)) & (after >= loud_peak / 4)
    if not sudden.any():
        return at, threshold
    level = 2.0 * float(before[int(np.flatnonzero(sudden)[0])])
    raised = np.maximum(threshold, level)
    over = np.flatnonzero((part > raised).any(axis=1))
    return (at + int(over[0]), raised) if len(over) else (at, threshold)


def _delay(size: Frames, threshold: float, lead: int) -> float:
    """Frames from the true onset to where ``size`` first passes the threshold, at index 0.

    A rise that goes as time to the power p passes 1, 2 and 4 thresholds at times
    whose distances stand as 1 to 2**(1/p); that gives p and where it left zero. Of a
    sudden rise noise allows only a rough guess, so what goes beyond a straight
    rise is held to a part of the lead; a slow one may begin three times as early (p = 2).
    """
    rise = np.maximum.accumulate(size)
    passed = []
    for times in (2.0, 4.0):
        beyond = np.flatnonzero(rise > times * threshold)
        passed.append(float(beyond[0]) if len(beyond) else float(len(rise)))
    ratio = (passed[1] - passed[0]) / max(passed[0], 0.5)
    straight = passed[1] / 3
    curved = passed[0] / (min(2.0, max(1.3, ratio)) - 1)
    more = 0.4 * lead if straight < 3 * lead else 2 * straight
    return min(max(straight, curved), straight + more)


def _less_dc_and_hum(frames: Frames, still: int, rate: int) -> Frames:
    """Frames less the DC and the mains hum that their first ``still`` frames show."""
    if still < 8:
        # Nothing lies before the sound: its own first value is all that is known of DC
        return np.asarray(frames - (frames[0] if still else 0.0))
    rest = np.asarray(frames - frames[:still].mean(axis=0))
    mains_hz = _mains(rest[:still], rate)
    if mains_hz is None:
        return rest
    basis = _harmonics(np.arange(len(frames)) / rate, mains_hz, rate)
    weights = np.linalg.lstsq(basis[:still], frames[:still], rcond=None)[0]
    return np.asarray(frames - basis @ weights)


def _harmonics(time_s: Frames, mains_hz: float, rate: int) -> Frames:
    orders = [k for k in range(1, 9) if k * mains_hz < 0.45 * rate]
    angles = 2 * np.pi * mains_hz * np.outer(time_s, orders)
    return np.concatenate([np.ones((len(time_s), 1)), np.cos(angles), np.sin(angles)], axis=1)


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
