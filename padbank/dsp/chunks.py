"""Blocks of any size in, chunks of one fixed size out, checked on the way.

Answers: how do the meters give the same figures whatever blocks they are fed?
Everything is gathered into planar float32 chunks that begin at fixed frames of
the sound, so the arithmetic never sees the caller's block sizes.

Conventions: a *block* is what a caller feeds, ``(frames, channels)`` or
``(frames,)`` for one channel, nominal range ±1.0; a *chunk* is
``(channels, history + frames)``, where ``history`` repeats the frames before.

Functions and classes: ``check_format``, ``as_block``, ``block_range``,
``is_silent``, ``Chunker``, ``RowChunker``.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from padbank.dsp import workspace
from padbank.errors import InputError

Singles = NDArray[np.float32]

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000
MOST_CHANNELS = 6
LARGEST_SAMPLE = 1e9
"""Nothing that loud (+180 dBFS) is sound: damaged files decode to such values."""
DAMAGED = (
    "the sound holds samples that are no numbers or beyond +180 dBFS: "
    "it is damaged, decode or export it again"
)
SMALLEST_SAMPLE = 1e-15
"""-300 dBFS. A block that never exceeds it counts as digital silence, so that
denormal numbers, on which processors slow down, stay out of the filters."""


def check_format(sample_rate_hz: int, channels: int) -> None:
    """Raise InputError unless the meters can work at this rate and channel count."""
    if not LOWEST_RATE_HZ <= sample_rate_hz <= HIGHEST_RATE_HZ or sample_rate_hz != int(sample_rate_hz):
        raise InputError(
            f"sample rate {sample_rate_hz!r} Hz cannot be measured: convert the sound to a whole"
            f" rate from {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz"
        )
    if not 1 <= channels <= MOST_CHANNELS:
        raise InputError(
            f"{channels} channels cannot be measured: give 1 to {MOST_CHANNELS}, such as a stereo mix"
        )


def as_block(samples: NDArray[np.floating], channels: int | None = None) -> NDArray[np.floating]:
    """View of ``samples`` as ``(frames, channels)``; InputError if it is not that."""
    block = np.asarray(samples)
    if block.ndim == 1:
        block = block[:, np.newaxis]
    if block.ndim != 2 or block.dtype.kind != "f":
        raise InputError(
            f"a sound is float samples of shape (frames, channels), not {block.dtype}"
            f" {block.shape}: scale integers to ±1.0 first"
        )
    if channels is not None and block.shape[1] != channels:
        raise InputError(
            f"a block has {block.shape[1]} channels where {channels} were announced: feed one sound only"
        )
    return block


def block_range(block: NDArray[np.floating]) -> float:
    """Largest magnitude in a block; InputError on NaN, infinity or absurd values."""
    if block.size == 0:
        return 0.0
    peak = max(float(block.max()), -float(block.min()))  # NaN passes through max
    if not peak <= LARGEST_SAMPLE:
        raise InputError(DAMAGED)
    return peak


def is_silent(block: NDArray[np.floating]) -> bool:
    """Whether a block never exceeds ``SMALLEST_SAMPLE``; errors as ``block_range``.

    Cheaper than ``block_range`` where nobody wants the peak: one sum of
    squares settles all but the doubtful cases.
    """
    if block.dtype == np.float32 and block.flags.c_contiguous and block.size:
        flat = block.reshape(-1)
        power = float(np.vdot(flat, flat))
        if SMALLEST_SAMPLE**2 * block.size < power <= LARGEST_SAMPLE**2:
            return False
    return block_range(block) < SMALLEST_SAMPLE


class Chunker:
    """Gathers blocks into chunks of ``frames`` frames after ``history`` repeated ones.

    ``buffer`` is reused: a chunk handed to ``use`` is only valid during the call.
    """

    def __init__(self, channels: int, frames: int, history: int = 0) -> None:
        self.frames = frames
        self.history = history
        self.filled = 0
        self.buffer: Singles = np.empty((channels, history + frames), dtype=np.float32)
        self.buffer[:, :history] = 0.0

    def add(self, block: NDArray[np.floating], silent: bool, use: Callable[[Singles], None]) -> None:
        """Append a block; ``use`` is called with each chunk that becomes full."""
        done = 0
        while done < len(block):
            take = min(len(block) - done, self.frames - self.filled)
            at = self.history + self.filled
            if silent:
                self.buffer[:, at : at + take] = 0.0
            else:
                self.buffer[:, at : at + take] = block[done : done + take].T
            self.filled += take
            done += take
            if self.filled == self.frames:
                use(self.buffer)
                self._keep_history()
                self.filled = 0

    def _keep_history(self) -> None:
        if self.history:
            self.buffer[:, : self.history] = self.buffer[:, self.frames :]

    def rest(self, silence: int, unit: int) -> Singles:
        """A copy of the unfinished chunk with silence behind it; nothing changes.

        History, then a multiple of ``unit`` frames that holds what is filled
        and at least ``silence`` more. Valid until this thread's next ``rest``.
        """
        frames = -(-(self.filled + silence) // unit) * unit
        chunk = workspace.singles("rest", len(self.buffer), self.history + frames)
        end = self.history + self.filled
        chunk[:, :end] = self.buffer[:, :end]
        chunk[:, end:] = 0.0
        return chunk


class RowChunker:
    """Gathers blocks as ``Chunker`` does, but into rows of ``width`` frames with ``room`` behind each.

    ``rows`` is ``(channels * frames // width, width + room)``, channel after
    channel; what is in the room is the user's.
    """

    def __init__(self, channels: int, frames: int, width: int, room: int) -> None:
        self.frames = frames
        self.filled = 0
        self._channels, self._width, self._room = channels, width, room
        self.rows: Singles = np.empty((channels * frames // width, width + room), dtype=np.float32)
        self._by_channel = self.rows.reshape(channels, -1, width + room)

    def add(self, block: NDArray[np.floating], silent: bool, use: Callable[[Singles], None]) -> None:
        """Append a block; ``use`` is called with the rows of each chunk that becomes full."""
        done = 0
        while done < len(block):
            take = min(len(block) - done, self.frames - self.filled)
            self._put(block[done : done + take], silent)
            self.filled += take
            done += take
            if self.filled == self.frames:
                use(self.rows)
                self.filled = 0

    def _put(self, block: NDArray[np.floating], silent: bool) -> None:
        """Into a row begun, whole rows, and the front of a row."""
        width, at = self._width, self.filled
        done = 0
        while done < len(block):
            row, column = divmod(at + done, width)
            whole = 0 if column else (len(block) - done) // width
            if whole:
                target = self._by_channel[:, row : row + whole, :width]
                part = block[done : done + whole * width].reshape(whole, width, -1).transpose(2, 0, 1)
                done += whole * width
            else:
                count = min(width - column, len(block) - done)
                target = self._by_channel[:, row, column : column + count]
                part = block[done : done + count].T
                done += count
            target[:] = 0.0 if silent else part

    def rest(self, silence: int, unit: int) -> Singles:
        """Rows of the unfinished chunk with silence behind it; nothing changes.

        A multiple of ``unit`` frames that holds what is filled and at least
        ``silence`` more. Valid until this thread's next ``rest``.
        """
        frames = -(-(self.filled + silence) // unit) * unit
        width = self._width
        rows = workspace.singles("rest", self._channels, frames // width, width + self._room)
        whole, left_over = divmod(self.filled, width)
        rows[:, :whole] = self._by_channel[:, :whole]
        rows[:, whole:] = 0.0
        if left_over:
            rows[:, whole, :left_over] = self._by_channel[:, whole, :left_over]
        return rows.reshape(-1, width + self._room)
