"""How hard to drive the limiter so that a clip meets its target all the same.

What it answers: limiting takes loudness; which gain before the limiter makes up for it?

Functions: ``limit_to_target``, ``with_short_taps``, ``on_gain_grid``,
``role_loudness_lufs``.
"""

from __future__ import annotations

import math
from dataclasses import replace

from padbank.domain import Measurement, Role
from padbank.dsp.limiter import AIM_DB, Limited, Limiter
from padbank.dsp.loudness import Loudness, LoudnessMeter
from padbank.dsp.overs import PAD, peaks_over
from padbank.dsp.sound import PIECE_FRAMES, Sound
from padbank.units import db_to_gain, gain_to_db

LEVEL_WITHIN_LU = 0.004
"""The search stops this close to the target."""
LEVEL_ROUNDS = 10
LAST_ROUNDS = 3
GAIN_GRID = 1 << 32
"""Gains are rounded to this grid, so that a last bit of a meter's sum cannot move a byte."""


def on_gain_grid(gain_db: float) -> float:
    """The amplitude ratio of a gain, on ``GAIN_GRID``."""
    return math.floor(db_to_gain(gain_db) * GAIN_GRID + 0.5) / GAIN_GRID


def limit_to_target(
    prepared: Sound,
    rate: int,
    *,
    role: Role,
    target_lufs: float,
    ceiling_dbtp: float,
    first_db: float,
    most_db: float,
    as_played: bool,
    true_peak_linear: float | None = None,
    loop: tuple[int, int] | None = None,
) -> tuple[float, Limited]:
    """Gain before the limiter, and the limited sound.

    ``true_peak_linear`` is the prepared sound's, where it is known already; ``loop`` the frames
    that are repeated.
    Loudness never falls as the gain rises, so a secant search between bounds finds it.
    """
    ceiling = db_to_gain(ceiling_dbtp - AIM_DB)
    limiter = Limiter(prepared, rate, ceiling / on_gain_grid(most_db), true_peak_linear, loop)

    def miss_lu(limited: Limited) -> float:
        meter = LoudnessMeter(rate, prepared.channels, as_played=as_played)
        for block in limited.blocks():
            meter.feed(block)
        reached = role_loudness_lufs(meter.result(), role)
        return target_lufs - (reached if reached is not None else -math.inf)

    low_db, high_db, gain_db, slope = first_db, most_db, first_db, 1.0
    miss = miss_lu(limiter.draft(on_gain_grid(gain_db), ceiling_dbtp))
    for _ in range(LEVEL_ROUNDS):
        if abs(miss) <= LEVEL_WITHIN_LU or (miss > 0 and gain_db >= most_db):
            break
        if miss > 0:
            low_db = gain_db
        else:
            high_db = gain_db
        step = gain_db + miss / slope
        if step >= high_db and high_db == most_db:
            step = most_db
        elif not low_db < step < high_db:
            step = (low_db + high_db) / 2
        if high_db - low_db < 1e-6:
            break
        last_db, last_miss = gain_db, miss
        gain_db = step
        miss = miss_lu(limiter.draft(on_gain_grid(gain_db), ceiling_dbtp))
        if gain_db != last_db and last_miss != miss:
            slope = min(1.2, max(0.05, (last_miss - miss) / (gain_db - last_db)))
    limited = limiter.apply(on_gain_grid(gain_db), ceiling_dbtp)
    for _ in range(LAST_ROUNDS):  # what the second look took off is made up as well
        miss = miss_lu(limited)
        if abs(miss) <= LEVEL_WITHIN_LU or (miss > 0 and gain_db >= most_db):
            break
        gain_db = min(most_db, gain_db + miss / slope)
        limited = limiter.apply(on_gain_grid(gain_db), ceiling_dbtp)
    return gain_db, limited


def role_loudness_lufs(loudness: Loudness, role: Role) -> float | None:
    """The figure that levels a clip of this role, as ``Measurement.loudness_lufs`` picks it."""
    if role == "phrase" and loudness.integrated_lufs is not None:
        return loudness.integrated_lufs
    return loudness.momentary_max_lufs


def with_short_taps(
    before: Measurement,
    prepared: Sound,
    role: Role,
    target_lufs: float,
    ceiling_dbtp: float,
) -> Measurement:
    """The measurement with the true peak as a short interpolator reads it, where that is higher.

    Only looked at where the target brings the peak within 2 dB of the ceiling.
    """
    loudness, peak = before.loudness_lufs(role), before.true_peak_dbtp
    if loudness is None or peak is None or peak + target_lufs - loudness < ceiling_dbtp - 2.0:
        return before
    highest = 0.0
    for first in range(0, prepared.frames, PIECE_FRAMES):
        last = min(prepared.frames, first + PIECE_FRAMES)
        begin = max(0, first - PAD)
        piece = prepared.read(begin, min(prepared.frames, last + PAD))
        peaks = peaks_over(piece, 0.9 * db_to_gain(peak))[first - begin :][: last - first]
        highest = max(highest, float(peaks.max(initial=0.0)))
    return replace(before, true_peak_dbtp=max(peak, gain_to_db(highest)))
