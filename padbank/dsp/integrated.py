"""Integrated loudness alone, where nobody asks for maxima, range or peaks: half the work.

Answers: how loud is a sound as a whole? The figure is that of ``LoudnessMeter``.

Classes: ``IntegratedMeter``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padbank.dsp.chunks import DAMAGED, LARGEST_SAMPLE, RowChunker, Singles, as_block, check_format
from padbank.dsp.energies import BLOCK, UNIT_FRAMES, SlotEnergies, SlotGrid
from padbank.dsp.kfilter import STATES
from padbank.dsp.loudness import MOMENTARY_HOPS, Floats, integrated_power, power_to_lufs
from padbank.errors import InputError


class IntegratedMeter:
    """Streaming meter of integrated loudness alone: gating blocks, no maxima and no peaks.

    Parameters
    ----------
    sample_rate_hz : 8,000 to 192,000
    channels : 1 to 6, weighted as in ``energies.CHANNEL_WEIGHTS``
    as_played : a mono sound counts as played on both sides (+3.01 LU)

    Examples
    --------
    >>> import numpy as np
    >>> meter = IntegratedMeter(48_000, 1)
    >>> meter.feed(np.sin(2 * np.pi * 997 / 48_000 * np.arange(48_000)))
    >>> round(meter.result(), 2)
    -3.01
    """

    _CHUNK_SAMPLES = 262_144

    def __init__(self, sample_rate_hz: int, channels: int, *, as_played: bool = False) -> None:
        check_format(sample_rate_hz, channels)
        self._channels = channels
        self._grid = SlotGrid.of(int(sample_rate_hz))
        self._energies = SlotEnergies(self._grid, channels, self._CHUNK_SAMPLES)
        self._gain = 2.0 if as_played and channels == 1 else 1.0
        self._heard = self._energies.heard if len(self._energies.heard) < channels else slice(None)
        self._chunker = RowChunker(
            len(self._energies.heard), self._energies.chunk_frames, BLOCK, STATES
        )
        self._state = self._energies.start_state()
        self._frames = 0
        self._hops: list[Floats] = []
        self._open = np.zeros(0)  # slots behind the last whole hop

    def feed(self, block: NDArray[np.floating]) -> None:
        """Add ``(frames, channels)`` float samples.

        Raises
        ------
        InputError : on other shapes at once; on NaN, infinity and values
            beyond +180 dBFS with the chunk that holds them, at ``result`` at
            the latest
        """
        block = as_block(block, self._channels)
        self._chunker.add(block[:, self._heard], False, self._take)

    def _take(self, rows: Singles) -> None:
        energies, self._state = self._checked(rows)
        hops, self._open = self._joined(energies, self._chunker.frames)
        self._hops.append(hops)
        self._frames += self._chunker.frames

    def _checked(self, rows: Singles) -> tuple[Floats, Singles]:
        with np.errstate(invalid="ignore", over="ignore"):
            energies, state = self._energies.run_rows(rows, self._state, self._frames)
        if not float(energies.max()) <= LARGEST_SAMPLE**2:
            raise InputError(DAMAGED)
        return energies, state

    def _joined(self, energies: Floats, frames: int) -> tuple[Floats, Floats]:
        """Energies of the hops that ``frames`` more frames complete, and the slots left over."""
        per_hop = self._grid.slots_per_hop
        base = self._grid.whole_slots(self._frames) // per_hop * per_hop
        at = self._grid.whole_slots(self._frames) - base
        slots = np.zeros(at + len(energies))
        slots[: len(self._open)] = self._open
        slots[at] += energies[0]  # a slot may come in two parts
        slots[at + 1 :] = energies[1:]
        whole = (self._grid.whole_slots(self._frames + frames) - base) // per_hop
        return slots[: whole * per_hop].reshape(-1, per_hop).sum(axis=1), slots[whole * per_hop :]

    def result(self) -> float | None:
        """LUFS of what was fed so far, None below 400 ms or the gate; feeding may go on."""
        hops = self._hops
        if self._chunker.filled:
            rest = self._chunker.rest(0, UNIT_FRAMES)
            energies, _ = self._checked(rest)
            hops = [*hops, self._joined(energies, self._chunker.filled)[0]]
        prefix = np.cumsum(np.concatenate([[0.0], *hops]))
        starts = np.arange(max(0, len(prefix) - MOMENTARY_HOPS))
        at = self._grid.start(np.arange(len(prefix)) * self._grid.slots_per_hop)
        ends = starts + MOMENTARY_HOPS
        power = (prefix[ends] - prefix[starts]) / (at[ends] - at[starts])
        return power_to_lufs(integrated_power(power * self._gain))
