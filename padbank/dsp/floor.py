"""The noise under a sound: what lies still before it and after it.

What it answers: how loud is the background, and from which stretch was that read?

A *floor* is the longest stretch of 0.02-0.4 s at the very start (or end) that

- is still: its two halves differ by no more than chance allows, and (near the sound) no two hops are 10 dB
  quieter. A
  swell or a fading reverb is not still, so it is never taken for a floor;
- is low: at most ``FLOOR_MAX_DBFS``, and ``FLOOR_BELOW_LOUD_DB`` under the loudest hop. A
  stretch of 0.04 s or more may come as near as ``NOISE_BELOW_LOUD_DB`` if it sounds like noise
  (no pitch, no peaks) and nothing in the sound is ``NOISE_QUIETER_DB`` quieter: noise goes on
  under the sound, a soft beginning does not;
- is no hiss ("s") of a word, which has quieter places.

The figures are padbank's own (common practice, no source).

Class: ``Floor``. Functions: ``floor_at_head``, ``floor_at_tail``, ``dead_hops``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.envelope import Envelope, Read, as_frames, mean_back
from padbank.units import power_to_db, seconds_to_frames

FLOOR_MAX_DBFS = -40.0
FLOOR_BELOW_LOUD_DB = 16.0
SHORT_FLOOR_BELOW_LOUD_DB = 40.0
"""Less than 0.2 s of stillness at the end may be a part of a reverb: it must lie this far down."""
NOISE_BELOW_LOUD_DB = 6.0
NOISE_S = 0.04
NOISE_QUIETER_DB = 3.0
NOISE_PITCH = 0.4
"""Noise is less like itself than this 2-25 ms later (correlation of its slopes)."""
NOISE_KURTOSIS = (2.2, 5.0)
"""A sine has 1.5, Gaussian noise 3, sparse clicks far more."""
TOP_HOP = 4.0
RUMBLE_SWINGS_DB = 4.0
"""Rumble may make the halves of a stretch differ by so much, if what lies above it is still."""
HISS_DB = 6.0
HISS_S = 0.050
HUM_SHARE = 0.1
HISS_BELOW_LOUD_DB = 40.0
"""A still stretch less than 40 dB down is a floor only if nothing in the sound is 6 dB quieter
for 50 ms: an "s" is as still as noise, but the word has quieter places."""
SHORT_HEAD_S = 0.080
SUDDEN_DB = 12.0
"""A hop that stands this far over all before it, in the first 80 ms, is an attack after a head
too short to be judged still."""
SUDDEN_BELOW_LOUD_DB = 24.0


@dataclass(frozen=True, slots=True)
class Floor:
    """A still stretch: mean and largest power, largest peak, largest ripple, hops it was taken from."""

    power: float
    top_power: float
    peak: float
    top_ripple: float
    hops: int


def dead_hops(envelope: Envelope, dead: float) -> int:
    """Hops of digital silence (or next to it) at the start."""
    alive = np.flatnonzero(envelope.peak > dead)
    return int(alive[0]) if len(alive) else 0


def floor_at_head(envelope: Envelope, dead: int, loud_power: float, read: Read) -> Floor | None:
    """The floor after the first ``dead`` hops, or None."""
    head = envelope.from_hop(dead)
    floor = _still(head, loud_power, FLOOR_BELOW_LOUD_DB) or _short_head(head, loud_power)
    return _checked(floor, envelope, loud_power, read, dead * envelope.hop_frames)


def floor_at_tail(
    envelope: Envelope, tail: Envelope, loud_power: float, read: Read
) -> Floor | None:
    """The floor at the end, or None. ``tail`` runs backwards, from before the dead hops on."""
    floor = _still(tail, loud_power, SHORT_FLOOR_BELOW_LOUD_DB) or _short_head(tail, loud_power)
    hops_before = len(tail.power) - (floor.hops if floor else 0)
    return _checked(floor, envelope, loud_power, read, hops_before * envelope.hop_frames)


def _still(envelope: Envelope, loud_power: float, short_below_db: float) -> Floor | None:
    """The longest still, low stretch at the start of an envelope, or None."""
    power = envelope.power
    spoilt = None  # with a click in it, or the first of the sound: only if nothing else is still
    for length_s in (0.4, 0.2, 0.1, 0.06, 0.04, 0.02):
        half = seconds_to_frames(length_s / 2, round(1 / envelope.hop_s))
        if half < 1 or 2 * half >= len(power):
            continue
        part = slice(0, 2 * half)
        level = float(power[part].mean())
        if level <= 0.0:
            return Floor(0.0, 0.0, 0.0, 0.0, 2 * half)
        # Chi-square spread of a mean square over half a stretch of white noise, three sigma
        chance_db = 0.5 + 3 * 4.343 * math.sqrt(4 / (half * envelope.hop_frames))
        below_db = short_below_db if length_s < NOISE_S else NOISE_BELOW_LOUD_DB
        under_db = power_to_db(loud_power) - power_to_db(level)
        apart_db = _halves_apart_db(power[part])
        if apart_db > chance_db and length_s >= NOISE_S:  # rumble swings: what lies above it may be still
            apart_db = max(_halves_apart_db(envelope.ripple[part]), apart_db - RUMBLE_SWINGS_DB)
        if (
            apart_db <= chance_db
            and power_to_db(level) <= FLOOR_MAX_DBFS
            and under_db >= below_db
            and (under_db >= HISS_BELOW_LOUD_DB or _quietest_pair(power[part]) >= level / 10)
        ):
            floor = _floor_of(envelope, 2 * half)
            if floor.top_power <= TOP_HOP * level:
                return floor
            spoilt = spoilt or floor
    return spoilt


def _halves_apart_db(power: NDArray[np.float64]) -> float:
    """By how much the halves of a stretch of an even number of hops differ."""
    half = len(power) // 2
    # 19 times a clip: ``np.split`` and ``mean`` took 15 microseconds each time, this takes 4
    first, second = (float(np.add.reduce(part)) / half for part in (power[:half], power[half:]))
    return abs(power_to_db(first) - power_to_db(second)) if min(first, second) > 0.0 else math.inf


def _quietest_pair(power: NDArray[np.float64]) -> float:
    """The lowest mean of two neighbours: half a period of hum or more, of which one hop can be nearly still."""
    return float((power[:-1] + power[1:]).min()) / 2


def _floor_of(envelope: Envelope, hops: int) -> Floor:
    """The figures of the first hops."""
    part = slice(0, hops)
    power, peak, ripple = envelope.power[part], envelope.peak[part], envelope.ripple[part]
    return Floor(
        float(power.mean()), float(power.max()), float(peak.max()), float(ripple.max()), hops
    )


def _short_head(envelope: Envelope, loud_power: float) -> Floor | None:
    """A few hops too short to show that they are still, before a sudden loud hop."""
    power, peak = envelope.power, envelope.peak
    reach = max(2, round(SHORT_HEAD_S / envelope.hop_s))
    for hop in range(1, min(reach, len(power) - 1)):
        before = float(peak[:hop].max())
        sudden = max(float(peak[hop]), float(peak[hop + 1])) >= before * 10 ** (SUDDEN_DB / 20)
        low = power_to_db(float(power[:hop].max())) <= min(
            FLOOR_MAX_DBFS + 3.0, power_to_db(loud_power) - SUDDEN_BELOW_LOUD_DB
        )
        if sudden and low and max(power[hop], power[hop + 1]) >= loud_power * 10 ** (-12 / 10):
            return _floor_of(envelope, hop)
    return None


def _checked(
    floor: Floor | None, envelope: Envelope, loud_power: float, read: Read, first_frame: int
) -> Floor | None:
    """The floor, unless it may be a soft part of the sound. It begins at ``first_frame``."""
    if floor is None or floor.power <= loud_power * 10 ** (-HISS_BELOW_LOUD_DB / 10):
        return floor
    hops = max(1, round(HISS_S / envelope.hop_s))
    quietest = float(mean_back(envelope.power, hops)[hops - 1 :].min(initial=np.inf))

    def frames() -> NDArray[np.float64]:
        still = as_frames(read(first_frame, floor.hops * envelope.hop_frames))
        return np.asarray(still - still.mean(axis=0), dtype=np.float64)

    if floor.power > loud_power * 10 ** (-FLOOR_BELOW_LOUD_DB / 10):
        goes_on = floor.power <= quietest * 10 ** (NOISE_QUIETER_DB / 10)
        return floor if goes_on and _is_noise(frames(), envelope.sample_rate_hz) else None
    if floor.power <= quietest * 10 ** (HISS_DB / 10):
        return floor
    still = frames()
    # A low hum may be cancelled for a while by a low sound; what hisses has no such excuse
    low = (np.diff(still, axis=0) ** 2).sum() < HUM_SHARE * (still**2).sum()
    return floor if low else None


def _is_noise(still: NDArray[np.float64], rate: int) -> bool:
    """Whether the loudest channel of a stretch has neither pitch nor lone peaks."""
    slopes = np.diff(still[:, int(np.argmax((still**2).sum(axis=0)))])
    power = float((slopes**2).mean()) if len(slopes) else 0.0
    if power <= 0.0:
        return False
    kurtosis = float((slopes**4).mean()) / power**2
    spectrum = np.abs(np.fft.rfft(slopes, 2 * len(slopes))) ** 2
    alike = np.fft.irfft(spectrum)[seconds_to_frames(0.002, rate) : seconds_to_frames(0.025, rate)]
    low, high = NOISE_KURTOSIS
    return bool(low <= kurtosis <= high and alike.max(initial=0.0) <= NOISE_PITCH * power * len(slopes))
