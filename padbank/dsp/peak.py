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
   sharpened likewise. There the sound has nothing above half the band, the
   weights can be all but positive and add up to ``_BOUND_TWICE``, next to 1:
   little more than the crests about as high as the highest pass.
3. Around those the interpolator proper is evaluated, and further on where it
   still rises at the end of what was looked at.

Where step 1 rules out little, as in noise, the energy around a few intervals
bounds what lies between them instead (``_energy_bound``), and step 3 looks at
those few. Where that does not help either, as in square waves, whose crests are
all alike, step 2 goes through whole channels, and step 3 has to look at every
crest: crests that the interpolator's own ripple tells apart can only be told
apart by it. Where crest follows on crest, looking everywhere is quicker still.
Steady tones are told from their frames alone (``steady``): a stretch that
cannot reach beyond a crest already looked at by more than 0.0017 dB is passed over.

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
    highest_everywhere,
    highest_in_groups,
    highest_near,
    windows_of,
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

HISTORY = 96
"""Frames that a chunk repeats from the one before."""
RINGING = 98
"""Frames of silence after a sound that bring out all that rings."""
BLOCK = 32
"""Chunks are a multiple of this; a power of two, for ``_any_of``."""
_FIRST = MIDDLE
"""Block 0 of a chunk holds the intervals between frames from this one on."""
_SHARPEN = 0.3
_SHARPEN_TWICE = 0.2
_BOUND_TWICE = 1.0065 / (1.0 - 2.0 * _SHARPEN_TWICE)
"""With the short half-way filter, the smallest weights that give any value back to 0.4 % for
content up to 0.4535 of the rate add up to 1.0023 times this quotient in magnitude: the tests
solve that linear programme again, and try to find a sound that beats the bound."""
_HALF_TAPS = 32
_HALF_ROW = BLOCK + _HALF_TAPS
_ROWS = 512
_STRETCH = 1024 * BLOCK
_POINTS = 128
_HARDLY_FEWER = 0.6
_SKIP = 8
_FEW = 8
_MANY_CRESTS = 8
_MOST_GROUPS = 0.1
_HEAD = 32 * BLOCK
_PART = 256 * BLOCK
_AS_GOOD_AS = 1.0002
"""0.0017 dB: crests of a steady tone, which differ by its noise, are not told apart further."""
_HALF_WINDOW = np.dtype((np.void, 4 * _HALF_ROW))
_NONE = np.zeros(0, dtype=np.intp)


def _largest_gain_from_sharpened() -> float:
    """The bound of step 1, computed from the taps."""
    w = 2.0 * np.pi * np.arange(4096) / 4096
    unsharpen = np.fft.ifft(1.0 / (1.0 - 2.0 * _SHARPEN * np.cos(w))).real
    around = np.concatenate([unsharpen[-64:], unsharpen[:65]])
    return max(float(np.abs(np.convolve(taps_at(i / 16), around)).sum()) for i in range(17))


_BOUND = _largest_gain_from_sharpened() * 1.0001


def _half_taps() -> NDArray[np.float64]:
    """Weights of the 16 frames after a half-way point, and of those before it, nearest first.

    By weighted least squares up to 0.4535 of the rate: within 1 % there, and
    the closer the slower a sound is. Were half-way points a little higher
    than frames where a sound hardly moves, each would look like a crest.
    """
    angle = np.linspace(0.0, 2.0 * np.pi * 0.4535, 400)
    cosines = 2.0 * np.cos(np.outer(angle, np.arange(_HALF_TAPS // 2) + 0.5))
    allowed = np.minimum(2e-5 + 0.02 * angle**2, 4e-3)
    return np.asarray(np.linalg.lstsq(cosines / allowed[:, None], 1.0 / allowed, rcond=None)[0])


def _half_filter(points: int) -> NDArray[np.float64]:
    """From the frames of a block, 16 more on either side, to the points half a frame before each."""
    taps = np.concatenate([[0.0], _half_taps(), np.zeros(_HALF_ROW)])
    behind = np.arange(_HALF_ROW)[:, None] - _HALF_TAPS // 2 - np.arange(points)[None, :]
    return np.asarray(taps[np.where(behind >= 0, behind + 1, -behind)])


@lru_cache(maxsize=1)
def _halves_matrix() -> Singles:
    return _half_filter(BLOCK).astype(np.float32)


@lru_cache(maxsize=1)
def _twice_matrix() -> Singles:
    """From the frames of a block, 16 more on either side, to its sharpened points at twice the rate."""
    at = np.arange(_HALF_ROW)[:, None] - _HALF_TAPS // 2 - np.arange(BLOCK + 1)[None, :]
    frames = (at == 0).astype(np.float64)
    halves = _half_filter(BLOCK + 1)
    matrix = np.empty((_HALF_ROW, 2 * BLOCK))
    matrix[:, 0::2] = frames[:, :-1] - _SHARPEN_TWICE * (halves[:, :-1] + halves[:, 1:])
    matrix[:, 1::2] = halves[:, 1:] - _SHARPEN_TWICE * (frames[:, :-1] + frames[:, 1:])
    return matrix.astype(np.float32)


class PeakFinder:
    """Finds the true peak of chunks ``(channels, HISTORY + frames)``.

    ``frames`` is a multiple of ``BLOCK``, up to the ``most_frames`` announced.
    What is evaluated lags the chunk's end by 64 frames; silence behind the
    sound brings out the rest.
    """

    def __init__(self, most_frames: int) -> None:
        self._most_frames = most_frames
        self._skip = 0
        self._loud_skip = 0
        self._alike_skip = 0
        self._dense_skip = 0
        self._tone_bounds: list[ToneBound] = []
        self._tone_peak = 0.0

    def largest(self, chunk: Singles, known: float) -> float:
        """True peak of a chunk, or ``known`` where that is larger.

        ``known`` may be any level that the sound is sure to reach, such as
        its sample peak.
        """
        pieces, known = self._without_tones(chunk, known)
        for piece in pieces:
            known = self._largest(piece, known)
        return known

    def _largest(self, chunk: Singles, known: float) -> float:
        channels, length = chunk.shape
        blocks = (length - HISTORY) // BLOCK
        if self._dense_skip:
            # Crest followed on crest not long ago: no use ruling out.
            self._dense_skip -= 1
            return highest_everywhere(chunk, known)
        if self._skip and not self._loud_skip:
            groups = self._groups_above(chunk, known)
            if np.count_nonzero(groups) <= _MOST_GROUPS * groups.size:
                self._skip -= 1
                return highest_in_groups(chunk, groups, known)
            self._loud_skip = _SKIP
        self._loud_skip -= self._loud_skip > 0
        found: list[tuple[NDArray[np.intp], Singles]] = []
        if self._skip:
            # The last chunk could hardly be thinned out by step 1: no use trying for a while.
            self._skip -= 1
            for channel in range(channels):
                for first in range(_FIRST, _FIRST + blocks * BLOCK, _STRETCH):
                    count = min(_STRETCH, _FIRST + blocks * BLOCK - first)
                    known = _look_through(chunk, channel, first, count, known, found)
        else:
            channel_of, block_of = self._blocks_above(chunk, known / _BOUND)
            if len(channel_of) > _HARDLY_FEWER * channels * blocks:
                self._skip = _SKIP
            windows = windows_of(chunk, _FIRST - _HALF_TAPS // 2, BLOCK, blocks, _HALF_ROW)
            at = channel_of * length + block_of * BLOCK
            for first in range(0, len(at), _ROWS):
                some = slice(first, first + _ROWS)
                known = self._look(chunk, windows[channel_of[some], block_of[some]], at[some], known, found)
        return self._around_many(chunk, found, known) if found else known

    def _without_tones(self, chunk: Singles, known: float) -> tuple[list[Singles], float]:
        """What of a chunk holds more than a steady tone whose highest crest is known; and ``known``.

        What decides is only what is looked at here, never ``known``, which
        knows more the larger the blocks are that the sound comes in.
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
            head = np.ascontiguousarray(line[np.newaxis, : HISTORY + _HEAD])
            self._tone_peak = max(self._tone_peak, highest_everywhere(head, 0.0))
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
        energy = parts[:, :blocks, 0] + parts[:, 1 : blocks + 1, 1]
        energy += parts[:, 2 : blocks + 2, 2]
        above: NDArray[np.bool_] = energy > np.float32(known * known / gain)
        return above.reshape(channels, -1)

    def _look(
        self,
        chunk: Singles,
        windows: Singles,
        starts: NDArray[np.intp],
        known: float,
        found: list[tuple[NDArray[np.intp], Singles]],
    ) -> float:
        """Step 2 for some blocks, and step 3 if few points stand out; else their crests go to ``found``.

        ``starts`` are the blocks' positions in the chunk, channel after channel.
        """
        rows = workspace.singles("half rows", len(windows), _HALF_ROW)
        rows[:] = windows
        twice = workspace.singles("twice", len(windows), 2 * BLOCK)
        np.matmul(rows, _twice_matrix(), out=twice)
        threshold = known / _BOUND_TWICE
        if max(float(twice.max()), -float(twice.min())) <= threshold:
            return known
        np.abs(twice, out=twice)
        above = np.greater(twice, np.float32(threshold), out=workspace.booleans("above", *twice.shape))
        if np.count_nonzero(above) <= _FEW:
            return self._around_few(chunk, starts, twice, above, known)
        crests = _crests(twice, above)
        # doubled positions, so that half frames are whole numbers
        found.append((2 * starts[crests // (2 * BLOCK)] + crests % (2 * BLOCK), twice.reshape(-1)[crests]))
        return known

    def largest_of_rest(self, rest: Singles, known: float) -> float:
        """``largest`` for ``Chunker.rest``: what has not filled a chunk yet, and silence behind it.

        There has to be room for ``RINGING`` frames of silence. The search goes on
        as if it had not been asked.
        """
        skips = self._skip, self._loud_skip, self._alike_skip, self._dense_skip
        tones = self._tone_bounds, self._tone_peak
        self._tone_bounds, self._skip, self._dense_skip = [], 0, 0
        for at in range(0, rest.shape[1] - HISTORY, self._most_frames):
            part = np.ascontiguousarray(rest[:, at : at + HISTORY + self._most_frames])
            known = self.largest(part, known)
        self._skip, self._loud_skip, self._alike_skip, self._dense_skip = skips
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
        # what lies between the frames 32 and 64 hangs on the frames 0 to 95
        blocks = (chunk.shape[1] - HISTORY) // BLOCK
        near = lifted[:, :blocks] | lifted[:, 1 : blocks + 1] | lifted[:, 2 : blocks + 2]
        channel, block = near.nonzero()
        return channel, block

    def _around_many(
        self, chunk: Singles, found: list[tuple[NDArray[np.intp], Singles]], known: float
    ) -> float:
        """Step 3 around crests, highest first where that was seen to do away with many of the rest."""
        twice_at, heights = (np.concatenate(parts) for parts in zip(*found, strict=True))
        if self._alike_skip:
            self._alike_skip -= 1
        elif len(heights) > 2 * _POINTS:
            first = np.argpartition(-heights, _POINTS)[:_POINTS]
            known = highest_near(chunk, twice_at[first], known)
            if 2 * np.count_nonzero(heights > np.float32(known / _BOUND_TWICE)) > len(heights):
                self._alike_skip = _SKIP
        still = heights > np.float32(known / _BOUND_TWICE)
        if np.count_nonzero(still) * BLOCK > _MANY_CRESTS * chunk.size:
            self._dense_skip = _SKIP
            return highest_everywhere(chunk, known)
        return highest_near(chunk, twice_at[still], known)

    @staticmethod
    def _around_few(
        chunk: Singles, starts: NDArray[np.intp], twice: Singles, above: NDArray[np.bool_], known: float
    ) -> float:
        """Step 3 for very few points: what most chunks of most sounds come to."""
        for at in np.flatnonzero(above).tolist():
            row, point = divmod(at, 2 * BLOCK)
            if float(twice[row, point]) * _BOUND_TWICE > known:
                known = highest_at(chunk, int(starts[row]) + point // 2, known)
        return known


def _look_through(
    chunk: Singles,
    channel: int,
    first: int,
    count: int,
    known: float,
    found: list[tuple[NDArray[np.intp], Singles]],
) -> float:
    """Step 2 for ``count`` frames of a channel in a row, where half of the work of ``_look`` will do."""
    size = 1 + count // BLOCK
    rows = workspace.singles("half rows", size, _HALF_ROW)
    step = chunk.itemsize
    offset = (channel * chunk.shape[1] + first - _HALF_TAPS // 2) * step
    rows.view(_HALF_WINDOW)[:, 0] = np.ndarray((size,), _HALF_WINDOW, chunk, offset, (BLOCK * step,))
    halves = np.matmul(rows, _halves_matrix(), out=workspace.singles("halves", size, BLOCK)).reshape(-1)
    frames = chunk[channel, first : first + count + 1]
    at_frames = workspace.singles("at frames", count)
    np.add(halves[:count], halves[1 : count + 1], out=at_frames)
    at_frames *= np.float32(-_SHARPEN_TWICE)
    at_frames += frames[:-1]
    behind = workspace.singles("behind frames", count)
    np.add(frames[:-1], frames[1:], out=behind)
    behind *= np.float32(-_SHARPEN_TWICE)
    behind += halves[1 : count + 1]
    np.abs(at_frames, out=at_frames)
    np.abs(behind, out=behind)
    threshold = np.float32(known / _BOUND_TWICE)
    if max(float(at_frames.max()), float(behind.max())) <= threshold:
        return known
    falls = at_frames >= behind
    rises = np.empty(count + 1, dtype=bool)  # into each frame; what lies outside decides nothing
    rises[0] = rises[-1] = True
    np.less_equal(behind[:-1], at_frames[1:], out=rises[1:-1])
    crests = (at_frames > threshold) & falls & rises[:-1]
    start = 2 * (channel * chunk.shape[1] + first - _FIRST)
    crest = crests.nonzero()[0]
    found.append((start + 2 * crest, at_frames[crest]))
    rises[-1] = False
    crests = (behind > threshold) & ~falls & ~rises[1:]
    crest = crests.nonzero()[0]
    found.append((start + 2 * crest + 1, behind[crest]))
    return known


def _crests(twice: Singles, above: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Positions (row by row) of the points ``above`` that no neighbour in the row exceeds."""
    line, crests = twice.reshape(-1), above.reshape(-1)
    falls, rises = line[:-1] >= line[1:], line[1:] >= line[:-1]
    # rows need not follow each other in time
    falls[2 * BLOCK - 1 :: 2 * BLOCK] = True
    rises[2 * BLOCK - 1 :: 2 * BLOCK] = True
    crests[:-1] &= falls
    crests[1:] &= rises
    return crests.nonzero()[0]


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
        first = _FIRST - BEFORE + group * GROUP
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

    _FRAMES = 1024 * BLOCK

    def __init__(self, sample_rate_hz: int, channels: int) -> None:
        check_format(sample_rate_hz, channels)
        self._channels = channels
        self._chunker = Chunker(channels, self._FRAMES, HISTORY)
        self._finder = PeakFinder(self._FRAMES)
        self._known = 0.0

    def feed(self, block: NDArray[np.floating]) -> None:
        """Add ``(frames, channels)`` float samples; InputError on NaN, infinity, other shapes."""
        block = as_block(block, self._channels)
        peak = block_range(block)
        self._known = max(self._known, peak)
        self._chunker.add(block, peak < SMALLEST_SAMPLE, self._take)

    def _take(self, chunk: Singles) -> None:
        self._known = self._finder.largest(chunk, self._known)

    def result(self) -> float:
        """True peak so far, linear; 0.0 for silence and for no sound at all."""
        return self._finder.largest_of_rest(self._chunker.rest(RINGING, BLOCK), self._known)


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
