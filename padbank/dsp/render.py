"""From a prepared clip to the integers on the card.

What it answers: exactly what a pad will play. ``finish`` brings a clip from ``prepare`` to its
level, limits, dithers, and measures what came out; ``finish_sound`` does so for a sound of any
length, piece by piece, in flat memory.

A sound that needs no gain, no limiting and lies on the integer grid already is passed on
bit for bit, without dither: dither is for what rounding would change.

Functions: ``finish``, ``finish_sound``; ``prepare``, ``prepare_blocks``, ``choose_channels``,
``fade_curve`` and ``loop_frames`` come from ``prepare``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padbank.domain import LevelRule, Measurement, Role
from padbank.dsp.dither import is_on_grid, quantise, to_float
from padbank.dsp.drive import limit_to_target, on_gain_grid, with_short_taps
from padbank.dsp.level import NO_GAIN_DB, limiting_allowed_db, plan_level, short_reason
from padbank.dsp.measure import Meter
from padbank.dsp.prepare import (
    CUT_STEP_DBFS,
    choose_channels,
    fade_curve,
    loop_frames,
    prepare,
    prepare_blocks,
)
from padbank.dsp.sound import HeldSound, Sound, pieces
from padbank.errors import InputError
from padbank.units import db_to_gain

__all__ = [
    "CUT_STEP_DBFS",
    "Finished",
    "Rendered",
    "choose_channels",
    "fade_curve",
    "finish",
    "finish_sound",
    "loop_frames",
    "prepare",
    "prepare_blocks",
]

Pcm = NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finished:
    """What became of a clip's level.

    Attributes
    ----------
    bits : word length
    gain_db : gain applied before the limiter
    limited_db : deepest gain reduction of the limiter, 0 when untouched
    short_lu : how far the result lies below its target, 0 when it reaches it
    reason : why it is short, or has no gain; empty when all is well
    measurement : of the final integers, as they will be played
    dithered : False when the samples passed without rounding
    loudest_second_lufs : loudest 1 s of the final integers; None for silence
    """

    bits: int
    gain_db: float
    limited_db: float
    short_lu: float
    reason: str
    measurement: Measurement
    dithered: bool
    loudest_second_lufs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rendered(Finished):
    """A finished clip in memory; ``pcm``: int32 (frames, channels), right-aligned integers."""

    pcm: Pcm


def finish(
    prepared: NDArray[Any],
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
    loop: tuple[int, int] | None = None,
) -> Rendered:
    """Bring a prepared clip to its level and make it integers: ``finish_sound`` in memory.

    Parameters
    ----------
    prepared : ndarray (frames, channels), from ``prepare``

    The others as for ``finish_sound``.
    """
    parts: list[Pcm] = []
    done = finish_sound(
        HeldSound(prepared),
        out_rate_hz,
        parts.append,
        role=role,
        target_lufs=target_lufs,
        ceiling_dbtp=ceiling_dbtp,
        level_rule=level_rule,
        limit_max_db=limit_max_db,
        bits=bits,
        seed=seed,
        as_played=as_played,
        loop=loop,
    )
    pcm = parts[0] if len(parts) == 1 else np.concatenate(parts)
    return Rendered(pcm=pcm, **{field.name: getattr(done, field.name) for field in fields(done)})


def finish_sound(
    prepared: Sound,
    out_rate_hz: int,
    write: Callable[[Pcm], None],
    *,
    role: Role,
    target_lufs: float,
    ceiling_dbtp: float,
    level_rule: LevelRule,
    limit_max_db: float,
    bits: int,
    seed: bytes,
    as_played: bool = True,
    loop: tuple[int, int] | None = None,
) -> Finished:
    """Bring a prepared clip to its level and make it integers.

    The gain is searched with the limiter in the loop, so that the loudness that
    limiting takes is made up as far as ``limit_max_db`` allows. The sound is read several times.

    Parameters
    ----------
    prepared : the clip from ``prepare``
    write : takes the integers, int32 (frames, channels), in order
    role, target_lufs, ceiling_dbtp, level_rule, limit_max_db : see ``level.plan_level``
    bits : 16 or 24
    seed : bytes that name the clip, recipe, rate, channels and bits; seeds the dither
    as_played : a mono clip counts as played on both sides (+3.01 LU)
    loop : frames (end exclusive) that are repeated: the limiter's gain is the same at both ends

    Raises
    ------
    InputError : no frames, or samples that are no numbers.
    """
    if not prepared.frames:
        raise InputError("nothing is left of the clip after its trim: move its start or end")
    meter = Meter(out_rate_hz, prepared.channels, as_played=as_played)
    for piece in pieces(prepared):
        meter.feed(piece)
    before = meter.result()
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
    gain_db, limited_db, blocks = plan.gain_db, 0.0, pieces(prepared)
    if plan.limiting_db > 0.0:
        gain_db, limited = limit_to_target(
            prepared,
            out_rate_hz,
            role=role,
            target_lufs=target_lufs,
            ceiling_dbtp=ceiling_dbtp,
            first_db=gain_db,
            most_db=gain_db + limiting_allowed_db(level_rule, limit_max_db) - plan.limiting_db,
            as_played=as_played,
            true_peak_linear=None if measured_dbtp is None else db_to_gain(measured_dbtp),
            loop=loop,
        )
        limited_db, blocks = limited.deepest_db, limited.blocks()
    elif gain_db != 0.0:
        gain = on_gain_grid(gain_db)
        blocks = (piece * gain for piece in pieces(prepared))
    untouched = gain_db == 0.0 and limited_db == 0.0
    exact = untouched and all(is_on_grid(piece, bits) for piece in pieces(prepared))
    meter = Meter(out_rate_hz, prepared.channels, as_played=as_played)
    for pcm in _integers(blocks, bits, seed, dither=not exact):
        write(pcm)
        meter.feed(to_float(pcm, bits))
    after, second = meter.result_and_second()
    short, reason = 0.0, plan.reason
    if plan.loudness_lufs is not None:
        reached = after.loudness_lufs(role)
        short = 0.0 if reached is None else max(0.0, target_lufs - reached)
        short = short if short >= NO_GAIN_DB else 0.0
        reason = short_reason(short, ceiling_dbtp, level_rule, limit_max_db)
    return Finished(
        bits=bits,
        gain_db=gain_db,
        limited_db=limited_db,
        short_lu=short,
        reason=reason,
        measurement=after,
        dithered=not exact,
        loudest_second_lufs=second,
    )


def _integers(
    blocks: Iterator[NDArray[np.float64]], bits: int, seed: bytes, *, dither: bool
) -> Iterator[Pcm]:
    values = 0
    for block in blocks:
        yield quantise(block, bits, seed, dither=dither, first_value=values)
        values += block.size
