"""Sample peak and true peak.

Answers: how high does a sound reach, at its samples and between them (the
true peak of BS.1770-5 Annex 2, which a converter or a codec meets)?

The interpolator is the 64-tap one of ``interpolate``, evaluated eight times a
frame and with a parabola through a crest's three points (``crests``): within
0.005 dB of a 64-fold FFT interpolation for content up to 0.4535 of the sample
rate (20 kHz at 44.1 kHz, 43.5 kHz at 96 kHz). A sound counts as silence before
its first and after its last frame, so an abrupt start or end rings, as it will
in a converter.

Only the largest value is wanted, so most of the sound is ruled out by bounds:

1. ``s = x - r (x[-1] + x[+1])`` sharpens the sound. Whatever the sound, an
   interpolated value is a weighted sum of ``s`` within the taps' reach, and
   the weights' magnitudes add up to ``_BOUND`` at most (computed from the
   taps). Blocks whose ``|s| * _BOUND`` stays below the peak known so far are
   done with.
2. The others get their half-way points, and the sound at twice its rate is
   sharpened likewise (``halfway``). There the weights are all but positive and add
   up to next to 1: little more than the crests about as high as the highest pass.
3. Around those the interpolator proper is evaluated, and further on where it
   still rises at the end of what was looked at.

Where step 1 rules out little, as in noise, the energy around a few intervals
bounds what lies between them instead (``_energy_bound``), and step 3 looks at
those few. Where that does not help either, as in square waves, whose crests are
all alike, step 2 goes through whole channels, and step 3 looks at every crest
from its points at twice the rate. Steady tones are told from their frames alone
(``steady``): a stretch that cannot reach beyond a crest already looked at by more
than 0.0017 dB is passed over. What costs most is a high tone with noise around it,
such as that of 16 bits around a faint one, which tells its crests apart: about nine
times what music does.

Against looking everywhere the search read within 4e-5 dB of the highest crest.

Functions and classes: ``true_peak``, ``sample_peak``, ``TruePeakMeter``,
``PeakFinder``; ``oversampled`` and ``frame_peaks`` for limiters.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padbank.dsp import workspace
from padbank.dsp.chunks import (
    SMALLEST_SAMPLE,
    Chunker,
    Singles,
    as_block,
    block_range,
    check_format,
)
from padbank.dsp.crests import (
    GROUP,
    MIDDLE,
    highest_at,
    highest_in_groups,
    highest_near,
    windows_of,
)
from padbank.dsp.halfway import BOUND as BOUND_HALFWAY
from padbank.dsp.halfway import (
    REACH,
    ROW_FRAMES,
    SPAN,
    Places,
    crests_in_rows,
    highest_in_lines,
    points_of_rows,
)
from padbank.dsp.interpolate import (
    BEFORE,
    TAPS,
    frame_peaks,
    oversampled,
    taps_at,
)
from padbank.dsp.steady import ToneBound

__all__ = ["HISTORY", "PeakFinder", "TruePeakMeter", "frame_peaks", "oversampled", "sample_peak", "true_peak"]

HISTORY = 2 * SPAN
"""Frames that a chunk repeats from the one before."""
RINGING = 98
"""Frames of silence after a sound that bring out all that rings."""
BLOCK = 32
"""Chunks are a multiple of this; a power of two, for ``_any_of``."""
_FIRST = SPAN
"""Block 0 of a chunk holds the intervals between frames from this one on."""
_LEAD = _FIRST - MIDDLE
"""Where the first window around a crest begins."""
_SHARPEN = 0.3
_ROWS = 512
_POINTS = 128
_HARDLY_FEWER = 0.6
_SKIP = 8
_MOST_SKIPS = 32
_FEW = 8
_MOST_GROUPS = 0.1
_HEAD = 32 * BLOCK
_PART = 256 * BLOCK
_AS_GOOD_AS = 1.0002
"""0.0017 dB: crests of a steady tone, which differ by its noise, are not told apart further."""
_NONE = np.zeros(0, dtype=np.intp)


def _largest_gain_from_sharpened() -> float:
    """The bound of step 1, computed from the taps."""
    w = 2.0 * np.pi * np.arange(4096) / 4096
    unsharpen = np.fft.ifft(1.0 / (1.0 - 2.0 * _SHARPEN * np.cos(w))).real
    around = np.concatenate([unsharpen[-64:], unsharpen[:65]])
    return max(float(np.abs(np.convolve(taps_at(i / 16), around)).sum()) for i in range(17))


_BOUND = _largest_gain_from_sharpened() * 1.0001


class PeakFinder:
    """Finds the true peak of chunks ``(channels, HISTORY + frames)``.

    ``frames`` is a multiple of ``BLOCK``, up to the ``most_frames`` announced.
    What is evaluated lags the chunk's end by 64 frames; silence behind the
    sound brings out the rest.
    """

    def __init__(self, most_frames: int) -> None:
        self._most_frames = most_frames
        self._skip = 0
        self._next_skip = _SKIP
        self._loud_skip = 0
        self._alike_skip = 0
        self._tone_bounds: list[ToneBound] = []
        self._tone_peak = 0.0

    def largest(self, chunk: Singles, known: float) -> float:
        """True peak of a chunk, or ``known`` where that is larger.

        ``known`` may be any level that the sound is sure to reach. The ways of
        searching part by a millionth or so, so whoever wants the same figure for
        any block sizes tells only what earlier chunks have come to.
        """
        if not self._skip:
            known = max(known, float(chunk.max()), -float(chunk.min()))
        pieces, known = self._without_tones(chunk, known)
        for piece in pieces:
            known = self._largest(piece, known)
        return known

    def _largest(self, chunk: Singles, known: float) -> float:
        if not self._skip:
            return self._highest_by_rows(chunk, known)
        # The last chunk could hardly be thinned out by step 1: no use trying for a while.
        self._skip -= 1
        if self._loud_skip:
            self._loud_skip -= 1
        else:
            groups = self._groups_above(chunk, known)
            if np.count_nonzero(groups) <= _MOST_GROUPS * groups.size:
                return highest_in_groups(chunk, groups, _LEAD, known)
            self._loud_skip = self._skip
        return self._highest_by_lines(chunk, known)

    def _highest_by_rows(self, chunk: Singles, known: float) -> float:
        """Steps 2 and 3 where step 1 leaves some blocks."""
        channels, length = chunk.shape
        blocks = (length - HISTORY) // BLOCK
        channel_of, block_of = self._blocks_above(chunk, known / _BOUND)
        if len(channel_of) > _HARDLY_FEWER * channels * blocks:
            self._skip = self._next_skip
            self._next_skip = min(2 * self._next_skip, _MOST_SKIPS)
            return self._highest_by_lines(chunk, known)
        self._next_skip = _SKIP
        found: list[tuple[Places, Singles]] = []
        windows = windows_of(chunk, _FIRST - REACH, BLOCK, blocks, ROW_FRAMES)
        at = channel_of * length + _LEAD + block_of * BLOCK
        for first in range(0, len(at), _ROWS):
            some = slice(first, first + _ROWS)
            known = self._look(chunk, windows[channel_of[some], block_of[some]], at[some], known, found)
        return _around_many(chunk, found, known) if found else known

    def _highest_by_lines(self, chunk: Singles, known: float) -> float:
        """Steps 2 and 3 where step 1 rules out next to nothing."""
        alike = self._alike_skip > 0
        end = chunk.shape[1] - HISTORY + _FIRST
        known, now_alike = highest_in_lines(chunk, _FIRST, end, known, alike)
        self._alike_skip = self._alike_skip - 1 if alike else _SKIP * now_alike
        return known

    def _without_tones(self, chunk: Singles, known: float) -> tuple[list[Singles], float]:
        """What of a chunk holds more than a steady tone whose highest crest is known; and ``known``.

        Known is what was looked at, not what the samples reach: that of a steady
        tone is next to its highest crest, and would be taken for it.
        """
        others = []
        parts: list[Singles] = []
        for channel, tone in enumerate(self._tones(len(chunk))):
            line = chunk[channel]
            if not tone.is_near(line):
                others.append(channel)
            elif not self._is_known_tone(tone, line):
                parts += self._parts_without_tones(tone, line)
        known = max(known, self._tone_peak)
        if len(others) == len(chunk):
            return [chunk], known
        return ([np.ascontiguousarray(chunk[others])] if others else []) + parts, known

    def _is_known_tone(self, tone: ToneBound, line: Singles) -> bool:
        most = tone.highest(line)
        if most > self._tone_peak * _AS_GOOD_AS:
            head = line[np.newaxis, : HISTORY + _HEAD]
            end = head.shape[1] - HISTORY + _FIRST
            self._tone_peak, _ = highest_in_lines(head, _FIRST, end, self._tone_peak, alike=True)
        return most <= self._tone_peak * _AS_GOOD_AS

    def _parts_without_tones(self, tone: ToneBound, line: Singles) -> list[Singles]:
        """A tone that begins, ends or breaks off somewhere is steady elsewhere."""
        parts = []
        begin: int | None = None
        for at in range(0, len(line) - HISTORY, _PART):
            known = self._is_known_tone(tone, line[at : at + HISTORY + _PART])
            if known and begin is not None:
                parts.append(line[np.newaxis, begin : at + HISTORY])
                begin = None
            elif not known and begin is None:
                begin = at
        return parts if begin is None else [*parts, line[np.newaxis, begin:]]

    def _tones(self, channels: int) -> list[ToneBound]:
        if len(self._tone_bounds) != channels:
            self._tone_bounds = [ToneBound() for _ in range(channels)]
        return self._tone_bounds

    def _groups_above(self, chunk: Singles, known: float) -> NDArray[np.bool_]:
        """Which groups of ``GROUP`` intervals may reach beyond ``known``: (channels, groups)."""
        channels, length = chunk.shape
        matrix, gain = _energy_bound()
        squares = workspace.singles("squares", channels, length // BLOCK, BLOCK)
        np.square(chunk.reshape(squares.shape), out=squares)
        parts = np.matmul(squares, matrix).reshape(channels, -1, 3, BLOCK // GROUP)
        blocks = (length - HISTORY) // BLOCK
        energy = parts[:, 1 : blocks + 1, 0] + parts[:, 2 : blocks + 2, 1]
        energy += parts[:, 3 : blocks + 3, 2]
        above: NDArray[np.bool_] = energy > np.float32(known * known / gain)
        return above.reshape(channels, -1)

    def _look(
        self,
        chunk: Singles,
        windows: Singles,
        starts: Places,
        known: float,
        found: list[tuple[Places, Singles]],
    ) -> float:
        """Step 2 for some blocks, and step 3 if few points stand out; else their crests go to ``found``.

        ``starts`` are the blocks' positions in the chunk, channel after channel.
        """
        twice = points_of_rows(windows)
        threshold = known / BOUND_HALFWAY
        if max(float(twice.max()), -float(twice.min())) <= threshold:
            return known
        np.abs(twice, out=twice)
        above = np.greater(twice, np.float32(threshold), out=workspace.booleans("above", *twice.shape))
        if np.count_nonzero(above) <= _FEW:
            return self._around_few(chunk, starts, twice, above, known)
        crests = crests_in_rows(twice, above)
        found.append((2 * starts[crests // (2 * BLOCK)] + crests % (2 * BLOCK), twice.reshape(-1)[crests]))
        return known

    def largest_of_rest(self, rest: Singles, known: float) -> float:
        """``largest`` for ``Chunker.rest``: what has not filled a chunk yet, and silence behind it.

        There has to be room for ``RINGING`` frames of silence. The search goes on
        as if it had not been asked.
        """
        skips = self._skip, self._next_skip, self._loud_skip, self._alike_skip
        tones = self._tone_bounds, self._tone_peak
        self._tone_bounds, self._skip = [], 0
        for at in range(0, rest.shape[1] - HISTORY, self._most_frames):
            part = np.ascontiguousarray(rest[:, at : at + HISTORY + self._most_frames])
            known = self.largest(part, known)
        self._skip, self._next_skip, self._loud_skip, self._alike_skip = skips
        self._tone_bounds, self._tone_peak = tones
        return known

    def _blocks_above(
        self, chunk: Singles, threshold: float
    ) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Step 1: channel and number of the blocks that may reach beyond ``threshold * _BOUND``."""
        sharp = workspace.singles("sharp", *chunk.shape)
        sharp[:, 0] = sharp[:, -1] = 0.0
        inner = sharp[:, 1:-1]
        np.add(chunk[:, :-2], chunk[:, 2:], out=inner)
        inner *= np.float32(-_SHARPEN)
        inner += chunk[:, 1:-1]
        np.abs(sharp, out=sharp)
        if float(sharp.max()) <= threshold:
            return _NONE, _NONE
        mask = np.greater(sharp, np.float32(threshold), out=workspace.booleans("mask", *chunk.shape))
        lifted = _any_of(mask, np.uint32)
        # what lies between the frames 64 and 96 hangs on the frames 32 to 127
        blocks = (chunk.shape[1] - HISTORY) // BLOCK
        near = lifted[:, 1 : blocks + 1] | lifted[:, 2 : blocks + 2] | lifted[:, 3 : blocks + 3]
        channel, block = near.nonzero()
        return channel, block

    @staticmethod
    def _around_few(
        chunk: Singles, starts: NDArray[np.intp], twice: Singles, above: NDArray[np.bool_], known: float
    ) -> float:
        """Step 3 for very few points: what most chunks of most sounds come to."""
        for at in np.flatnonzero(above).tolist():
            row, point = divmod(at, 2 * BLOCK)
            if float(twice[row, point]) * BOUND_HALFWAY > known:
                known = highest_at(chunk, int(starts[row]) + point // 2, known)
        return known


def _around_many(chunk: Singles, found: list[tuple[Places, Singles]], known: float) -> float:
    """Step 3 around crests, highest first, which often does away with many of the rest."""
    twice_at, heights = (np.concatenate(parts) for parts in zip(*found, strict=True))
    if len(heights) > 2 * _POINTS:
        first = np.argpartition(-heights, _POINTS)[:_POINTS]
        known = highest_near(chunk, twice_at[first], known)
    return highest_near(chunk, twice_at[heights > np.float32(known / BOUND_HALFWAY)], known)


@lru_cache(maxsize=1)
def _energy_bound() -> tuple[Singles, float]:
    """Weights of a block's squared frames in its own and the two blocks' groups before; the gain.

    For any positive weights ``e`` (Cauchy and Schwarz) a value ``sum(t x)`` has
    ``(sum t x)² <= sum(t² / e) sum(e x²)``. Here ``e`` holds the largest
    magnitudes of the taps within a group, and the gain the largest first sum.
    """
    span = GROUP + TAPS - 1
    weights = np.zeros(span)
    taps = []
    for start in range(GROUP):
        for step in range(33):
            row = np.zeros(span)
            row[start : start + TAPS] = np.abs(taps_at(step / 32))
            taps.append(row)
    np.max(taps, axis=0, out=weights)
    weights = np.maximum(weights, 1e-6)
    gain = max(float((row**2 / weights).sum()) for row in taps) * 1.002
    whole = np.zeros((3 * BLOCK, BLOCK // GROUP))
    for group in range(BLOCK // GROUP):
        first = MIDDLE - BEFORE + group * GROUP
        whole[first : first + span, group] = weights
    matrix = whole.reshape(3, BLOCK, -1).transpose(1, 0, 2).reshape(BLOCK, -1)
    return np.ascontiguousarray(matrix).astype(np.float32), gain


def _any_of(mask: NDArray[np.bool_], groups: type[np.uint32] | type[np.uint64]) -> NDArray[np.bool_]:
    """Whether any of each 32 (uint32) or 64 (uint64) neighbours in a row is set."""
    eights = mask.view(np.uint64) != 0
    return np.asarray(eights.view(groups) != 0)


class TruePeakMeter:
    """Streaming true-peak meter; the same value for any block sizes.

    Parameters
    ----------
    sample_rate_hz : 8,000 to 192,000 (the method does not depend on it)
    channels : 1 to 6
    """

    _FRAMES = 2048 * BLOCK

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        check_format(sample_rate_hz, channels)
        self._channels = channels
        self._chunker = Chunker(channels, self._FRAMES, HISTORY)
        self._finder = PeakFinder(self._FRAMES)
        self._known = self._sample_peak = 0.0

    def feed(self, block: NDArray[np.floating]) -> None:
        """Add ``(frames, channels)`` float samples; InputError on NaN, infinity, other shapes."""
        block = as_block(block, self._channels)
        peak = block_range(block)
        self._sample_peak = max(self._sample_peak, peak)
        self._chunker.add(block, peak < SMALLEST_SAMPLE, self._take)

    def _take(self, chunk: Singles) -> None:
        self._known = self._finder.largest(chunk, self._known)

    def result(self) -> float:
        """True peak so far, linear; 0.0 for silence and for no sound at all."""
        found = self._finder.largest_of_rest(self._chunker.rest(RINGING, BLOCK), self._known)
        return max(found, self._sample_peak)


def true_peak(samples: NDArray[np.floating], sample_rate_hz: int) -> float:
    """True peak of a whole sound, linear.

    Parameters
    ----------
    samples : (frames, channels) or (frames,) float, nominal ±1.0
    sample_rate_hz : 8,000 to 192,000

    Examples
    --------
    >>> float(round(true_peak(np.array([0.0, 0.5, 0.0]), 48_000), 3))
    0.5
    """
    block = as_block(samples)
    meter = TruePeakMeter(sample_rate_hz, block.shape[1])
    meter.feed(block)
    return meter.result()


def sample_peak(samples: NDArray[np.floating]) -> float:
    """Largest magnitude of any sample, linear; InputError on NaN or infinity."""
    return block_range(as_block(samples))
