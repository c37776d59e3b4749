"""Sound in, K-weighted energy of every few milliseconds out.

Answers: how much K-weighted energy (BS.1770-5 Annex 1, figure 1: filter,
mean square, channel weights) does each short *slot* of a sound hold? All
windows of loudness (400 ms, 3 s) are sums of slots.

A slot is 2 to 4 ms, and a whole number of slots makes 100 ms, the hop of the
gating blocks. For rates where no whole number of frames does that (11,025 Hz
and odd ones) slots end at the nearest frame and may differ by one frame;
sums divide by the frames they really hold.

The filter runs as matrix products over blocks (see ``kfilter``), which numpy
hands to BLAS. That is faster than a compiled loop over samples, where each
has to wait for the one before, and state that has died away is set to 0, so
that silence after sound costs no more than sound.

Classes: ``SlotGrid``, ``SlotEnergies``. Constants: ``CHANNEL_WEIGHTS``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
_BLOCKS = range(40, 65)
_BLOCKS_TOO = range(24, 97)
_ODD_RATE_BLOCK = 48
_GROUP = 24
_INAUDIBLE = 1e-20
_CHUNK_SAMPLES = 131_072
"""Large, so that the calls themselves count for little."""
PEAK_BLOCK = 32
"""Chunks are whole blocks of the peak search too."""


@dataclass(frozen=True, slots=True)
class SlotGrid:
    """Where slots begin. ``slot_frames`` is None where their length varies by a frame."""

    rate_hz: int
    slots_per_hop: int
    slot_frames: int | None
    block: int
    """frames of one row of the filter's matrix products; divides a slot where it can"""

    @classmethod
    def of(cls, rate_hz: int) -> SlotGrid:
        for blocks in (_BLOCKS, _BLOCKS_TOO):
            for per_hop in _SLOTS_PER_HOP:
                frames, left_over = divmod(rate_hz, HOPS_PER_S * per_hop)
                if left_over:
                    continue
                fitting = [b for b in blocks if frames % b == 0]
                if fitting:
                    return cls(rate_hz, per_hop, frames, min(fitting, key=lambda b: abs(b - 49)))
        return cls(rate_hz, _SLOTS_PER_HOP[0], None, _ODD_RATE_BLOCK)

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

    @property
    def unit_frames(self) -> int:
        """Chunks are a multiple of this: whole slots, whole groups of blocks, whole peak blocks."""
        return math.lcm(self.block * _GROUP, self.slot_frames or 1, PEAK_BLOCK)

    def chunk_frames(self, channels: int) -> int:
        """Frames of a chunk, sized for the processor's cache."""
        unit = self.unit_frames
        return unit * max(1, round(_CHUNK_SAMPLES / channels / unit))


class SlotEnergies:
    """K filter and weights of one sound, from chunks to the energy of each slot.

    ``state`` is everything that one chunk hands to the next; ``run`` takes it
    and returns the next one, so a caller can look ahead without disturbing
    the measurement.
    """

    def __init__(self, grid: SlotGrid, channels: int) -> None:
        self.grid = grid
        self.weights = np.array(CHANNEL_WEIGHTS[channels])
        self._heard = np.flatnonzero(self.weights)
        self._weights_heard = self.weights[self._heard]
        self._all_heard = len(self._heard) == channels
        heard = len(self._heard)
        self.chunk_frames = grid.chunk_frames(channels)
        self.unit_frames = grid.unit_frames
        block = grid.block
        rows = self.chunk_frames // block
        filt = block_filter(grid.rate_hz, block)
        self._scan = StateScan(grid.rate_hz, block, heard, _GROUP, rows // _GROUP)
        self._to_state = filt.to_state.astype(np.float32)
        self._direct = filt.direct.astype(np.float32)
        self._from_state = filt.from_state.astype(np.float32)
        # work arrays, flat so that a shorter chunk uses the front of them
        self._additions = np.empty(heard * rows * STATES, dtype=np.float32)
        self._states = np.empty_like(self._additions)
        self._weighted = np.empty(heard * self.chunk_frames, dtype=np.float32)
        self._ringing = np.empty_like(self._weighted)

    def start_state(self) -> Singles:
        """State before the first chunk: silence."""
        return np.zeros((len(self._heard), STATES), dtype=np.float32)

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
        energies : weighted sums of squares, one per slot; at odd rates the
            chunk's first and last slot may be parts that the caller joins
            (see ``Timeline.add``)
        state
        """
        if not self._all_heard:
            chunk = chunk[self._heard]
        grid, block = self.grid, self.grid.block
        channels, frames = chunk.shape
        if not state.any() and not chunk.any():
            return np.zeros(len(self._bounds(first_frame, frames))), state
        rows = frames // block
        blocks = chunk.reshape(channels, rows, block)
        small = (channels, rows, STATES)
        additions = self._additions[: channels * rows * STATES].reshape(small)
        states = self._states[: channels * rows * STATES].reshape(small)
        weighted = self._weighted[: channels * frames].reshape(blocks.shape)
        ringing = self._ringing[: channels * frames].reshape(blocks.shape)
        np.matmul(blocks, self._to_state, out=additions)
        state = self._scan.states(additions, state, states)
        np.matmul(blocks, self._direct, out=weighted)
        weighted += np.matmul(states, self._from_state, out=ringing)
        if grid.slot_frames:
            by_slot = weighted.reshape(channels, -1, grid.slot_frames)
            energies = np.vecdot(by_slot, by_slot).astype(np.float64)
        else:
            squares = np.square(weighted.reshape(channels, frames), dtype=np.float64)
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
        if grid.slot_frames is not None:
            return np.arange(0, frames, grid.slot_frames)
        first = grid.whole_slots(first_frame)
        last = grid.whole_slots(first_frame + frames - 1)
        starts = grid.start(np.arange(first, last + 1)) - first_frame
        return np.maximum(starts, 0)
