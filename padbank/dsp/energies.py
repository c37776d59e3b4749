"""Sound in, K-weighted energy of every few milliseconds out.

Answers: how much K-weighted energy (BS.1770-5 Annex 1, figure 1: filter,
mean square, channel weights) does each short *slot* of a sound hold? All
windows of loudness (400 ms, 3 s) are sums of slots.

A slot is 2 to 4 ms, and a whole number of slots makes 100 ms, the hop of the
gating blocks. For rates where no whole number of frames does that (11,025 Hz
and odd ones) slots end at the nearest frame and may differ by one frame;
sums divide by the frames they really hold.

The filter runs as matrix products over blocks (see ``kfilter``), which numpy
hands to BLAS: about ten times faster than a loop over samples in Python's
reach, and free of slow denormal numbers.

Classes: ``SlotGrid``, ``SlotEnergies``. Constants: ``CHANNEL_WEIGHTS``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.chunks import Singles
from padbank.dsp.kfilter import StateScan, block_filter

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
_CHUNK_SAMPLES = 49_152
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

    def chunk_frames(self, channels: int) -> int:
        """Frames of a chunk: whole slots, whole groups of blocks, sized for the cache."""
        unit = math.lcm(self.block * _GROUP, self.slot_frames or 1, PEAK_BLOCK)
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
        self._all_heard = len(self._heard) == channels
        heard = len(self._heard)
        self.chunk_frames = grid.chunk_frames(channels)
        block = grid.block
        self._rows = self.chunk_frames // block
        filt = block_filter(grid.rate_hz, block)
        self._scan = StateScan(filt.step, heard, _GROUP, self._rows // _GROUP)
        self._to_state = filt.to_state.astype(np.float32)
        self._direct = filt.direct.astype(np.float32)
        self._from_state = filt.from_state.astype(np.float32)
        self._additions = np.empty((heard, self._rows, 4), dtype=np.float32)
        self._states = np.empty_like(self._additions)
        self._ringing = np.empty((heard, self._rows, block), dtype=np.float32)
        self._weighted = np.empty((heard, self._rows, block), dtype=np.float32)

    def start_state(self) -> Floats:
        """State before the first chunk: silence."""
        return np.zeros((len(self._heard), 4))

    def run(self, chunk: Singles, state: Floats, first_frame: int) -> tuple[Floats, Floats]:
        """Energies of the slots of a chunk, and the state after it.

        Parameters
        ----------
        chunk : (channels, chunk_frames) float32
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
        if not state.any() and not chunk.any():
            return np.zeros(len(self._bounds(first_frame))), state
        blocks = chunk.reshape(len(chunk), self._rows, block)
        np.matmul(blocks, self._to_state, out=self._additions)
        state = self._scan.states(self._additions, state, self._states)
        state = np.where(np.abs(state) < 1e-15, 0.0, state)
        weighted = np.matmul(blocks, self._direct, out=self._weighted)
        weighted += np.matmul(self._states, self._from_state, out=self._ringing)
        if grid.slot_frames is not None:
            by_slot = weighted.reshape(len(chunk), -1, grid.slot_frames)
            energies = np.vecdot(by_slot, by_slot)
        else:
            squares = np.square(weighted.reshape(len(chunk), -1), dtype=np.float64)
            energies = np.add.reduceat(squares, self._bounds(first_frame), axis=1)
        return self.weights[self._heard] @ energies, state

    def _bounds(self, first_frame: int) -> NDArray[np.int64]:
        """Positions in a chunk where its slots, or parts of slots, begin."""
        grid = self.grid
        if grid.slot_frames is not None:
            return np.arange(0, self.chunk_frames, grid.slot_frames)
        first = grid.whole_slots(first_frame)
        last = grid.whole_slots(first_frame + self.chunk_frames - 1)
        starts = grid.start(np.arange(first, last + 1)) - first_frame
        return np.maximum(starts, 0)
