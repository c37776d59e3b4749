"""From an original and its recipe to the integers on the card.

What it answers: exactly what a pad will play. ``prepare`` trims, chooses
channels, fades and resamples; ``finish`` brings the result to its level,
limits, dithers, and measures what came out.

Conventions
-----------
- Sounds are ``(frames, channels)``, nominal range -1 to 1, float64 inside.
- Trim points are rounded to frames of the original, once.
- Fades are raised-cosine: half a period of a cosine, from 0 to 1, in amplitude.
- A cut inside the sound never clicks: where the recipe gives no fade, a cut
  gets one of ``CUT_FADE_IN_S`` or ``CUT_FADE_OUT_S`` if it stands out of
  silence by more than ``CUT_STEP_DBFS``. The first and last frame at a cut then
  lie at least 60 dB below the sound there. The original's own beginning and
  end are left alone, and so are clips that play as loops (their seam is a cut
  into themselves).
- Resampling: soxr at VHQ in float64, zero shift, length round(n * out / in).
- Channels: more than two are folded to two after ITU-R BS.775-3 table 2
  (centre and surround at -3 dB, LFE left out; from memory); mono is the mean of
  left and right.
- A sound that needs no gain, no limiting and lies on the integer grid already
  is passed on bit for bit, without dither: dither is for what rounding would
  change.

Functions: ``prepare``, ``finish``, ``fade_curve``, ``loop_frames``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from padbank.domain import LevelRule, Measurement, Recipe, Role
from padbank.dsp.dither import is_on_grid, quantise, to_float
from padbank.dsp.drive import limit_to_target, on_gain_grid, with_short_taps
from padbank.dsp.level import NO_GAIN_DB, limiting_allowed_db, plan_level, short_reason
from padbank.dsp.measure import Meter, measure
from padbank.errors import InputError
from padbank.units import db_to_gain, format_seconds, seconds_to_frames

CUT_FADE_IN_S = 0.001
CUT_FADE_OUT_S = 0.003
CUT_STEP_DBFS = -66.0
"""A first or last frame at a cut below this needs no fade."""

FOLD = {
    3: ((1.0, 0.0), (0.0, 1.0), (0.7071, 0.7071)),
    4: ((1.0, 0.0), (0.0, 1.0), (0.7071, 0.0), (0.0, 0.7071)),
    5: ((1.0, 0.0), (0.0, 1.0), (0.7071, 0.7071), (0.7071, 0.0), (0.0, 0.7071)),
    6: (
        (1.0, 0.0),
        (0.0, 1.0),
        (0.7071, 0.7071),
        (0.0, 0.0),
        (0.7071, 0.0),
        (0.0, 0.7071),
    ),
}
"""Left and right share of each channel, by channel count: L R C, L R Ls Rs, L R C Ls Rs,
L R C LFE Ls Rs (the WAV order)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rendered:
    """A finished clip.

    Attributes
    ----------
    pcm : int32 (frames, channels), right-aligned integers of ``bits`` bits
    bits : word length of ``pcm``
    gain_db : gain applied before the limiter
    limited_db : deepest gain reduction of the limiter, 0 when untouched
    short_lu : how far the result lies below its target, 0 when it reaches it
    reason : why it is short, or has no gain; empty when all is well
    measurement : of the final integers, as they will be played
    dithered : False when the samples passed without rounding
    loudest_second_lufs : loudest 1 s of the final integers; None for silence
    """

    pcm: NDArray[np.int32]
    bits: int
    gain_db: float
    limited_db: float
    short_lu: float
    reason: str
    measurement: Measurement
    dithered: bool
    loudest_second_lufs: float | None = None


def fade_curve(frames: int) -> NDArray[np.float64]:
    """Rising raised-cosine fade of ``frames`` values, strictly between 0 and 1.

    >>> fade_curve(2).round(4).tolist()
    [0.1464, 0.8536]
    """
    if frames <= 0:
        return np.zeros(0)
    return np.asarray(np.sin((np.arange(frames) + 0.5) * (np.pi / 2 / frames)) ** 2)


def prepare(
    samples: NDArray[Any],
    sample_rate_hz: int,
    recipe: Recipe,
    *,
    out_rate_hz: int,
    channels: int,
    offset_s: float = 0.0,
) -> NDArray[np.float64]:
    """Trim, choose channels, fade and resample. No level.

    Parameters
    ----------
    samples : ndarray (frames, channels), the original from ``offset_s`` on
    sample_rate_hz : its rate
    recipe : what to do
    out_rate_hz, channels : what the file will have; 1 or 2 channels
    offset_s : where in the original ``samples`` begins

    Raises
    ------
    InputError : nothing is left after the trim, or the samples begin after its start.
    """
    samples = np.asarray(samples)
    if samples.ndim == 1:
        samples = samples[:, None]
    if channels not in (1, 2):
        raise InputError(f"{channels} channels cannot be written: use 1 or 2")
    offset = seconds_to_frames(offset_s, sample_rate_hz)
    start = seconds_to_frames(recipe.start_s, sample_rate_hz) - offset
    if start < 0:
        raise InputError(
            f"the sound was read from {format_seconds(offset_s)} on, after the clip's start "
            f"{format_seconds(recipe.start_s)}: read it from there"
        )
    end = len(samples)
    if recipe.end_s is not None:
        end = min(end, seconds_to_frames(recipe.end_s, sample_rate_hz) - offset)
    if end <= start:
        raise InputError(
            f"the clip starts at {format_seconds(recipe.start_s)}, where the original has "
            "already ended: move its start"
        )
    part = choose_channels(np.asarray(samples[start:end], dtype=np.float64), recipe, channels)
    fade_in, fade_out = _fades(
        part,
        sample_rate_hz,
        recipe,
        cut_before=start + offset > 0,
        cut_after=end < len(samples),
    )
    if fade_in:
        part[:fade_in] *= fade_curve(fade_in)[:, None]
    if fade_out:
        part[len(part) - fade_out :] *= fade_curve(fade_out)[::-1, None]
    if out_rate_hz != sample_rate_hz:
        part = np.asarray(soxr.resample(part, sample_rate_hz, out_rate_hz, quality="VHQ"))
        if not len(part):
            raise InputError("the clip is shorter than one frame at the new rate: lengthen it")
    return part


def choose_channels(samples: NDArray[np.float64], recipe: Recipe, channels: int) -> NDArray[Any]:
    """A new array with the recipe's choice, as 1 or 2 channels."""
    have = samples.shape[1]
    if recipe.channels in ("left", "right"):
        pick = samples[:, :1] if recipe.channels == "left" else samples[:, min(1, have - 1)][:, None]
        return np.repeat(pick, channels, axis=1)
    if have > 2:
        if have not in FOLD:
            raise InputError(
                f"a sound of {have} channels cannot be folded to two: choose left or right"
            )
        samples = samples @ np.asarray(FOLD[have])
        have = 2
    if have == 2 and (channels == 1 or recipe.channels == "mono"):
        samples = samples.mean(axis=1, keepdims=True)
        have = 1
    return np.repeat(samples, channels, axis=1) if have == 1 else samples.copy()


def _fades(
    part: NDArray[np.float64], rate: int, recipe: Recipe, *, cut_before: bool, cut_after: bool
) -> tuple[int, int]:
    """Frames of fade in and out: the recipe's, else what keeps a cut from clicking."""
    fade_in = seconds_to_frames(recipe.fade_in_s, rate)
    fade_out = seconds_to_frames(recipe.fade_out_s, rate)
    bound = db_to_gain(CUT_STEP_DBFS)
    if recipe.play_mode != "loop":
        if cut_before and np.abs(part[0]).max() > bound:
            fade_in = max(fade_in, seconds_to_frames(CUT_FADE_IN_S, rate))
        if cut_after and np.abs(part[-1]).max() > bound:
            fade_out = max(fade_out, seconds_to_frames(CUT_FADE_OUT_S, rate))
    frames = len(part)
    if fade_in + fade_out > frames:  # share what there is in proportion
        fade_in = frames * fade_in // (fade_in + fade_out)
        fade_out = min(fade_out, frames - fade_in)
    return fade_in, fade_out


def loop_frames(
    recipe: Recipe, out_rate_hz: int, frames: int
) -> tuple[int, int] | None:
    """The recipe's loop in frames of the rendered clip, end exclusive; None without one.

    A ``smpl`` chunk names the last frame played, which is ``end - 1``.
    """
    if recipe.loop_start_s is None or recipe.loop_end_s is None:
        return None
    start = seconds_to_frames(max(0.0, recipe.loop_start_s - recipe.start_s), out_rate_hz)
    end = min(frames, seconds_to_frames(recipe.loop_end_s - recipe.start_s, out_rate_hz))
    return (start, end) if 0 <= start < end else None


def finish(
    prepared: NDArray[np.float64],
    out_rate_hz: int,
    *,
    role: Role,
    target_lufs: float,
    ceiling_dbtp: float,
    level_rule: LevelRule,
    limit_max_db: float,
    bits: int,
    seed: bytes,
    as_played: bool = True,
) -> Rendered:
    """Bring a prepared clip to its level and make it integers.

    The gain is searched with the limiter in the loop, so that the loudness that
    limiting takes is made up as far as ``limit_max_db`` allows.

    Parameters
    ----------
    prepared : ndarray (frames, channels), from ``prepare``
    role, target_lufs, ceiling_dbtp, level_rule, limit_max_db : see ``level.plan_level``
    bits : 16 or 24
    seed : bytes that name the clip, recipe, rate, channels and bits; seeds the dither
    as_played : a mono clip counts as played on both sides (+3.01 LU)

    Raises
    ------
    InputError : no frames, or samples that are no numbers.
    """
    prepared = np.asarray(prepared, dtype=np.float64)
    if prepared.ndim == 1:
        prepared = prepared[:, None]
    if not len(prepared):
        raise InputError("nothing is left of the clip after its trim: move its start or end")
    before = measure(prepared, out_rate_hz, as_played=as_played)
    measured_dbtp = before.true_peak_dbtp
    before = with_short_taps(before, prepared, role, target_lufs, ceiling_dbtp)
    plan = plan_level(
        before,
        role=role,
        target_lufs=target_lufs,
        ceiling_dbtp=ceiling_dbtp,
        level_rule=level_rule,
        limit_max_db=limit_max_db,
    )
    gain_db, limited_db, sound = plan.gain_db, 0.0, prepared
    if plan.loudness_lufs is None:
        pcm, dithered = _to_integers(prepared, bits, seed, untouched=True)
        after, second = _measured(pcm, bits, out_rate_hz, as_played)
        return Rendered(
            pcm=pcm,
            bits=bits,
            gain_db=0.0,
            limited_db=0.0,
            short_lu=0.0,
            reason=plan.reason,
            measurement=after,
            dithered=dithered,
            loudest_second_lufs=second,
        )
    if plan.limiting_db > 0.0:
        gain_db, limited_db, sound = limit_to_target(
            prepared,
            out_rate_hz,
            role=role,
            target_lufs=target_lufs,
            ceiling_dbtp=ceiling_dbtp,
            first_db=gain_db,
            most_db=gain_db + limiting_allowed_db(level_rule, limit_max_db) - plan.limiting_db,
            as_played=as_played,
            true_peak_linear=None if measured_dbtp is None else db_to_gain(measured_dbtp),
        )
    elif gain_db != 0.0:
        sound = prepared * on_gain_grid(gain_db)
    pcm, dithered = _to_integers(
        sound, bits, seed, untouched=gain_db == 0.0 and limited_db == 0.0
    )
    after, second = _measured(pcm, bits, out_rate_hz, as_played)
    reached = after.loudness_lufs(role)
    short = 0.0 if reached is None else max(0.0, target_lufs - reached)
    if short < NO_GAIN_DB:
        short = 0.0
    return Rendered(
        pcm=pcm,
        bits=bits,
        gain_db=gain_db,
        limited_db=limited_db,
        short_lu=short,
        reason=short_reason(short, ceiling_dbtp, level_rule, limit_max_db),
        measurement=after,
        dithered=dithered,
        loudest_second_lufs=second,
    )


def _measured(
    pcm: NDArray[np.int32], bits: int, rate_hz: int, as_played: bool
) -> tuple[Measurement, float | None]:
    meter = Meter(rate_hz, pcm.shape[1], as_played=as_played)
    meter.feed(to_float(pcm, bits))
    return meter.result_and_second()


def _to_integers(
    sound: NDArray[np.float64], bits: int, seed: bytes, *, untouched: bool
) -> tuple[NDArray[np.int32], bool]:
    exact = untouched and is_on_grid(sound, bits)
    return quantise(sound, bits, seed, dither=not exact), not exact
