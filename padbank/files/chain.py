"""Several sounds in one file, or one sound in several whole pieces, read in a row.

Joined MP3s, chained Ogg streams and what damage has left between its holes:
each piece is decoded by itself, from a fresh start, because a decoder that
runs on across a joint turns the joint into noise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from padbank.files.reader import Backend, Damage, Refused, Samples


class ChainReader:
    """A ``Backend`` over openers of pieces; one piece is open at a time.

    A piece that cannot be opened is left out. One with another rate or number
    of channels ends the sound there.
    """

    def __init__(self, openers: Sequence[Callable[[], Backend]]) -> None:
        self._openers = list(openers)
        self._lengths: list[int | None] = [None] * len(self._openers)
        self._open: tuple[int, Backend] | None = None
        self.notes: list[str] = []
        reasons: list[Refused] = []
        for index in range(len(self._openers)):
            try:
                first = self._piece(index)
                break
            except Refused as refusal:
                reasons.append(refusal)
                self._lengths[index] = 0
        else:
            raise reasons[0] if reasons else Refused("holds no sound")
        self.info = replace(first.info, frames_claimed=None)

    def _piece(self, index: int) -> Backend:
        if self._open is not None:
            if self._open[0] == index:
                return self._open[1]
            self._open[1].close()
            self._open = None
        backend = self._openers[index]()
        self._open = (index, backend)
        return backend

    def blocks(self, block_frames: int) -> Iterator[Samples]:
        for index in range(len(self._openers)):
            try:
                piece = self._piece(index)
            except Refused:
                self._lengths[index] = 0
                continue
            if (piece.info.sample_rate_hz, piece.info.channels) != (
                self.info.sample_rate_hz,
                self.info.channels,
            ):
                raise Damage("its sample rate or number of channels changes")
            count = 0
            try:
                for block in piece.blocks(block_frames):
                    count += len(block)
                    yield block
            except Damage as damage:
                self.notes.append(f"damaged inside ({damage}): what could not be decoded is left out")
            self.notes.extend(note for note in piece.notes if note not in self.notes)
            self._lengths[index] = count

    def seek_read(self, start_frame: int, n_frames: int) -> Samples:
        if None in self._lengths:
            try:
                for _ in self.blocks(1 << 16):
                    pass
            except Damage:
                self._lengths = [length or 0 for length in self._lengths]
        out = []
        at = 0
        for index, length in enumerate(self._lengths):
            n = length or 0
            if n and at + n > start_frame and n_frames > 0:
                first = start_frame - at
                samples = self._piece(index).seek_read(first, min(n_frames, n - first))
                out.append(samples)
                start_frame += len(samples)
                n_frames -= len(samples)
            at += n
        return np.concatenate(out) if out else np.zeros((0, self.info.channels), dtype=np.float32)

    def close(self) -> None:
        if self._open is not None:
            self._open[1].close()
            self._open = None
