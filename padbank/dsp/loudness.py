"""BS.1770-5 loudness of a sound: integrated, momentary and short-term maxima, range.

Answers: how loud is it, as a whole (integrated, gated), in its loudest 400 ms
(momentary), in its loudest 3 s (short-term), and how far do its loud and soft
parts lie apart (loudness range, EBU Tech 3342)?

Conventions

- Windows for the maxima slide in steps of one slot, 2 to 4 ms, over the sound
  followed by silence: the maximum of a clip does not depend on where it lies
  in a file, to 0.03 LU. A clip shorter than a window is measured over the
  whole window, so a 100 ms click reads lower than a 400 ms one of the same
  level: that is how it is heard.
- Gating blocks (400 ms, every 100 ms) and the values of the range (3 s, every
  100 ms) begin with the sound; an incomplete last one is dropped. Hence no
  integrated value below 400 ms and no range below 3 s: None, never a made-up
  number. Tech 3342 advises against using the range below one minute.
- None also stands for what silence or a closed gate leaves without a value.

Memory: 160 bytes for each second of sound, whatever the rate.

Classes: ``LoudnessMeter``, ``Loudness``, ``Timeline``, ``LoudnessOverTime``.
Functions: ``loudness_over_time``, ``integrated_power``, ``loudness_range_lu``,
``power_to_lufs``.
"""

from __future__ import annotations

import copy
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.chunks import (
    Chunker,
    Singles,
    as_block,
    block_range,
    check_format,
    is_silent,
)
from padbank.dsp.energies import UNIT_FRAMES, SlotEnergies, SlotGrid

Floats = NDArray[np.float64]

OFFSET_DB = -0.691
"""BS.1770-5 Annex 1, eq. 2: undoes the K filter's gain at 997 Hz."""
MOMENTARY_HOPS = 4
SHORT_TERM_HOPS = 30
SECOND_HOPS = 10
"""EBU Tech 3341: momentary 0.4 s, short-term 3 s; in hops of 100 ms."""
ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
"""BS.1770-5 Annex 1, eq. 5 to 7."""
RANGE_RELATIVE_GATE_LU = -20.0
RANGE_PERCENTILES = (10, 95)
"""EBU Tech 3342: loudness range."""
_TAIL_S = 0.1
"""After this much silence the K filter rings below -190 dB of the sound."""


def power_to_lufs(power: float) -> float | None:
    """Loudness of a weighted mean square (BS.1770-5 eq. 2); None for no power at all."""
    return OFFSET_DB + 10.0 * math.log10(power) if power > 0.0 else None


def _lufs_to_power(level_lufs: float) -> float:
    return 10.0 ** ((level_lufs - OFFSET_DB) / 10.0)


def integrated_power(blocks: Floats) -> float:
    """Gated mean of the gating blocks' weighted mean squares (BS.1770-5 eq. 5 to 7).

    0.0 where no block passes the gates.
    """
    loud = blocks[blocks > _lufs_to_power(ABSOLUTE_GATE_LUFS)]
    if not loud.size:
        return 0.0
    gate = float(loud.mean()) * 10.0 ** (RELATIVE_GATE_LU / 10.0)
    return float(loud[loud > gate].mean())


def loudness_range_lu(short_terms: Floats) -> float | None:
    """Loudness range (EBU Tech 3342) of short-term mean squares; None where none passes the gate.

    Percentiles are the values nearest in rank, as in the document's own code
    (the rounding of the rank is from memory of it).
    """
    loud = short_terms[short_terms >= _lufs_to_power(ABSOLUTE_GATE_LUFS)]
    if not loud.size:
        return None
    gate = float(loud.mean()) * 10.0 ** (RANGE_RELATIVE_GATE_LU / 10.0)
    ordered = np.sort(loud[loud >= gate])
    low, high = (
        float(ordered[math.floor((len(ordered) - 1) * percent / 100.0 + 0.5)])
        for percent in RANGE_PERCENTILES
    )
    return 10.0 * math.log10(high / low)


@dataclass(frozen=True, slots=True, kw_only=True)
class Loudness:
    """What the loudness meter reads; None where there is no such value."""

    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    loudness_range_lu: float | None
    loudest_second_lufs: float | None = None
    """the loudest 1 s, slid and followed by silence like the other maxima"""


class _Windows:
    """Mean squares of windows of ``hops`` hops: the largest, and those that begin on a hop."""

    def __init__(self, grid: SlotGrid, hops: int) -> None:
        self.grid = grid
        self.slots = hops * grid.slots_per_hop
        self.done = 0
        self.largest = 0.0
        self.on_hops: list[Floats] = []

    def slide(self, prefix: Floats, base: int, end: int, complete: bool) -> None:
        """Take in all windows that end at slot ``end`` or before.

        ``prefix[i]`` is the energy of the slots from ``base`` to ``base + i``.
        """
        count = end - self.slots - self.done + 1
        if count <= 0:
            return
        first = self.done - base
        energy = prefix[first + self.slots : first + self.slots + count] - prefix[first : first + count]
        grid = self.grid
        if grid.slot_frames is not None:
            power = energy / float(self.slots * grid.slot_frames)
        else:
            starts = np.arange(self.done, self.done + count)
            power = energy / (grid.start(starts + self.slots) - grid.start(starts))
        self.largest = max(self.largest, float(power.max()))
        if complete:
            self.on_hops.append(np.maximum(power[-self.done % grid.slots_per_hop :: grid.slots_per_hop], 0.0))
        self.done += count

    def branch(self) -> _Windows:
        other = copy.copy(self)
        other.on_hops = self.on_hops.copy()
        return other

    def powers(self) -> Floats:
        """Mean squares of the windows that begin on a hop and lie within the sound."""
        return np.concatenate(self.on_hops) if self.on_hops else np.zeros(0)


class Timeline:
    """Slots in, the windows of loudness out; keeps the last 3 s of slots and a batch of new ones."""

    _BATCH_S = 30

    def __init__(self, grid: SlotGrid) -> None:
        self.grid = grid
        self._momentary = _Windows(grid, MOMENTARY_HOPS)
        self._short_term = _Windows(grid, SHORT_TERM_HOPS)
        self._second = _Windows(grid, SECOND_HOPS)
        self._base = 0
        self._count = 0
        per_s = 10 * grid.slots_per_hop
        self._slots = np.zeros((self._BATCH_S + 3) * per_s)
        self._full = self._BATCH_S * per_s

    def add(self, first_slot: int, energies: Floats, *, last: bool = False) -> None:
        """Append energies from ``first_slot`` on; a slot that came in parts is joined.

        ``last``: these reach beyond the sound's end, which only ``close`` knows.
        """
        at = first_slot - self._base
        needed = at + len(energies)
        if needed > len(self._slots):
            self._slots = np.concatenate([self._slots, np.zeros(needed)])
        self._slots[at] += energies[0]
        self._slots[at + 1 : needed] = energies[1:]
        self._slots[needed : needed + 1] = 0.0  # where a next part is added
        self._count = needed
        if self._count > self._full and not last:
            self._slide(self._base + self._count - 1, complete=True)  # the last may be a part

    def branch(self) -> Timeline:
        """A copy that goes its own way."""
        other = copy.copy(self)
        other._slots = self._slots.copy()
        other._momentary = self._momentary.branch()
        other._short_term = self._short_term.branch()
        other._second = self._second.branch()
        return other

    def _slide(self, end: int, complete: bool) -> None:
        prefix = np.zeros(end - self._base + 1)
        np.cumsum(self._slots[: end - self._base], out=prefix[1:])
        self._momentary.slide(prefix, self._base, end, complete)
        self._short_term.slide(prefix, self._base, end, complete)
        self._second.slide(prefix, self._base, end, complete=False)
        drop = max(0, min(self._momentary.done, self._short_term.done) - self._base)
        kept = self._count - drop
        self._slots[:kept] = self._slots[drop : self._count].copy()
        self._slots[kept:] = 0.0
        self._base += drop
        self._count = kept

    def close(self, frames: int) -> Loudness:
        """Values of a sound of ``frames`` frames; the timeline cannot go on afterwards."""
        whole = self.grid.whole_slots(frames)
        self._slide(whole, complete=True)
        # the maxima go on into the silence that follows
        end = whole + self._short_term.slots
        room = end - self._base
        if room > len(self._slots):
            self._slots = np.concatenate([self._slots, np.zeros(room - len(self._slots))])
        self._slots[self._count :] = 0.0
        self._count = max(self._count, room)
        self._slide(end, complete=False)
        return Loudness(
            integrated_lufs=power_to_lufs(integrated_power(self._momentary.powers())),
            momentary_max_lufs=power_to_lufs(self._momentary.largest),
            short_term_max_lufs=power_to_lufs(self._short_term.largest),
            loudness_range_lu=loudness_range_lu(self._short_term.powers()),
            loudest_second_lufs=power_to_lufs(self._second.largest),
        )


class LoudnessPart:
    """Loudness of chunks that someone else gathers; ``Meter`` and ``LoudnessMeter`` share it."""

    def __init__(self, sample_rate_hz: int, channels: int, as_played: bool) -> None:
        self.grid = SlotGrid.of(sample_rate_hz)
        self.energies = SlotEnergies(self.grid, channels)
        self._gain = 2.0 if as_played and channels == 1 else 1.0
        self._state = self.energies.start_state()
        self._timeline = Timeline(self.grid)
        self._frames = 0

    def take(self, chunk: Singles, *, last: bool = False) -> None:
        """The next chunk, ``(channels, frames)``; ``last``: the sound ends in it or before."""
        energies, self._state = self.energies.run(chunk, self._state, self._frames)
        self._timeline.add(self.grid.whole_slots(self._frames), energies * self._gain, last=last)
        self._frames += chunk.shape[1]

    def slots_of(self, block: NDArray[np.floating]) -> Floats:
        """Energies of all whole slots of a sound, for a fresh part."""
        parts: list[Floats] = []
        chunker = Chunker(block.shape[1], self.energies.chunk_frames)

        def take(chunk: Singles) -> None:
            energies, self._state = self.energies.run(chunk, self._state, self._frames)
            first = self.grid.whole_slots(self._frames)
            joined = sum(map(len, parts)) > first
            if joined:  # the last slot of the chunk before goes on in this one
                parts[-1][-1] += energies[0]
            parts.append(energies[1:] if joined else energies)
            self._frames += chunk.shape[1]

        chunker.add(block, False, take)
        if chunker.filled:
            take(chunker.rest(0, UNIT_FRAMES))
        whole = self.grid.whole_slots(len(block))
        return np.concatenate(parts)[:whole] * self._gain if parts else np.zeros(0)

    def read(self, rest: Singles, rest_frames: int) -> Loudness:
        """Values with ``rest`` as the end, ``rest_frames`` of sound and silence behind.

        The silence has to be long enough for the filter to ring out (see
        ``tail_frames``). Nothing changes: feeding may go on.
        """
        ahead = copy.copy(self)
        ahead._timeline = self._timeline.branch()
        most = self.energies.chunk_frames
        for at in range(0, rest.shape[1], most):
            ahead.take(rest[:, at : at + most], last=True)
        return ahead._timeline.close(self._frames + rest_frames)

    @property
    def tail_frames(self) -> int:
        """Frames of silence that bring out all that still rings."""
        return int(_TAIL_S * self.grid.rate_hz)


class LoudnessMeter:
    """Streaming loudness meter without peaks.

    Parameters
    ----------
    sample_rate_hz : 8,000 to 192,000
    channels : 1 to 6, weighted as in ``energies.CHANNEL_WEIGHTS``
    as_played : a mono sound counts as played on both sides (+3.01 LU)

    Examples
    --------
    >>> import numpy as np
    >>> meter = LoudnessMeter(48_000, 1)
    >>> meter.feed(np.sin(2 * np.pi * 997 / 48_000 * np.arange(48_000)))
    >>> round(meter.result().integrated_lufs, 2)
    -3.01
    """

    def __init__(self, sample_rate_hz: int, channels: int, *, as_played: bool = False) -> None:
        check_format(sample_rate_hz, channels)
        self._channels = channels
        self._part = LoudnessPart(int(sample_rate_hz), channels, as_played)
        self._chunker = Chunker(channels, self._part.energies.chunk_frames)

    def feed(self, block: NDArray[np.floating]) -> None:
        """Add ``(frames, channels)`` float samples; InputError on NaN, infinity, other shapes."""
        block = as_block(block, self._channels)
        self._chunker.add(block, is_silent(block), self._part.take)

    def result(self) -> Loudness:
        """Values of what was fed so far; feeding may go on."""
        part = self._part
        rest = self._chunker.rest(part.tail_frames, UNIT_FRAMES)
        return part.read(rest, self._chunker.filled)


@dataclass(frozen=True, slots=True)
class LoudnessOverTime:
    """Momentary and short-term loudness of every window that lies within a sound.

    Value ``i`` of a curve is the window that begins at ``start_s[i]``; -inf
    where the window holds no power at all.
    """

    start_s: Floats
    momentary_lufs: Floats
    short_term_lufs: Floats

    def end_s(self, curve: str) -> Floats:
        """Where the windows of ``momentary_lufs`` or ``short_term_lufs`` end, in seconds."""
        hops = {"momentary_lufs": MOMENTARY_HOPS, "short_term_lufs": SHORT_TERM_HOPS}[curve]
        return self.start_s[: len(getattr(self, curve))] + hops / 10.0


def loudness_over_time(
    samples: NDArray[np.floating], sample_rate_hz: int, *, as_played: bool = False
) -> LoudnessOverTime:
    """Both curves of a sound in steps of one slot (2 to 4 ms): for plots and for jumps in level.

    Parameters are those of ``measure.measure``. A sound shorter than a window
    has an empty curve.
    """
    block = as_block(samples)
    check_format(sample_rate_hz, block.shape[1])
    block_range(block)
    part = LoudnessPart(int(sample_rate_hz), block.shape[1], as_played)
    energies = part.slots_of(block)
    prefix = np.concatenate([[0.0], np.cumsum(energies)])
    grid = part.grid
    curves = []
    for hops in (MOMENTARY_HOPS, SHORT_TERM_HOPS):
        slots = hops * grid.slots_per_hop
        starts = np.arange(max(0, len(energies) - slots + 1))
        frames = grid.start(starts + slots) - grid.start(starts)
        power = np.maximum(prefix[starts + slots] - prefix[starts], 0.0) / frames
        with np.errstate(divide="ignore"):
            curves.append(OFFSET_DB + 10.0 * np.log10(power))
    start_s = grid.start(np.arange(len(curves[0]))) / float(sample_rate_hz)
    return LoudnessOverTime(start_s, curves[0], curves[1])
