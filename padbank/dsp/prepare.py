"""From an original and its recipe to what will be levelled: trimmed, faded, in its channels and rate.

What it answers: what does a clip sound like before its level is set?

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
- Resampling: soxr at VHQ in float64, zero shift, length round(n * out / in). A loop of up to
  ``LOOP_HELD_S`` is resampled as it will be played, its end running on into its start: beside
  silence the filter would ring at the seam. It becomes a whole number of frames, which moves
  its pitch by less than 1 in 8000.
- Channels: more than two are folded to two after ITU-R BS.775-3 table 2
  (centre and surround at -3 dB, LFE left out; from memory); mono is the mean of
  left and right.

Functions: ``prepare``, ``prepare_blocks``, ``choose_channels``, ``fade_curve``, ``loop_frames``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from itertools import chain
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray

from padbank.domain import Recipe
from padbank.errors import InputError
from padbank.units import db_to_gain, format_seconds, seconds_to_frames

CUT_FADE_IN_S = 0.001
CUT_FADE_OUT_S = 0.003
LOOP_HELD_S = 120.0
LOOP_AROUND_FRAMES = 4096
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
    parts = list(
        prepare_blocks(
            [samples[:, None] if samples.ndim == 1 else samples],
            sample_rate_hz,
            recipe,
            out_rate_hz=out_rate_hz,
            channels=channels,
            offset_s=offset_s,
        )
    )
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def prepare_blocks(
    blocks: Iterable[NDArray[Any]],
    sample_rate_hz: int,
    recipe: Recipe,
    *,
    out_rate_hz: int,
    channels: int,
    offset_s: float = 0.0,
) -> Iterator[NDArray[np.float64]]:
    """``prepare`` for a sound that comes in blocks; the same values for any block sizes."""
    if channels not in (1, 2):
        raise InputError(f"{channels} channels cannot be written: use 1 or 2")
    offset = seconds_to_frames(offset_s, sample_rate_hz)
    if seconds_to_frames(recipe.start_s, sample_rate_hz) < offset:
        raise InputError(
            f"the sound was read from {format_seconds(offset_s)} on, after the clip's start "
            f"{format_seconds(recipe.start_s)}: read it from there"
        )
    faded = _faded(blocks, sample_rate_hz, recipe, channels, offset)
    if out_rate_hz == sample_rate_hz:
        yield from faded
        return
    if recipe.play_mode == "loop":
        held = _held(faded, round(LOOP_HELD_S * sample_rate_hz))
        if isinstance(held, np.ndarray):
            yield _loop_resampled(held, sample_rate_hz, out_rate_hz, recipe)
            return
        faded = held
    yield from _resampled(faded, sample_rate_hz, out_rate_hz, channels)


def _resampled(
    blocks: Iterable[NDArray[np.float64]], rate: int, out_rate: int, channels: int
) -> Iterator[NDArray[np.float64]]:
    stream = soxr.ResampleStream(rate, out_rate, channels, dtype="float64", quality="VHQ")
    frames = 0
    for block, is_last in _with_last(blocks):
        out = np.asarray(stream.resample_chunk(np.ascontiguousarray(block), last=is_last))
        frames += len(out)
        if len(out):
            yield out
    if not frames:
        raise InputError("the clip is shorter than one frame at the new rate: lengthen it")


def _held(
    blocks: Iterator[NDArray[np.float64]], most: int
) -> NDArray[np.float64] | Iterator[NDArray[np.float64]]:
    """The whole sound, or its blocks again where it has more than ``most`` frames."""
    parts: list[NDArray[np.float64]] = []
    for block in blocks:
        parts.append(block)
        if sum(map(len, parts)) > most:
            return chain(parts, blocks)
    return np.concatenate(parts)


def _loop_resampled(
    part: NDArray[np.float64], rate: int, out_rate: int, recipe: Recipe
) -> NDArray[np.float64]:
    """Resampled with its loop's frames before and after it, where the loop reaches its ends."""
    frames = len(part)
    first, last = loop_frames(recipe, rate, frames) or (0, frames)
    # the loop becomes a whole number of frames: by half of one in all its length, no ear hears that
    turn_in, turn_out = last - first, max(1, math.floor((last - first) * out_rate / rate + 0.5))
    if turn_in * out_rate == turn_out * rate or turn_in < LOOP_AROUND_FRAMES:
        turn_in, turn_out = rate, out_rate
    unit = turn_in // math.gcd(turn_in, turn_out)  # so many frames become a whole number
    around = -(-LOOP_AROUND_FRAMES // unit) * unit if unit <= LOOP_AROUND_FRAMES else LOOP_AROUND_FRAMES
    turn = np.arange(around) % (last - first)
    after = part[first + turn] if last == frames else part[:0]
    before = part[last - 1 - turn[::-1]] if first == 0 else part[:0]
    wide = np.concatenate([before, part, after])
    out = np.asarray(soxr.resample(wide, turn_in, turn_out, quality="VHQ"))
    skip = math.floor(len(before) * turn_out / turn_in + 0.5)
    made = out[skip:][: math.floor(frames * turn_out / turn_in + 0.5)]
    if not len(made):
        raise InputError("the clip is shorter than one frame at the new rate: lengthen it")
    return made


def _faded(
    blocks: Iterable[NDArray[Any]], rate: int, recipe: Recipe, channels: int, offset: int
) -> Iterator[NDArray[np.float64]]:
    """The trimmed part in its channels, with its fades.

    As much is held back as both fades may take: that their lengths are known, and that a short
    clip is faded whole.
    """
    fade_in, fade_out = (seconds_to_frames(s, rate) for s in (recipe.fade_in_s, recipe.fade_out_s))
    cut_in, cut_out = (seconds_to_frames(s, rate) for s in (CUT_FADE_IN_S, CUT_FADE_OUT_S))
    hold = max(fade_in, cut_in) + max(fade_out, cut_out)
    bound = db_to_gain(CUT_STEP_DBFS) if recipe.play_mode != "loop" else np.inf
    held = np.zeros((0, channels))
    begun = False
    trim = _Trim(recipe, rate, offset)
    for block in blocks:
        held = np.concatenate([held, choose_channels(trim.take(block), recipe, channels)])
        if not begun and len(held) > hold:
            fade_in = _begin(held, fade_in, cut_in if trim.cut_before else 0, bound)
            held[:fade_in] *= fade_curve(fade_in)[:, None]
            begun = True
        if begun and len(held) > 2 * hold:
            yield held[: len(held) - hold]
            held = held[len(held) - hold :].copy()
    if not begun:
        if not len(held):
            raise InputError(
                f"the clip starts at {format_seconds(recipe.start_s)}, where the original has "
                "already ended: move its start"
            )
        fade_in = _begin(held, fade_in, cut_in if trim.cut_before else 0, bound)
    fade_out = _begin(held[::-1], fade_out, cut_out if trim.cut_after else 0, bound)
    if not begun:
        if fade_in + fade_out > len(held):  # share what there is in proportion
            fade_in = len(held) * fade_in // (fade_in + fade_out)
            fade_out = min(fade_out, len(held) - fade_in)
        held[:fade_in] *= fade_curve(fade_in)[:, None]
    if fade_out:
        held[len(held) - fade_out :] *= fade_curve(fade_out)[::-1, None]
    yield held


def _begin(part: NDArray[np.float64], fade: int, cut_fade: int, bound: float) -> int:
    """Frames of fade at the first frame: the recipe's, else what keeps a cut from clicking."""
    return max(fade, cut_fade) if cut_fade and np.abs(part[0]).max() > bound else fade


class _Trim:
    """Takes from the blocks of an original what a recipe keeps."""

    def __init__(self, recipe: Recipe, rate: int, offset: int) -> None:
        self._at = offset
        self._first = seconds_to_frames(recipe.start_s, rate)
        self._last = None if recipe.end_s is None else seconds_to_frames(recipe.end_s, rate)
        self.cut_before = self._first > 0
        self.cut_after = False

    def take(self, block: NDArray[Any]) -> NDArray[np.float64]:
        first = min(max(0, self._first - self._at), len(block))
        last = len(block) if self._last is None else min(len(block), max(first, self._last - self._at))
        self._at += len(block)
        self.cut_after |= self._last is not None and self._at > self._last
        return np.asarray(block[first:last], dtype=np.float64)


def _with_last(blocks: Iterable[NDArray[np.float64]]) -> Iterator[tuple[NDArray[np.float64], bool]]:
    """Each block, and whether it is the last one."""
    waiting: NDArray[np.float64] | None = None
    for block in blocks:
        if waiting is not None:
            yield waiting, False
        waiting = block
    if waiting is not None:
        yield waiting, True


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


def loop_frames(
    recipe: Recipe, out_rate_hz: int, frames: int
) -> tuple[int, int] | None:
    """The recipe's loop in frames of the rendered clip, end exclusive; None without one.

    A ``smpl`` chunk names the last frame played, which is ``end - 1``.
    """
    if recipe.loop_start_s is None or recipe.loop_end_s is None:
        return None
    start = seconds_to_frames(max(0.0, recipe.loop_start_s - recipe.start_s), out_rate_hz)
    # the length first: both ends are then off the recipe's by the same part of a frame
    length = seconds_to_frames(recipe.loop_end_s - max(recipe.loop_start_s, recipe.start_s), out_rate_hz)
    end = min(frames, start + length)
    return (start, end) if 0 <= start < end else None
