"""Sound in, K-weighted energy of every few milliseconds out.

Answers: how much K-weighted energy (BS.1770-5 Annex 1, figure 1: filter,
mean square, channel weights) does each short *slot* of a sound hold? All
windows of loudness (400 ms, 3 s) are sums of slots.

A slot is 2 to 4 ms, and a whole number of slots makes 100 ms, the hop of the
gating blocks. For rates where no whole number of frames does that (11,025 Hz
and odd ones) slots end at the nearest frame and may differ by one frame;
sums divide by the frames they really hold.

The filter runs as matrix products over blocks (see ``kfilter``), which numpy
hands to BLAS: each row of the large one holds a block's sound and, behind it,
the filter's state where the block begins, so that a single product yields the
filtered sound. That is faster than a compiled loop over samples, where each has
to wait for the one before, and state that has died away is set to 0, so that
silence after sound costs no more than sound.

Classes: ``SlotGrid``, ``SlotEnergies``. Constants: ``CHANNEL_WEIGHTS``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padbank.dsp import workspace
from padbank.dsp.chunks import SMALLEST_SAMPLE, Singles
from padbank.dsp.kfilter import STATES, StateScan, block_filter

Floats = NDArray[np.float64]

SURROUND_WEIGHT = 1.41
"""BS.1770-5 Annex 1, table 3: left and right surround, about +1.5 dB."""
CHANNEL_WEIGHTS: dict[int, tuple[float, ...]] = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    4: (1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    5: (1.0, 1.0, 1.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
    6: (1.0, 1.0, 1.0, 0.0, SURROUND_WEIGHT, SURROUND_WEIGHT),
}
"""By channel count, in the order of WAV files: C; L R; L R C; L R Ls Rs;
L R C Ls Rs; L R C LFE Ls Rs (the standard leaves the LFE channel out)."""

HOPS_PER_S = 10
"""Gating blocks overlap by 75 % of 400 ms (BS.1770-5 Annex 1): one every 100 ms."""
_SLOTS_PER_HOP = range(25, 51)
BLOCK = 32
"""Frames of one row of the filter's matrix products. Short blocks cost fewer multiplications
(one for each frame of the block and each state), long ones fewer states to find."""
_GROUP = 8
_SUPERGROUP = 14
UNIT_FRAMES = BLOCK * _GROUP * _SUPERGROUP
"""Chunks are a multiple of this, which is one of the peak search's blocks of 32 frames too."""
CHUNK_SAMPLES = 131_072
"""Large, so that the calls themselves count for little."""
_INAUDIBLE = 1e-20
_STATE = np.dtype((np.void, 4 * STATES))
_WHOLE_BLOCK = np.dtype((np.void, 4 * BLOCK))


@dataclass(frozen=True, slots=True)
class SlotGrid:
    """Where slots begin. ``slot_frames`` is None where their length varies by a frame."""

    rate_hz: int
    slots_per_hop: int
    slot_frames: int | None

    @classmethod
    def of(cls, rate_hz: int) -> SlotGrid:
        for per_hop in _SLOTS_PER_HOP:
            frames, left_over = divmod(rate_hz, HOPS_PER_S * per_hop)
            if not left_over:
                return cls(rate_hz, per_hop, frames)
        return cls(rate_hz, _SLOTS_PER_HOP[0], None)

    def start(self, slot: NDArray[np.int64] | int) -> NDArray[np.int64]:
        """First frame of a slot (array in, array out)."""
        slot = np.asarray(slot, dtype=np.int64)
        if self.slot_frames is not None:
            return slot * self.slot_frames
        per_s = HOPS_PER_S * self.slots_per_hop
        return (slot * self.rate_hz * 2 + per_s) // (2 * per_s)

    def whole_slots(self, frames: int) -> int:
        """How many slots end at or before ``frames``."""
        if self.slot_frames is not None:
            return frames // self.slot_frames
        slot = int(frames * HOPS_PER_S * self.slots_per_hop // self.rate_hz) + 1
        while int(self.start(slot)) > frames:
            slot -= 1
        return slot

    def chunk_frames(self, channels: int, samples: int = CHUNK_SAMPLES) -> int:
        """Frames of a chunk: whole slots where that does not make it much larger."""
        wanted = samples / channels
        unit = math.lcm(UNIT_FRAMES, self.slot_frames or 1)
        unit = unit if unit < 2 * wanted else UNIT_FRAMES
        return unit * max(1, round(wanted / unit))


@lru_cache(maxsize=16)
def _row_matrices(rate_hz: int) -> tuple[Singles, Singles]:
    """From a block's sound to what it adds to the state; from sound and state to filtered sound."""
    filt = block_filter(rate_hz, BLOCK)
    to_sound = np.concatenate([filt.direct, filt.from_state])
    return filt.to_state.astype(np.float32), to_sound.astype(np.float32)


class SlotEnergies:
    """K filter and weights of one sound, from chunks to the energy of each slot.

    ``state`` is everything that one chunk hands to the next; ``run`` takes it
    and returns the next one, so a caller can look ahead without disturbing
    the measurement.
    """

    def __init__(self, grid: SlotGrid, channels: int, samples: int = CHUNK_SAMPLES) -> None:
        self.grid = grid
        self.weights = np.array(CHANNEL_WEIGHTS[channels])
        self.heard = np.flatnonzero(self.weights)
        self._weights_heard = self.weights[self.heard]
        self._all_heard = len(self.heard) == channels
        heard = len(self.heard)
        self.chunk_frames = grid.chunk_frames(channels, samples)
        self._to_state, self._to_sound = _row_matrices(grid.rate_hz)
        self._scan = StateScan(
            grid.rate_hz, BLOCK, heard, _GROUP, _SUPERGROUP, self.chunk_frames // UNIT_FRAMES
        )

    def start_state(self) -> Singles:
        """State before the first chunk: silence."""
        return np.zeros((len(self.heard), STATES), dtype=np.float32)

    def run(self, chunk: Singles, state: Singles, first_frame: int) -> tuple[Floats, Singles]:
        """Energies of the slots of a chunk, and the state after it.

        Parameters
        ----------
        chunk : (channels, frames) float32; a multiple of ``unit_frames``, up
            to ``chunk_frames``
        state : from ``start_state`` or the last run
        first_frame : the chunk's first frame in the sound

        Returns
        -------
        energies : weighted sums of squares, one per slot; the chunk's first
            and last slot may be parts that the caller joins (see
            ``Timeline.add``)
        state
        """
        if not self._all_heard:
            chunk = chunk[self.heard]
        channels, frames = chunk.shape
        rows = workspace.singles("rows", channels * frames // BLOCK, BLOCK + STATES)
        blocks = rows[:, :BLOCK].view(_WHOLE_BLOCK)[:, 0].reshape(channels, -1)
        for channel, sound in enumerate(chunk):  # one move a block: several times numpy's own pace
            blocks[channel] = sound.view(_WHOLE_BLOCK)
        return self.run_rows(rows, state, first_frame)

    def run_rows(self, rows: Singles, state: Singles, first_frame: int) -> tuple[Floats, Singles]:
        """``run`` for sound that lies in rows already: ``(heard * blocks, BLOCK + STATES)``.

        Channel after channel, a block a row; behind each there is room for the
        filter's state where it begins, so that one product yields the
        filtered sound.
        """
        grid, channels = self.grid, len(self.heard)
        frames = len(rows) * BLOCK // channels
        if not state.any() and not rows[:, :BLOCK].any():
            return np.zeros(len(self._bounds(first_frame, frames))), state
        additions = np.matmul(rows[:, :BLOCK], self._to_state, out=workspace.singles("additions", len(rows), STATES))
        states, state = self._scan.states(additions.reshape(channels, -1, STATES), state)
        rows[:, BLOCK:].view(_STATE)[:] = states.reshape(-1, STATES).view(_STATE)
        weighted = np.matmul(rows, self._to_sound, out=workspace.singles("weighted", len(rows), BLOCK))
        filtered = weighted.reshape(channels, frames)
        slot = grid.slot_frames
        if slot and first_frame % slot == 0:
            whole = frames // slot * slot
            by_slot = filtered[:, :whole].reshape(channels, -1, slot)
            energies = np.vecdot(by_slot, by_slot).astype(np.float64)
            if whole < frames:
                part = filtered[:, np.newaxis, whole:]
                energies = np.concatenate([energies, np.vecdot(part, part)], axis=1)
        else:
            squares = np.square(filtered, dtype=np.float64)
            energies = np.add.reduceat(squares, self._bounds(first_frame, frames), axis=1)
        # channel after channel: the order of a product of matrices is BLAS's own choice
        total: Floats = energies[0] * self._weights_heard[0]
        for channel in range(1, channels):
            total += energies[channel] * self._weights_heard[channel]
        if total[-1] < _INAUDIBLE:
            # Silence at the end: what still rings is forgotten before it
            # becomes denormal numbers, on which processors slow down.
            state = np.where(np.abs(state) < SMALLEST_SAMPLE, np.float32(0.0), state)
        return total, state

    def _bounds(self, first_frame: int, frames: int) -> NDArray[np.int64]:
        """Positions in a chunk where its slots, or parts of slots, begin."""
        grid = self.grid
        first = grid.whole_slots(first_frame)
        last = grid.whole_slots(first_frame + frames - 1)
        starts = grid.start(np.arange(first, last + 1)) - first_frame
        return np.maximum(starts, 0)
