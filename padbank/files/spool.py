"""A working copy of a sound that is gone over several times: in memory while short, else in a file.

Class: ``Spool``.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from padbank.errors import StoreError
from padbank.units import format_bytes

HELD_BYTES = 1 << 26
"""87 s of stereo at 48 kHz."""
VALUE_BYTES = 8


class Spool:
    """Float64 frames, written once in order and read in any order.

    Parameters
    ----------
    folder : where a file goes once there is more than ``HELD_BYTES``; it has no name, or is
        removed with the spool
    channels : of the sound

    A context manager. ``StoreError`` when the disk is full.
    """

    def __init__(self, folder: Path, channels: int) -> None:
        self.channels = channels
        self.frames = 0
        self._folder = folder
        self._file = tempfile.SpooledTemporaryFile(  # noqa: SIM115 - closed with the spool
            max_size=HELD_BYTES, dir=str(folder)
        )

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def write(self, block: NDArray[np.float64]) -> None:
        """Add ``(frames, channels)``."""
        try:
            self._file.write(np.ascontiguousarray(block, dtype=np.float64).tobytes())
        except OSError as error:
            size = format_bytes((self.frames + len(block)) * self.channels * VALUE_BYTES)
            raise StoreError(
                f"a working copy of the sound, over {size}, finds no room in {self._folder} "
                f"({error.strerror or error}): free some, or shorten the clip"
            ) from error
        self.frames += len(block)

    def read(self, first: int, last: int) -> NDArray[np.float64]:
        """Frames ``first`` to ``last - 1``."""
        size = self.channels * VALUE_BYTES
        self._file.seek(first * size)
        data = self._file.read((last - first) * size)
        self._file.seek(0, 2)
        return np.frombuffer(data, dtype=np.float64).reshape(-1, self.channels)
