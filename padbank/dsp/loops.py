"""Where a sound could loop: two places that are alike, and how alike they are.

What it answers: a start and an end such that after the last frame before the
end the sound goes on at the start, with the value, the slope, the shape and
the level that it would have had.

How. Ends are tried over the last part of the sustained stretch. For each, the
40 ms around it are compared with every earlier place (normalised squared
difference, by FFT at a reduced rate, then frame by frame at the full one); the
best pair (sounds with a rhythm are also tried at its repeats, in the gaps) moves together by a few milliseconds to where step and slope fit
best. A pair is proposed only when it passes all bounds below, so a bare noise, which
never repeats, gets none.

A loop end is exclusive here, as a Python slice; a WAV ``smpl`` chunk names the last frame
played, which is one less. The bounds are padbank's own (common practice, no source).

Functions: ``propose_loop``, ``measure_seam``; classes ``LoopProposal``, ``Seam``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.errors import InputError
from padbank.units import gain_to_db, power_to_db, seconds_to_frames

SHAPE_S = 0.020
"""Half the stretch that is compared around either end."""
LEVEL_S = 0.100
SHORTEST_S = 0.1
LONGEST_SEARCH_S = 60.0
COARSE_HZ = 6000
ENDS = 24
NUDGE_S = 0.005
SUSTAIN_DB = 9.0
RHYTHM_DB = 4.0
"""A 10 ms level that spreads this much has a rhythm: its repeats are tried first."""
GAP_DB = -30.0
MISMATCH_MAX_DB = -14.0
STEP_MAX_DB = -26.0
LEVEL_JUMP_MAX_DB = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Seam:
    """How well a loop's end runs on into its start (worst channel).

    Attributes
    ----------
    step_db : difference of value at the seam, against the RMS of the sound there (in a
        gap: against 30 dB under the whole sound)
    slope_db : difference of slope (per frame), against the same RMS
    mismatch_db : power of the difference of the 40 ms around both places, against the sound's
    level_jump_db : level of the 100 ms after the loop's start less that after its end, which
        is what would have come (less that before its end where the sound stops there)
    """

    step_db: float
    slope_db: float
    mismatch_db: float
    level_jump_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopProposal:
    """Frames of the sound that was given; ``end_frame`` is exclusive."""

    start_frame: int
    end_frame: int
    seam: Seam


def measure_seam(
    samples: NDArray[Any], sample_rate_hz: int, start_frame: int, end_frame: int
) -> Seam:
    """Measure the seam of any loop, proposed or set by hand.

    Where the sound stops at the loop's end, its next value is taken as the
    straight run of the last two.

    Raises
    ------
    InputError : the points are not inside the sound, or hold fewer than 4 frames.
    """
    sound = _as_frames(samples)
    if not 0 <= start_frame <= end_frame - 4 or end_frame > len(sound):
        raise InputError(
            f"loop {start_frame} to {end_frame} does not fit a sound of {len(sound)} frames: "
            "move its points"
        )
    half = seconds_to_frames(SHAPE_S, sample_rate_hz)
    before = min(half, start_frame)
    after = min(half, len(sound) - end_frame)
    at_end = sound[end_frame - before : end_frame + after]
    at_start = sound[start_frame - before : start_frame + after]
    around = sound[max(0, end_frame - half) : end_frame + half]
    whole = float(np.sqrt((sound**2).mean(axis=0).max()))
    rms = max(float(np.sqrt((around**2).mean(axis=0).max())), whole * 10 ** (GAP_DB / 20))
    if rms <= 0.0:
        return Seam(step_db=-200.0, slope_db=-200.0, mismatch_db=-200.0, level_jump_db=0.0)
    last = sound[end_frame - 1]
    ahead = sound[end_frame : end_frame + 2]
    if len(ahead) < 2:
        slope_there = last - sound[end_frame - 2]
        ahead = np.stack([last + slope_there, last + 2 * slope_there])
    here = sound[start_frame : start_frame + 2]
    step = float(np.abs(here[0] - ahead[0]).max())
    slope = float(np.abs((here[1] - here[0]) - (ahead[1] - ahead[0])).max())
    difference = float(((at_end - at_start) ** 2).mean(axis=0).max()) if len(at_end) else rms**2
    long = min(seconds_to_frames(LEVEL_S, sample_rate_hz), end_frame - start_frame)
    if end_frame + long <= len(sound):
        expected = float((sound[end_frame : end_frame + long] ** 2).mean())
    else:
        expected = float((sound[end_frame - long : end_frame] ** 2).mean())
    comes = float((sound[start_frame : start_frame + long] ** 2).mean())
    least = (rms * 10 ** (GAP_DB / 20)) ** 2
    return Seam(
        step_db=max(-200.0, gain_to_db(step / rms)),
        slope_db=max(-200.0, gain_to_db(slope / rms)),
        mismatch_db=max(-200.0, power_to_db(difference / rms**2)),
        level_jump_db=power_to_db(max(comes, least)) - power_to_db(max(expected, least)),
    )


def propose_loop(samples: NDArray[Any], sample_rate_hz: int) -> LoopProposal | None:
    """The best loop in a trimmed sound, or None when no two places are alike enough.

    Parameters
    ----------
    samples : ndarray (frames, channels); of more than 60 s only the first 60 are searched
    sample_rate_hz : int
    """
    sound = _as_frames(samples)[: seconds_to_frames(LONGEST_SEARCH_S, sample_rate_hz)]
    half = seconds_to_frames(SHAPE_S, sample_rate_hz)
    shortest = seconds_to_frames(SHORTEST_S, sample_rate_hz)
    stretch = _sustained(sound, sample_rate_hz)
    if stretch is None or stretch[1] - stretch[0] < shortest + 4 * half:
        return None
    first, last = stretch
    voice = sound.mean(axis=1)
    if (voice**2).sum() < 0.1 * (sound**2).mean(axis=1).sum():  # sides out of phase
        voice = sound[:, 0]
    every = max(1, sample_rate_hz // COARSE_HZ)
    from scipy import signal  # slow to load, and not every command needs it

    coarse = signal.resample_poly(voice, 1, every) if every > 1 else voice
    best: tuple[float, int, int] | None = None
    span = last - first
    for end, near in _places(sound, sample_rate_hz, first, last, half, shortest):
        if near is None:
            start = _alike(coarse, every, end, first + half, end - shortest, half)
            reach = 2 * every
        else:
            start, reach = near, seconds_to_frames(0.006, sample_rate_hz)
        start = _alike_exactly(voice, end, start, reach, first, half)
        if start < 0 or end - start < shortest // 2:
            continue
        seam = measure_seam(sound, sample_rate_hz, start, end)
        # Of equals, the longer loop tires the ear less: 1 dB for each doubling
        price = seam.mismatch_db + 2 * abs(seam.level_jump_db) - np.log2((end - start) / span)
        if best is None or price < best[0]:
            best = (float(price), start, end)
    if best is None:
        return None
    _, start, end = best
    start, end = _nudge(sound, start, end, seconds_to_frames(NUDGE_S, sample_rate_hz), first, last)
    seam = measure_seam(sound, sample_rate_hz, start, end)
    if (
        seam.mismatch_db > MISMATCH_MAX_DB
        or seam.step_db > STEP_MAX_DB
        or abs(seam.level_jump_db) > LEVEL_JUMP_MAX_DB
    ):
        return None
    return LoopProposal(start_frame=start, end_frame=end, seam=seam)


def _as_frames(samples: NDArray[Any]) -> NDArray[np.float64]:
    sound = np.asarray(samples, dtype=np.float64)
    return sound[:, None] if sound.ndim == 1 else sound


def _sustained(sound: NDArray[np.float64], rate: int) -> tuple[int, int] | None:
    """The stretch whose 20 ms level stays within ``SUSTAIN_DB`` of its usual loud level."""
    hop = seconds_to_frames(0.020, rate)
    hops = len(sound) // hop if hop else 0
    if hops < 4:
        return None
    power = (sound[: hops * hop] ** 2).mean(axis=1).reshape(hops, hop).mean(axis=1)
    usual = float(np.quantile(power, 0.9))
    if usual <= 0.0:
        return None
    loud = np.flatnonzero(power > usual * 10 ** (-SUSTAIN_DB / 10))
    return int(loud[0] + 1) * hop, int(loud[-1] + 1) * hop


def _places(
    sound: NDArray[np.float64], rate: int, first: int, last: int, half: int, shortest: int
) -> list[tuple[int, int | None]]:
    """Ends to try, each with a start where the rhythm suggests one."""
    span = last - first
    places: list[tuple[int, int | None]] = []
    for tried in range(ENDS):
        end = last - half - round(0.35 * span * tried / ENDS)
        if end - shortest < first + half:
            break
        places.append((end, None))
    hop = seconds_to_frames(0.010, rate)
    hops = span // hop
    part = (sound[first : first + hops * hop] ** 2).mean(axis=1).reshape(hops, hop).mean(axis=1)
    level = 10 * np.log10(np.maximum(part, part.max(initial=1e-20) * 1e-5))
    if len(level) < 40 or float(level.std()) < RHYTHM_DB:
        return places
    lags = np.arange(max(2, shortest // hop), len(level) - 10)
    apart = np.array([np.abs(level[lag:] - level[:-lag]).mean() for lag in lags])
    dips = np.flatnonzero(
        (apart[1:-1] <= apart[:-2]) & (apart[1:-1] <= apart[2:]) & (apart[1:-1] < RHYTHM_DB / 2)
    )
    quiet = np.argsort(level, kind="stable")
    for dip in sorted(dips, key=lambda i: (round(apart[i + 1], 1), -i))[:6]:
        lag = int(lags[dip + 1])
        ends = [int(hop_at) for hop_at in quiet if hop_at >= lag + 1][:4]
        places.extend((first + end * hop, first + (end - lag) * hop) for end in ends)
    return places


def _alike(
    coarse: NDArray[np.float64], every: int, end: int, low: int, high: int, half: int
) -> int:
    """Start in ``low``..``high`` (full-rate frames) whose surroundings are most like the end's."""
    width = max(4, half // every)
    at = end // every
    shape = coarse[at - width : at + width]
    field = coarse[low // every - width : high // every + width]
    from scipy import signal  # slow to load, and not every command needs it

    cross = signal.correlate(field, shape, mode="valid", method="fft")
    squares = np.concatenate([[0.0], np.cumsum(field**2)])
    energy = squares[len(shape) :] - squares[: -len(shape)]
    difference = energy[: len(cross)] - 2 * cross + float((shape**2).sum())
    return low // every * every + int(np.argmin(difference)) * every + end % every


def _alike_exactly(
    voice: NDArray[np.float64], end: int, start: int, reach: int, low: int, half: int
) -> int:
    shape = voice[end - half : end + half]
    best, best_start = np.inf, start
    for candidate in range(max(low, start - reach), min(end - 1, start + reach) + 1):
        there = voice[candidate - half : candidate + half]
        difference = float(((there[: len(shape)] - shape[: len(there)]) ** 2).sum())
        if difference < best:
            best, best_start = difference, candidate
    return best_start


def _nudge(
    sound: NDArray[np.float64], start: int, end: int, reach: int, first: int, last: int
) -> tuple[int, int]:
    """Move both points together to where value and slope fit best."""
    low = max(-reach, first - start)
    high = min(reach, last - end - 2, len(sound) - end - 2)
    if high <= low:
        return start, end
    a = sound[start + low : start + high + 1]
    b = sound[end + low : end + high + 1]
    step = np.abs(a - b).max(axis=1)
    slope = np.abs(np.diff(a - b, axis=0)).max(axis=1)
    move = low + int(np.argmin(step[: len(slope)] + slope))
    return start + move, end + move
